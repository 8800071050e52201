"""Contract of `capabilities.PowerSupply`: run each of `CHECKS` on a freshly made driver with its probe."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from instruments.capabilities import PowerSupply, SequenceStep, VoltageSequencer
from instruments.clock import Clock
from instruments.contracts import ContractViolation, require, require_raises
from instruments.errors import InstrumentError, RatingExceededError, SettingRefusedError


class SupplyProbe(Protocol):
    """A look at the supply past the driver: into the plant, or with a meter and a bus analyser."""

    def output_on(self) -> bool:
        """Say whether the output is on."""
        ...

    def voltage_setting_v(self) -> float:
        """Return the voltage setting in volts."""
        ...

    def current_setting_a(self) -> float:
        """Return the current limit in amperes."""
        ...

    def overvoltage_setting_v(self) -> float:
        """Return where overvoltage protection trips, in volts."""
        ...

    def n_messages(self) -> int:
        """Return how many messages the supply has got from the host."""
        ...

    def limit_briefly(self) -> None:
        """Have the supply limit current for a moment, over before this returns."""
        ...

    def trip_overvoltage(self) -> None:
        """Have overvoltage protection trip."""
        ...

    def put_error(self, number: int) -> None:
        """Put an entry of that number into the supply's error queue."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyUnderContract:
    """An open driver with its probe and its ratings; settings may differ from the probe's by the tolerances.

    The output carries no more load than a tenth of the rated voltage and the rated current allow.
    """

    driver: PowerSupply
    probe: SupplyProbe
    clock: Clock
    settling_time_s: float  # from a tenth of the rated voltage being asked for until it stands
    max_voltage_v: float
    max_current_a: float
    voltage_tolerance_v: float
    current_tolerance_a: float


Maker = Callable[[], SupplyUnderContract]
Check = Callable[[Maker], None]


def check_identity_is_complete(make: Maker) -> None:
    """`identify` gives at least maker, model and serial."""
    identity = make().driver.identify()
    require(bool(identity.maker and identity.model and identity.serial), f"{identity} names maker, model and serial")


def check_settings_arrive(make: Maker) -> None:
    """Voltage, limit, protection and output arrive as asked."""
    bench = make()
    voltage_v, current_a = bench.max_voltage_v / 3, bench.max_current_a / 7
    overvoltage_v = bench.max_voltage_v / 2
    bench.driver.set_overvoltage(overvoltage_v)
    bench.driver.set_current_limit(current_a)
    bench.driver.set_voltage(voltage_v)
    bench.driver.set_output(True)
    probe = bench.probe
    require(abs(probe.voltage_setting_v() - voltage_v) <= bench.voltage_tolerance_v, "the voltage arrives as asked")
    require(abs(probe.current_setting_a() - current_a) <= bench.current_tolerance_a, "the limit arrives as asked")
    require(
        abs(probe.overvoltage_setting_v() - overvoltage_v) <= bench.voltage_tolerance_v,
        "overvoltage protection arrives as asked",
    )
    require(probe.output_on(), "the output is on once it was switched on")
    bench.driver.set_output(False)
    require(not probe.output_on(), "the output is off once it was switched off")


def check_meter_follows_the_output(make: Maker) -> None:
    """With the output on and no overload, the meter shows the setting."""
    bench = make()
    voltage_v = _switch_on(bench)
    measured_v = bench.driver.measure_voltage()
    require(abs(measured_v - voltage_v) <= 0.05 * voltage_v, f"{voltage_v:g} V is measured, not {measured_v:g} V")
    require(bench.driver.measure_current() >= 0.0, "a source delivers current")
    require(bench.driver.status().output_on, "status says that the output is on")


def check_ratings_hold_before_the_wire(make: Maker) -> None:
    """More than the ratings, less than nothing and NaN are refused without a message being sent."""
    bench = make()
    before, n_before = bench.probe.voltage_setting_v(), bench.probe.n_messages()
    for setter, highest in (
        (bench.driver.set_voltage, bench.max_voltage_v),
        (bench.driver.set_current_limit, bench.max_current_a),
        (bench.driver.set_overvoltage, bench.max_voltage_v),
    ):
        for value in (1.01 * highest, -0.01, float("nan"), float("inf")):
            require_raises(RatingExceededError, partial(setter, value), f"{value:g} is beyond the ratings")
    require(bench.probe.n_messages() == n_before, "a setting beyond the ratings is never sent")
    require(bench.probe.voltage_setting_v() == before, "a setting beyond the ratings changes nothing")


