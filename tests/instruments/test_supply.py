import pytest
from fake_plant_supply import FakePlant
from fake_visa_device import INSTR, SOCKET, ScriptedDevice, open_scripted

from instruments.errors import (
    InstrumentError,
    InstrumentLostError,
    InstrumentTimeoutError,
    ProtocolError,
    RatingExceededError,
    SettingRefusedError,
)
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.supply_face import supply_instrument
from instruments.simulated.visa_library import simulated_resource_manager
from instruments.supply import ScpiSupply, SupplyRatings, open_supply

RATINGS = SupplyRatings(max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9)


class Bench:
    """A supply driver on the simulated supply, with the messages that went over."""

    def __init__(self, time_out_s=0.5):
        self.plant = FakePlant()
        self.clock = SimulatedClock(self.plant)
        self.instrument = supply_instrument(
            self.plant.supply, max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9
        )
        self.messages = []
        self.deaf = False
        receive = self.instrument.receive

        def noting(data, **context):
            self.messages.append(data.decode("ascii").rstrip("\n"))
            if not self.deaf:
                receive(data, **context)

        self.instrument.receive = noting
        self.manager = simulated_resource_manager({INSTR: self.instrument}, self.clock)
        self.driver = open_supply(
            INSTR,
            resource_manager=self.manager,
            clock=self.clock,
            ratings=RATINGS,
            name="supply",
            time_out_s=time_out_s,
        )
        self.messages.clear()


@pytest.fixture
def bench():
    bench = Bench()
    yield bench
    bench.manager.close()


def scripted(script):
    device = ScriptedDevice(script)
    transport, clock = open_scripted(device)
    return ScpiSupply(transport, clock=clock, ratings=RATINGS), device


NO_ERROR = b'0,"No error"\n'


def test_setting_reading_back_and_the_error_queue_are_one_exchange(bench):
    bench.driver.set_voltage(9.49)
    assert bench.messages == ["VOLT 9.49;:VOLT?;:SYST:ERR?"]


def test_an_exchange_takes_the_time_the_supply_takes(bench):
    before_ns = bench.clock.now_ns
    bench.driver.set_voltage(9.49)
    assert bench.clock.now_ns - before_ns == 2_500_000  # 0.5 ms for the setting, 1 ms for each query


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda driver: driver.set_current_limit(0.05), "CURR 0.05;:CURR?;:SYST:ERR?"),
        (lambda driver: driver.set_overvoltage(17.0), "VOLT:PROT 17;:VOLT:PROT?;:SYST:ERR?"),
        (lambda driver: driver.set_output(True), "OUTP ON;:OUTP?;:SYST:ERR?"),
        (lambda driver: driver.set_output(False), "OUTP OFF;:OUTP?;:SYST:ERR?"),
        (lambda driver: driver.measure_voltage(), "MEAS:VOLT?;:SYST:ERR?"),
        (lambda driver: driver.measure_current(), "MEAS:CURR?;:SYST:ERR?"),
        (lambda driver: driver.status(), "OUTP?;:STAT:QUES:COND?;:STAT:QUES?;:SYST:ERR?"),
        (lambda driver: driver.clear_protection(), "OUTP:PROT:CLE;:STAT:QUES:COND?;:SYST:ERR?"),
    ],
)
def test_every_call_is_one_message_with_the_error_queue_at_its_end(bench, call, message):
    call(bench.driver)
    assert bench.messages == [message]


def test_opening_changes_neither_output_nor_settings(bench):
    supply = bench.plant.supply
    supply.set_voltage(12.0)
    supply.set_output(True)
    open_supply(
        INSTR, resource_manager=bench.manager, clock=bench.clock, ratings=RATINGS, name="supply", time_out_s=0.5
    )
    assert (supply.output_on, supply.voltage_setting_v) == (True, 12.0)


def test_opening_arms_both_status_bits(bench):
    assert bench.instrument.status.questionable.enable == 1 << 1 | 1 << 9


def test_a_rating_is_named_with_the_instrument_and_what_to_do(bench):
    with pytest.raises(
        RatingExceededError, match=r"supply \(TCPIP0.*\): voltage 36.5 V .* 36 V .* nothing was sent. Change the plan"
    ):
        bench.driver.set_voltage(36.5)
    assert bench.messages == []


@pytest.mark.parametrize("value", [0.0, 36.0])
def test_the_ends_of_the_rating_are_allowed(bench, value):
    bench.driver.set_voltage(value)
    assert bench.plant.supply.voltage_setting_v == pytest.approx(value)


@pytest.mark.parametrize(
    ("read_back", "refused"), [("9.4905", False), ("9.491", False), ("9.4921", True), ("9.48", True)]
)
def test_a_setting_has_to_read_back_within_its_resolution(read_back, refused):
    driver, _ = scripted({"VOLT 9.49;:VOLT?;:SYST:ERR?": (0.001, f"{read_back};".encode("ascii") + NO_ERROR)})
    if not refused:
        driver.set_voltage(9.49)
        return
    with pytest.raises(SettingRefusedError, match=f"set 9.49 V, reads back {read_back} V"):
        driver.set_voltage(9.49)


