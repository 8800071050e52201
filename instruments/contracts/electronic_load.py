"""Contract of `capabilities.ElectronicLoad`: run each of `CHECKS` on a freshly made driver with its probe."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from instruments.capabilities import ElectronicLoad
from instruments.clock import Clock
from instruments.contracts import require, require_raises
from instruments.errors import InstrumentError, RatingExceededError, SettingRefusedError


class LoadProbe(Protocol):
    """A look at the load past the driver: into the plant, or with a meter and a bus analyser."""

    def input_on(self) -> bool:
        """Say whether the input is on."""
        ...

    def mode(self) -> str:
        """Return what it holds constant: `current`, `power` or `resistance`."""
        ...

    def level(self) -> float:
        """Return the level of that mode in A, W or ohm."""
        ...

    def current_a(self) -> float:
        """Return what flows through its terminals."""
        ...

    def n_messages(self) -> int:
        """Return how many messages it has got from the host."""
        ...

    def reverse_briefly(self) -> None:
        """Have the voltage at its terminals the wrong way round for a moment, over before this returns."""
        ...

    def trip_protection(self) -> None:
        """Have a protection trip while the input is on."""
        ...

    def put_error(self, number: int) -> None:
        """Put an entry of that number into the load's error queue."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadUnderContract:
    """An open driver with its probe and ratings, at a source of `source_v` that gives 1 A and 10 W and does not sag."""

    driver: ElectronicLoad
    probe: LoadProbe
    clock: Clock
    settling_time_s: float
    source_v: float
    max_current_a: float
    max_power_w: float
    least_resistance_ohm: float
    most_resistance_ohm: float
    part: float = 0.02  # of what is drawn and measured


Maker = Callable[[], LoadUnderContract]
Check = Callable[[Maker], None]


def check_identity_is_complete(make: Maker) -> None:
    """`identify` gives at least maker, model and serial."""
    identity = make().driver.identify()
    require(bool(identity.maker and identity.model and identity.serial), f"{identity} names maker, model and serial")


def check_modes_and_levels_arrive(make: Maker) -> None:
    """Each mode arrives with its level, and leaves the input as it is."""
    bench = make()
    driver, probe = bench.driver, bench.probe
    for draw, mode, level in (
        (driver.draw_current, "current", bench.max_current_a / 7),
        (driver.draw_power, "power", bench.max_power_w / 7),
        (driver.draw_resistance, "resistance", 3.0 * bench.least_resistance_ohm),
    ):
        draw(level)
        require(probe.mode() == mode, f"{mode} is held, not {probe.mode()}")
        require(abs(probe.level() - level) <= 0.01 * level, f"{level:g} arrives, not {probe.level():g}")
        require(not probe.input_on(), "a mode switches nothing on")


def check_it_draws_what_was_asked(make: Maker) -> None:
    """On, it draws the current, the power and through the resistance asked for; off, nothing."""
    bench = make()
    source_v = bench.source_v
    for draw, level, expected_a in (
        (bench.driver.draw_current, 1.0, 1.0),
        (bench.driver.draw_power, 10.0, 10.0 / source_v),
        (bench.driver.draw_resistance, 2.0 * source_v, 0.5),
    ):
        draw(level)
        bench.driver.set_input(True)
        bench.clock.sleep_s(bench.settling_time_s)
        flows_a = bench.probe.current_a()
        require(abs(flows_a - expected_a) <= bench.part * expected_a, f"{expected_a:g} A flow, not {flows_a:g} A")
        bench.driver.set_input(False)
        bench.clock.sleep_s(bench.settling_time_s)
        require(abs(bench.probe.current_a()) <= 0.001, "off, it draws nothing")


def check_meters_show_what_flows(make: Maker) -> None:
    """Its meters show voltage, current and power at its terminals, and status that the input is on."""
    bench = make()
    _draw(bench)
    volts, amps, watts = (
        bench.driver.measure_voltage(),
        bench.driver.measure_current(),
        bench.driver.measure_power(),
    )
    require(abs(volts - bench.source_v) <= 0.05 * bench.source_v, f"{bench.source_v:g} V is measured, not {volts:g} V")
    require(abs(amps - bench.probe.current_a()) <= bench.part, f"the current that flows is measured, not {amps:g} A")
    require(abs(watts - volts * amps) <= bench.part * volts, f"power is volts times amperes, not {watts:g} W")
    require(bench.driver.status().input_on, "status says that the input is on")