def check_safe_is_off(make: Maker) -> None:
    """`make_safe` leaves the output off, also when called again."""
    bench = make()
    _switch_on(bench)
    bench.driver.make_safe()
    require(not bench.probe.output_on(), "make_safe switches the output off")
    bench.driver.make_safe()
    require(not bench.probe.output_on(), "make_safe can be called again")


def check_error_queue_does_not_hide_that_it_is_safe(make: Maker) -> None:
    """`make_safe` succeeds when the output reads back as off, whatever stands in the error queue, and empties it."""
    bench = make()
    _switch_on(bench)
    bench.probe.put_error(-222)
    bench.driver.make_safe()
    require(not bench.probe.output_on(), "make_safe switches the output off")
    bench.driver.set_voltage(bench.max_voltage_v / 10)  # raises if the entry were still there


def check_closed_is_off(make: Maker) -> None:
    """`close` leaves the output off and can be called again; nothing works afterwards."""
    bench = make()
    _switch_on(bench)
    bench.driver.close()
    require(not bench.probe.output_on(), "close switches the output off")
    bench.driver.close()
    require_raises(InstrumentError, bench.driver.measure_voltage, "a closed driver answers nothing")
    require_raises(InstrumentError, bench.driver.make_safe, "a closed driver does not claim that the output is off")


def check_queued_error_raises_once(make: Maker) -> None:
    """Every entry of the error queue is in the exception; afterwards the queue is empty."""
    bench = make()
    bench.probe.put_error(-222)
    bench.probe.put_error(-240)
    message = require_raises(
        SettingRefusedError, lambda: bench.driver.set_voltage(bench.max_voltage_v / 10), "queued errors raise"
    )
    require("-222" in message and "-240" in message, f"every entry of the queue is told, not only {message!r}")
    bench.driver.set_voltage(bench.max_voltage_v / 10)


def check_limiting_is_latched_once(make: Maker) -> None:
    """Limiting between two calls is reported by the next `status`, and only by that."""
    bench = make()
    _switch_on(bench)
    bench.driver.status()
    bench.driver.status()  # limiting while the output came up is told by now
    bench.probe.limit_briefly()
    status = bench.driver.status()
    require(status.limiting_latched, "limiting since the last call is reported though it is over")
    require(not status.limiting, "limiting that is over is not reported as present")
    require(not bench.driver.status().limiting_latched, "latched limiting is reported once")


def check_tripped_protection_holds_the_output_off(make: Maker) -> None:
    """A trip is in the status, holds the output off against `set_output`, and is released by `clear_protection`."""
    bench = make()
    _switch_on(bench)
    bench.probe.trip_overvoltage()
    status = bench.driver.status()
    require(status.overvoltage_tripped and not status.output_on, "a trip is in the status, and the output is off")
    require_raises(SettingRefusedError, lambda: bench.driver.set_output(True), "a trip holds the output off")
    bench.driver.set_voltage(0.0)
    bench.driver.clear_protection()
    status = bench.driver.status()
    require(not status.overvoltage_tripped and not status.output_on, "clearing releases the trip, and nothing more")
    bench.driver.set_output(True)
    require(bench.probe.output_on(), "after clearing the output can be switched on")


def check_a_sequence_plays_once_and_its_last_voltage_stays(make: Maker) -> None:
    """Every step of a sequence stands at the output for its dwell; after the last one its voltage stays."""
    bench = make()
    driver = _sequencer(bench)
    _switch_on(bench)
    high_v, low_v = bench.max_voltage_v / 10, bench.max_voltage_v / 20
    dwell_s = max(0.05, 4.0 * bench.settling_time_s)
    driver.load_sequence([SequenceStep(voltage_v=volts, dwell_s=dwell_s) for volts in (low_v, high_v, low_v)])
    require(abs(bench.probe.voltage_setting_v() - high_v) <= bench.voltage_tolerance_v, "loading moves nothing")
    driver.start_sequence()
    require(driver.sequence_running(), "a sequence runs once it was started")
    for expected_v in (low_v, high_v, low_v):
        bench.clock.sleep_s(dwell_s / 2)
        measured_v = bench.driver.measure_voltage()
        require(abs(measured_v - expected_v) <= 0.05 * expected_v, f"step {expected_v:g} V, measured {measured_v:g} V")
        bench.clock.sleep_s(dwell_s / 2)
    bench.clock.sleep_s(dwell_s)
    require(not driver.sequence_running(), "a sequence is played once")
    driver.stop_sequence()
    require(abs(bench.probe.voltage_setting_v() - low_v) <= bench.voltage_tolerance_v, "its last voltage stays")
    bench.driver.set_voltage(high_v)
    require(abs(bench.probe.voltage_setting_v() - high_v) <= bench.voltage_tolerance_v, "fixed settings act again")