@pytest.mark.parametrize("on", [True, False])
def test_an_output_that_reads_back_otherwise_is_refused(on):
    word = "ON" if on else "OFF"
    driver, _ = scripted({f"OUTP {word};:OUTP?;:SYST:ERR?": (0.001, f"{int(not on)};".encode("ascii") + NO_ERROR)})
    with pytest.raises(SettingRefusedError, match="reads back as"):
        driver.set_output(on)


@pytest.mark.parametrize(
    "reply",
    [
        b"9.49\n",
        b'9.49;1;0,"No error"\n',
        b'0,"No error"\n',
        b"9.49;OK\n",
        b'x;0,"No error"\n',
        b'9.91E37;0,"No error"\n',
    ],
)
def test_a_reply_of_another_shape_is_told_with_command_and_reply(reply):
    driver, _ = scripted({"MEAS:VOLT?;:SYST:ERR?": (0.001, reply)})
    with pytest.raises(ProtocolError) as caught:
        driver.measure_voltage()
    assert caught.value.command.startswith("MEAS:VOLT?")
    assert caught.value.instrument == "supply"
    assert "Check" in str(caught.value)


def test_what_follows_a_reply_of_another_shape_never_answers_the_next_call():
    # a supply that answers each query in a message of its own
    device = ScriptedDevice({"MEAS:CURR?;:SYST:ERR?": (0.001, b"2.000;" + NO_ERROR)})
    transport, clock = open_scripted(device, SOCKET)
    driver = ScpiSupply(transport, clock=clock, ratings=RATINGS)
    device.script["MEAS:VOLT?;:SYST:ERR?"] = (0.001, b"1.000\n" + b"1.000;" + NO_ERROR)
    with pytest.raises(ProtocolError):
        driver.measure_voltage()
    assert driver.measure_current() == 2.0


def test_an_error_is_told_with_every_entry_of_the_queue(bench):
    for number in (-113, -222):
        bench.instrument.status.report(number)
    with pytest.raises(SettingRefusedError, match='-113,"Undefined header"; -222,"Data out of range"'):
        bench.driver.measure_current()
    bench.driver.measure_current()


def test_a_supply_that_falls_silent_at_an_error_is_asked_why():
    message = "VOLT 9.49;:VOLT?;:SYST:ERR?"
    driver, device = scripted({})
    entries = [NO_ERROR, b'-113,"Undefined header"\n', NO_ERROR]  # one for the resync at opening
    receive = device.receive

    def queued(data, **context):
        if data == b"SYST:ERR?\n":
            device.script["SYST:ERR?"] = (0.001, entries.pop(0))
        receive(data, **context)

    device.receive = queued
    with pytest.raises(SettingRefusedError, match="-113"):
        driver.set_voltage(9.49)
    assert device.received.count(message) == 1


def test_a_supply_that_does_not_answer_is_a_time_out_of_the_command_that_was_asked(bench):
    bench.deaf = True
    before_ns = bench.clock.now_ns
    with pytest.raises(InstrumentTimeoutError, match='"MEAS:VOLT'):
        bench.driver.measure_voltage()
    assert bench.clock.now_ns - before_ns == 1_000_000_000  # its time-out, and one for asking why
    bench.deaf = False
    assert bench.driver.measure_voltage() == 0.0


def test_limiting_that_went_on_at_the_last_call_counts_as_seen_since(bench):
    bench.driver.set_voltage(12.0)
    bench.driver.set_current_limit(0.5)
    bench.driver.set_output(True)
    first = bench.driver.status()
    second = bench.driver.status()
    bench.plant.supply.set_current_limit(5.0)
    third, fourth = bench.driver.status(), bench.driver.status()
    seen = [(status.limiting, status.limiting_latched) for status in (first, second, third, fourth)]
    assert seen == [(True, True), (True, True), (False, True), (False, False)]


def test_limiting_is_not_lost_with_a_call_that_failed(bench):
    bench.driver.set_current_limit(5.0)
    bench.driver.set_output(True)
    bench.driver.status()
    bench.plant.supply.note_limiting()
    bench.instrument.status.report(-240)
    with pytest.raises(SettingRefusedError):
        bench.driver.status()
    assert bench.driver.status().limiting_latched
    assert not bench.driver.status().limiting_latched


def test_status_goes_by_the_bits_of_the_sheet():
    ratings = SupplyRatings(max_voltage_v=36.0, max_current_a=60.0, limiting_bit=0, overvoltage_bit=3)
    device = ScriptedDevice()
    transport, clock = open_scripted(device)
    driver = ScpiSupply(transport, clock=clock, ratings=ratings)
    query = "OUTP?;:STAT:QUES:COND?;:STAT:QUES?;:SYST:ERR?"
    seen = []
    for condition, event in ((0, 0), (1, 1), (0, 0), (0, 0), (8, 8), (2, 2), (0, 1)):
        device.script[query] = (0.001, f"1;{condition};{event};".encode("ascii") + NO_ERROR)
        status = driver.status()
        seen.append((status.limiting, status.limiting_latched, status.overvoltage_tripped))
    assert seen == [
        (False, False, False),
        (True, True, False),
        (False, True, False),
        (False, False, False),
        (False, False, True),
        (False, False, False),
        (False, True, False),
    ]


