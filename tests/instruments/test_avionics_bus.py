import contextlib

import can
import pytest
from daq_fake_plant import FakePlant

from instruments.avionics_bus import CanAvionicsBus, open_avionics_bus
from instruments.contracts import ContractViolation
from instruments.contracts import avionics_bus as contract
from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, SettingRefusedError
from instruments.simulated.can_link import INTERFACE, serve_bus
from instruments.simulated.clock import SimulatedClock
from instruments.transports.can_bus import can_errors


class PlantProbe:
    """Another node: the plant itself."""

    def __init__(self, plant):
        self._plant = plant
        self._n_seen = 0

    def sent_frames(self):
        frames = [(identifier, data) for _, identifier, data in self._plant.sent[self._n_seen :]]
        self._n_seen = len(self._plant.sent)
        return frames

    def put_frame(self, identifier, data):
        self._plant.incoming.append((self._plant.now_ns + 300_000, identifier, data))


@pytest.fixture
def make():
    with contextlib.ExitStack() as stack:

        def made(driver_of=lambda driver: driver):
            plant = FakePlant()
            clock = SimulatedClock(plant)
            name = stack.enter_context(serve_bus("bus-contract", plant=plant, clock=clock))
            driver = open_avionics_bus(INTERFACE, name, bit_rate=125_000, clock=clock, name="bus")
            stack.callback(driver.close)
            return contract.BusUnderContract(
                driver=driver_of(driver), probe=PlantProbe(plant), clock=clock, latency_s=0.002
            )

        yield made


@pytest.mark.parametrize("check", contract.CHECKS)
def test_the_driver_over_the_simulated_bus_keeps_the_contract(make, check):
    check(make)


class Faulty:
    """The real driver, but for what a test replaces."""

    def __init__(self, driver, **replaced):
        self._driver = driver
        self._replaced = replaced

    def __getattr__(self, name):
        return self._replaced.get(name, getattr(self._driver, name))


@pytest.mark.parametrize(
    ("name", "fault", "check"),
    [
        ("send", lambda _identifier, _data: None, contract.check_frames_go_out_as_given),
        ("send", lambda _identifier, _data: None, contract.check_impossible_frames_are_refused),
        ("receive", list, contract.check_frames_come_in_order_with_their_time),
        ("receive", lambda: ["frame"], contract.check_own_frames_do_not_come_back),
        ("receive", lambda: ["frame"], contract.check_receiving_never_waits),
    ],
)
def test_a_driver_that_does_not_do_its_work_breaks_the_contract(make, name, fault, check):
    with pytest.raises(ContractViolation):
        check(lambda: make(lambda driver: Faulty(driver, **{name: fault})))


class ScriptedBus(can.BusABC):
    """Gives the messages it was made with, or fails."""

    def __init__(self, messages=(), failure=None):
        self._messages = list(messages)
        self._failure = failure
        super().__init__("scripted")

    def send(self, msg, timeout=None):
        assert (msg.arbitration_id, timeout) == (0x13B, 0.1)
        raise self._failure

    def recv(self, timeout=None):
        assert timeout == 0
        if self._failure:
            raise self._failure
        return self._messages.pop(0) if self._messages else None


def driver_of(bus, clock, **options):
    return CanAvionicsBus(bus=bus, clock=clock, name="bus", **options)


@pytest.fixture
def clock():
    return SimulatedClock(FakePlant())


def test_time_stamps_become_bench_time_and_stay_between_the_calls(clock):
    stamps_s = (1000.2, 1000.35, 1.0, 9e9)
    bus = ScriptedBus([can.Message(timestamp=stamp_s, arbitration_id=1) for stamp_s in stamps_s])
    driver = driver_of(bus, clock, timestamp_zero_s=-1000.0)
    clock.sleep_s(0.5)
    assert [frame.time_s for frame in driver.receive()] == pytest.approx([0.2, 0.35, 0.0, 0.5])
    bus.shutdown()


def test_only_data_frames_are_handed_over(clock):
    messages = [
        can.Message(arbitration_id=1, is_error_frame=True),
        can.Message(arbitration_id=2, is_remote_frame=True),
        can.Message(arbitration_id=3, data=b"\x09", is_extended_id=False),
    ]
    bus = ScriptedBus(messages)
    assert [(frame.identifier, frame.data) for frame in driver_of(bus, clock).receive()] == [(3, b"\x09")]
    bus.shutdown()


def test_a_failing_bus_is_said_in_our_words(clock):
    bus = ScriptedBus(failure=can.CanOperationError("transmit buffer full", 105))
    with pytest.raises(InstrumentLostError, match="bus: bus lost at send 0x13b: transmit buffer full"):
        driver_of(bus, clock).send(0x13B, b"")
    with pytest.raises(InstrumentLostError, match="bus lost at receive"):
        driver_of(bus, clock).receive()
    bus.shutdown()


@pytest.mark.parametrize(("interface", "channel"), [("nosuchinterface", "0"), (INTERFACE, "nobody")])
def test_an_interface_that_is_not_there_is_said_in_our_words(make, clock, interface, channel):
    make()
    with pytest.raises(InstrumentError, match=f"bus: .*open {interface} {channel}"):
        open_avionics_bus(interface, channel, bit_rate=125_000, clock=clock, name="bus")


def test_leaving_a_with_block_leaves_the_bus(clock):
    bus = ScriptedBus()
    with driver_of(bus, clock):
        assert not bus._is_shutdown
    assert bus._is_shutdown


def all_kinds(kind):
    return {kind}.union(*(all_kinds(sub) for sub in kind.__subclasses__()))


def translated(error):
    with pytest.raises(InstrumentError) as caught, can_errors("bus", "send 0x1"):
        raise error
    assert caught.value.__cause__ is error
    assert (caught.value.instrument, caught.value.command) == ("bus", "send 0x1")
    return type(caught.value)


EXPECTED = {
    "CanError": InstrumentLostError,
    "CanInitializationError": InstrumentLostError,
    "CanInterfaceNotImplementedError": SettingRefusedError,
    "CanOperationError": InstrumentLostError,
    "CanTimeoutError": InstrumentTimeoutError,
}


def test_every_exception_of_python_can_becomes_ours():
    own = {kind for kind in all_kinds(can.CanError) if kind.__module__ == "can.exceptions"}
    assert {kind.__name__: translated(kind("text")) for kind in own} == EXPECTED


def test_exceptions_of_single_interfaces_become_ours_too():
    for kind in all_kinds(can.CanError):
        special = type("SpecialError", (kind,), {"__init__": Exception.__init__, "error_code": None})
        assert issubclass(translated(special("text")), InstrumentError)


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (OSError(100, "Network is down"), InstrumentLostError),
        (ValueError("bit rate"), SettingRefusedError),
        (NotImplementedError("CAN interface 'x' not supported"), SettingRefusedError),
    ],
)
def test_what_else_an_interface_raises_becomes_ours(error, kind):
    assert translated(error) is kind


def test_an_error_of_ours_passes_unchanged():
    ours = InstrumentLostError("daq: gone", instrument="daq")
    with pytest.raises(InstrumentLostError) as caught, can_errors("bus", "receive"):
        raise ours
    assert caught.value is ours