def check_a_stopped_sequence_moves_nothing_any_more(make: Maker) -> None:
    """`stop_sequence` ends a running one at once, at the voltage of its last step; `make_safe` with the output off."""
    bench = make()
    driver = _sequencer(bench)
    voltage_v = _switch_on(bench)
    steps = [SequenceStep(voltage_v=volts, dwell_s=1.0) for volts in (voltage_v / 2, voltage_v / 3, voltage_v)]
    driver.load_sequence(steps)
    driver.start_sequence()
    bench.clock.sleep_s(0.5)
    driver.stop_sequence()
    require(not driver.sequence_running(), "stopping ends the sequence")
    bench.clock.sleep_s(3.0)
    require(abs(bench.probe.voltage_setting_v() - voltage_v) <= bench.voltage_tolerance_v, "nothing moves afterwards")
    driver.start_sequence()
    bench.driver.make_safe()
    bench.clock.sleep_s(3.0)
    require(not bench.probe.output_on(), "make_safe switches the output off while a sequence runs, and it stays off")


def check_sequences_beyond_the_ratings_stay_off_the_wire(make: Maker) -> None:
    """No step, a step beyond the ratings and a dwell of nothing are refused without a message being sent."""
    bench = make()
    driver = _sequencer(bench)
    n_before = bench.probe.n_messages()
    good = SequenceStep(voltage_v=bench.max_voltage_v / 10, dwell_s=1.0)
    for steps in (
        [],
        [good, SequenceStep(voltage_v=1.01 * bench.max_voltage_v, dwell_s=1.0)],
        [good, SequenceStep(voltage_v=float("nan"), dwell_s=1.0)],
        [good, SequenceStep(voltage_v=1.0, dwell_s=0.0)],
        [good] * 100_000,
    ):
        require_raises(RatingExceededError, partial(driver.load_sequence, steps), f"{steps[-1:]} is beyond the ratings")
    require(bench.probe.n_messages() == n_before, "a sequence beyond the ratings is never sent")


def check_nothing_loaded_is_not_played(make: Maker) -> None:
    """`start_sequence` without a sequence is refused; `stop_sequence` then does nothing."""
    bench = make()
    driver = _sequencer(bench)
    _switch_on(bench)
    require_raises(SettingRefusedError, driver.start_sequence, "nothing loaded is not played")
    driver.stop_sequence()
    require(bench.probe.output_on(), "stopping nothing switches nothing")


CHECKS: tuple[Check, ...] = (
    check_identity_is_complete,
    check_settings_arrive,
    check_meter_follows_the_output,
    check_ratings_hold_before_the_wire,
    check_safe_is_off,
    check_error_queue_does_not_hide_that_it_is_safe,
    check_closed_is_off,
    check_queued_error_raises_once,
    check_limiting_is_latched_once,
    check_tripped_protection_holds_the_output_off,
)
SEQUENCE_CHECKS: tuple[Check, ...] = (  # of a supply that plays sequences besides
    check_a_sequence_plays_once_and_its_last_voltage_stays,
    check_a_stopped_sequence_moves_nothing_any_more,
    check_sequences_beyond_the_ratings_stay_off_the_wire,
    check_nothing_loaded_is_not_played,
)


def _sequencer(bench: SupplyUnderContract) -> VoltageSequencer:
    """Return the driver as what plays sequences."""
    driver = bench.driver
    if not isinstance(driver, VoltageSequencer):
        raise ContractViolation("a supply whose sheet speaks of lists plays sequences")
    return driver


def _switch_on(bench: SupplyUnderContract) -> float:
    """Have a tenth of the rated voltage stand at the output, nothing limiting; return it."""
    voltage_v = bench.max_voltage_v / 10
    bench.driver.set_overvoltage(bench.max_voltage_v)
    bench.driver.set_current_limit(bench.max_current_a)
    bench.driver.set_voltage(voltage_v)
    bench.driver.set_output(True)
    bench.clock.sleep_s(bench.settling_time_s)
    require(bench.probe.output_on(), "the output is on once it was switched on")
    return voltage_v