def check_ratings_hold_before_the_wire(make: Maker) -> None:
    """More than the ratings, less than nothing and NaN are refused without a message being sent."""
    bench = make()
    n_before = bench.probe.n_messages()
    refused = [
        *((bench.driver.draw_current, value) for value in (1.01 * bench.max_current_a, -0.01)),
        *((bench.driver.draw_power, value) for value in (1.01 * bench.max_power_w, -0.01)),
        *(
            (bench.driver.draw_resistance, value)
            for value in (0.9 * bench.least_resistance_ohm, 1.1 * bench.most_resistance_ohm, 0.0)
        ),
    ]
    every = (bench.driver.draw_current, bench.driver.draw_power, bench.driver.draw_resistance)
    refused += [(draw, value) for draw in every for value in (float("nan"), float("inf"))]
    for draw, value in refused:
        require_raises(RatingExceededError, partial(draw, value), f"{value:g} is beyond the ratings")
    require(bench.probe.n_messages() == n_before, "a setting beyond the ratings is never sent")


def check_safe_is_off(make: Maker) -> None:
    """`make_safe` leaves the input off, also when called again."""
    bench = make()
    _draw(bench)
    bench.driver.make_safe()
    require(not bench.probe.input_on(), "make_safe switches the input off")
    bench.driver.make_safe()
    require(not bench.probe.input_on(), "make_safe can be called again")


def check_error_queue_does_not_hide_that_it_is_safe(make: Maker) -> None:
    """`make_safe` succeeds when the input reads back as off, whatever stands in the error queue, and empties it."""
    bench = make()
    _draw(bench)
    bench.probe.put_error(-222)
    bench.driver.make_safe()
    require(not bench.probe.input_on(), "make_safe switches the input off")
    bench.driver.draw_current(1.0)  # raises if the entry were still there


def check_closed_is_off(make: Maker) -> None:
    """`close` leaves the input off and can be called again; nothing works afterwards."""
    bench = make()
    _draw(bench)
    bench.driver.close()
    require(not bench.probe.input_on(), "close switches the input off")
    bench.driver.close()
    require_raises(InstrumentError, bench.driver.measure_current, "a closed driver answers nothing")
    require_raises(InstrumentError, bench.driver.make_safe, "a closed driver does not claim that the input is off")


def check_queued_error_raises_once(make: Maker) -> None:
    """Every entry of the error queue is in the exception; afterwards the queue is empty."""
    bench = make()
    bench.probe.put_error(-222)
    bench.probe.put_error(-240)
    message = require_raises(SettingRefusedError, lambda: bench.driver.draw_current(1.0), "queued errors raise")
    require("-222" in message and "-240" in message, f"every entry of the queue is told, not only {message!r}")
    bench.driver.draw_current(1.0)


def check_reverse_voltage_is_latched_once(make: Maker) -> None:
    """Reverse voltage between two calls is reported by the next `status`, and only by that."""
    bench = make()
    bench.driver.status()
    bench.probe.reverse_briefly()
    status = bench.driver.status()
    require(status.reversed_latched, "reverse voltage since the last call is reported though it is over")
    require(not status.reversed_now, "reverse voltage that is over is not reported as present")
    require(not bench.driver.status().reversed_latched, "latched reverse voltage is reported once")


def check_tripped_protection_holds_the_input_off(make: Maker) -> None:
    """A trip is in the status, holds the input off against `set_input`, and is released by `clear_protection`."""
    bench = make()
    _draw(bench)
    bench.probe.trip_protection()
    status = bench.driver.status()
    require(status.protection_tripped and not status.input_on, "a trip is in the status, and the input is off")
    require_raises(SettingRefusedError, lambda: bench.driver.set_input(True), "a trip holds the input off")
    bench.driver.clear_protection()
    status = bench.driver.status()
    require(not status.protection_tripped and not status.input_on, "clearing releases the trip, and nothing more")
    bench.driver.set_input(True)
    require(bench.probe.input_on(), "after clearing the input can be switched on")


CHECKS: tuple[Check, ...] = (
    check_identity_is_complete,
    check_modes_and_levels_arrive,
    check_it_draws_what_was_asked,
    check_meters_show_what_flows,
    check_ratings_hold_before_the_wire,
    check_safe_is_off,
    check_error_queue_does_not_hide_that_it_is_safe,
    check_closed_is_off,
    check_queued_error_raises_once,
    check_reverse_voltage_is_latched_once,
    check_tripped_protection_holds_the_input_off,
)


def _draw(bench: LoadUnderContract) -> None:
    """Have 1 A drawn."""
    bench.driver.draw_current(1.0)
    bench.driver.set_input(True)
    bench.clock.sleep_s(bench.settling_time_s)
    require(bench.probe.input_on(), "the input is on once it was switched on")