def test_a_protection_that_stays_tripped_is_told():
    driver, _ = scripted({"OUTP:PROT:CLE;:STAT:QUES:COND?;:SYST:ERR?": (0.001, b"512;" + NO_ERROR)})
    with pytest.raises(SettingRefusedError, match="still tripped"):
        driver.clear_protection()


def test_make_safe_switches_a_supply_off_that_only_listens(bench):
    supply = bench.plant.supply
    supply.set_output(True)
    read_raw = bench.driver._transport._resource.read_raw
    bench.driver._transport._resource.read_raw = lambda: (_ for _ in ()).throw(BrokenPipeError("no way back"))
    with pytest.raises(InstrumentLostError, match="no way back"):
        bench.driver.make_safe()
    assert not supply.output_on
    bench.driver._transport._resource.read_raw = read_raw
    bench.driver.make_safe()


def test_make_safe_raises_when_the_output_reads_back_as_on():
    driver, _ = scripted({"OUTP OFF;:OUTP?": (0.001, b"1\n")})
    with pytest.raises(SettingRefusedError, match="reads back as on"):
        driver.make_safe()


def test_make_safe_raises_when_nobody_answers(bench):
    bench.deaf = True
    with pytest.raises(InstrumentTimeoutError):
        bench.driver.make_safe()
    assert bench.messages[0] == "OUTP OFF"


def test_make_safe_works_after_an_interrupted_query(bench):
    bench.plant.supply.set_output(True)
    resource = bench.driver._transport._resource
    read_raw = resource.read_raw

    def interrupted():
        resource.read_raw = read_raw
        raise KeyboardInterrupt

    resource.read_raw = interrupted
    with pytest.raises(KeyboardInterrupt):
        bench.driver.measure_voltage()
    bench.driver.make_safe()
    assert not bench.plant.supply.output_on


def test_close_closes_the_link_though_making_safe_fails(bench):
    bench.deaf = True
    with pytest.raises(InstrumentTimeoutError):
        bench.driver.close()
    bench.messages.clear()
    bench.driver.close()
    assert bench.messages == []
    with pytest.raises(InstrumentLostError):
        bench.driver.measure_voltage()


def test_leaving_the_context_switches_off(bench):
    with bench.driver as driver:
        driver.set_voltage(5.0)
        driver.set_output(True)
        assert bench.plant.supply.output_on
    assert not bench.plant.supply.output_on


OPENING = {
    "*IDN?": (0.001, b"maker,model,serial,1.0\n"),
    "SYST:VERS?;:SYST:ERR?": (0.001, b"1999.0;" + NO_ERROR),
    "STAT:PRES;*CLS;:STAT:QUES:ENAB 514;:STAT:QUES:ENAB?;:SYST:ERR?": (0.001, b"514;" + NO_ERROR),
}


@pytest.mark.parametrize(
    ("changes", "kind", "why"),
    [
        ({"*IDN?": (0.001, b"HELLO\n")}, ProtocolError, "four fields"),
        ({"SYST:VERS?;:SYST:ERR?": (0.001, b"7.1;" + NO_ERROR)}, ProtocolError, "no version of SCPI"),
        ({"SYST:VERS?;:SYST:ERR?": (9.0, b"")}, InstrumentTimeoutError, "SYST:VERS"),
        (
            {"STAT:PRES;*CLS;:STAT:QUES:ENAB 514;:STAT:QUES:ENAB?;:SYST:ERR?": (0.001, b"2;" + NO_ERROR)},
            SettingRefusedError,
            "status bits 514 read back as 2",
        ),
    ],
)
def test_what_does_not_open_as_it_should_is_told_and_closed(changes, kind, why):
    device = ScriptedDevice(OPENING | changes)
    clock = SimulatedClock(FakePlant())
    manager = simulated_resource_manager({INSTR: device}, clock)
    with pytest.raises(kind, match=why):
        open_supply(INSTR, resource_manager=manager, clock=clock, ratings=RATINGS, name="supply", time_out_s=0.2)
    assert manager.list_opened_resources() == []


def test_nobody_at_the_address_is_an_instrument_error():
    clock = SimulatedClock(FakePlant())
    manager = simulated_resource_manager({}, clock)
    with pytest.raises(InstrumentError, match="Check the address"):
        open_supply(INSTR, resource_manager=manager, clock=clock, ratings=RATINGS, name="supply", time_out_s=0.2)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"limiting_bit": 15}, "between 0 and 14"),
        ({"overvoltage_bit": -1}, "between 0 and 14"),
        ({"overvoltage_bit": 1}, "both be bit 1"),
        ({"max_voltage_v": 0.0}, "positive"),
        ({"max_current_a": float("nan")}, "positive"),
    ],
)
def test_ratings_that_make_no_sense_are_refused(changes, why):
    values = {"max_voltage_v": 36.0, "max_current_a": 60.0, "limiting_bit": 1, "overvoltage_bit": 9}
    with pytest.raises(ValueError, match=why):
        SupplyRatings(**(values | changes))
