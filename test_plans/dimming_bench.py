"""What the dimming procedures ask of the bench alike: what is under test, captures, needs, the unit awake.

Captures are taken at a rate that is no small ratio of the PWM's nominal frequency, so that its periods average the
rounding of their edges out.
"""

from collections.abc import Iterable

from analysis.sampling_rate import averaging_rate_hz
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a, names
from test_plans.driving import bring_up
from test_plans.procedure import CaptureNeed, Needs
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Rheostat, Setup
from test_plans.signals import function_named, voltage_signal

FASTEST_HZ = 50_000.0
DC_RATE_HZ = 10_000.0  # where no output is pulsed
CONDITION = "unloaded"
LIMIT_A = 0.5


def rheostats_of(setup: Setup) -> tuple[Rheostat, ...]:
    """Return the rheostats of condition `rheostats`, without it all of the model's."""
    wanted = names(setup, "rheostats", tuple(rheostat.name for rheostat in setup.unit.rheostats))
    return tuple(rheostat for rheostat in setup.unit.rheostats if rheostat.name in wanted)


def rheostat_for(setup: Setup, output: DimmingOutput) -> Rheostat:
    """Return the rheostat that the aircraft sheet maps an output to.

    Raises:
        StopIteration: it maps it to none; the sheet's reader refuses such a sheet.
    """
    name = setup.aircraft.dimming_map[output.name]
    return next(rheostat for rheostat in setup.unit.rheostats if rheostat.name == name)


def outputs_of(setup: Setup) -> tuple[DimmingOutput, ...]:
    """Return the outputs on the rheostats under test, in the unit sheet's order."""
    tested = {rheostat.name for rheostat in rheostats_of(setup)}
    return tuple(output for output in setup.unit.dimming if setup.aircraft.dimming_map[output.name] in tested)


def signals_of(setup: Setup) -> tuple[str, ...]:
    """Return the signals of every rheostat and every dimming output of the model."""
    return (
        *(voltage_signal(rheostat.name) for rheostat in setup.unit.rheostats),
        *(voltage_signal(output.name) for output in setup.unit.dimming),
    )


def highest_v(setup: Setup, volts: float) -> dict[str, float]:
    """Return what each of `signals_of` may reach at a bus of `volts`."""
    wipers = {
        voltage_signal(entry.name): max(entry.full_travel_v, entry.open_voltage_v) for entry in setup.unit.rheostats
    }
    return wipers | {voltage_signal(output.name): volts for output in setup.unit.dimming}


def sample_rate_hz(setup: Setup, n_periods: int) -> float:
    """Return the rate at which so many periods of the sheet's PWM frequencies average best; slower where all is DC."""
    pulsed = {output.frequency_hz for output in setup.unit.dimming if output.frequency_hz > 0.0}
    return averaging_rate_hz(sorted(pulsed), FASTEST_HZ, n_periods) if pulsed else DC_RATE_HZ


def periods_s(setup: Setup, n_periods: int) -> float:
    """Return a stretch that surely holds so many periods of the slowest output that can still pass."""
    pulsed = [output.frequency_hz for output in setup.unit.dimming if output.frequency_hz > 0.0]
    limit = setup.unit.limits.get("pwm-frequency")
    slowest_hz = min([*pulsed, limit.low if limit is not None and limit.low > 0.0 else 1000.0, 1000.0])
    return (n_periods + 1) / slowest_hz


def dimming_function(setup: Setup) -> str:
    """Return the function that dimming findings belong to."""
    return function_named(setup.unit, "dimming")


def levels_capture(setup: Setup, name: str, *, n_periods: int, duration_s: float, bus_v: float) -> CaptureNeed:
    """Return what a capture of every rheostat and dimming output needs, at the rate for so many periods."""
    return CaptureNeed(
        name=name,
        signals=signals_of(setup),
        sample_rate_hz=sample_rate_hz(setup, n_periods),
        duration_s=duration_s,
        highest_v=highest_v(setup, bus_v),
    )


def dimming_needs(
    setup: Setup,
    captures: tuple[CaptureNeed, ...],
    limits: tuple[tuple[str, float], ...],
    *,
    rheostats: Iterable[Rheostat] | None = None,
) -> Needs:
    """Return the needs of a procedure that turns rheostats, by default all, with the outputs unloaded."""
    turned = setup.unit.rheostats if rheostats is None else rheostats
    return Needs(
        bench_time_s=sum(need.duration_s for need in captures) + 0.5,
        captures=captures,
        highest_voltage_v=bus_voltage_v(setup),
        supply_current_a=conforming_a(setup, CONDITION),
        current_limit_a=current_limit_a(setup, CONDITION, LIMIT_A),
        stimuli=tuple(rheostat.name for rheostat in turned),
        limits=limits,
    )


def wake(rig: Rig, setup: Setup) -> None:
    """Have the unit awake at the step's bus voltage, its rheostats at zero."""
    limit_a = current_limit_a(setup, CONDITION, LIMIT_A)
    bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=limit_a)


def drive_all(rig: Rig, setup: Setup, travel: float) -> None:
    """Put every wiper at a part of its travel now."""
    for rheostat in setup.unit.rheostats:
        rig.drive(rheostat.name, travel * rheostat.full_travel_v)
