"""Levels of dimming outputs as the dimming procedures read them, and what they drive alike.

PWM levels are per cent of duty, DC levels volts. Captures are taken at a rate that is no small ratio of the PWM's
nominal frequency, so that its periods average the rounding of their edges out; where a unit's own frequency undoes
that, the duty carries what one period's worst case leaves.
"""

import math
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.pwm import Pwm, pwm
from analysis.sampling_rate import averaging_rate_hz
from analysis.uncertainty import Estimate, bounded, difference, exact, ratio, scaled, total
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, names
from test_plans.readings import Record, doubted, nothing, supply_doubts
from test_plans.rig import Rig
from test_plans.sheets import DimmingKind, DimmingOutput, Rheostat, Setup
from test_plans.signals import function_named, voltage_signal

FASTEST_HZ = 50_000.0
DC_RATE_HZ = 10_000.0  # where no output is pulsed
SETTLE_S = 0.040  # scan, one period and the output's own settling
OFF_FRACTION = 0.1  # of the bus: a PWM level below is off
ON_FRACTION = 0.5
PULSES_SURE_PERCENT = 5.0  # pulses or pauses shorter than this may fall between two samples: no frequency of them
MOVED_FRACTION = 0.9
CONDITION = "unloaded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What an output showed in a stretch: its level, and for PWM how the pulses looked (None for DC)."""

    value: Estimate
    pulses: Pwm | None = None
    frequency_hz: Estimate | None = None


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


def is_pwm(output: DimmingOutput) -> bool:
    """Say whether an output is pulsed."""
    return output.kind is DimmingKind.PWM


def unit_of(output: DimmingOutput) -> str:
    """Return the unit of measure of an output's levels."""
    return "%" if is_pwm(output) else "V"


def limit_of(output: DimmingOutput, what: str) -> str:
    """Return the limit's key for an output of this kind: `pwm-curve`, `dc-curve`."""
    return f"{output.kind.value}-{what}"


def percent_of_full(output: DimmingOutput, level: Estimate) -> Estimate:
    """Return a level, or a difference of two, in per cent of the output's full level."""
    return scaled(level, 100.0 / output.high_level)


def relative_percent(changed: Estimate, before: Estimate) -> Estimate:
    """Return the change from `before` in per cent of it; NaN where there was nothing to change from."""
    return scaled(ratio(difference(changed, before), before), 100.0)


def dimming_function(setup: Setup) -> str:
    """Return the function that dimming findings belong to."""
    return function_named(setup.unit, "dimming")


def travel_of(record: Record, rheostat: Rheostat, at_s: float, until_s: float) -> Estimate:
    """Return where a wiper's pin really stood, as a part of its travel."""
    return ratio(record.mean(voltage_signal(rheostat.name), at_s, until_s), exact(rheostat.full_travel_v))


def level_of(
    record: Record,
    setup: Setup,
    output: DimmingOutput,
    at_s: float,
    until_s: float,
    *,
    bus_v: float | None = None,
    spoilt: tuple[Doubt, ...] = (),
) -> Level:
    """Return an output's level over a stretch; doubts of the capture and `spoilt` go with it.

    Args:
        record: the capture.
        setup: sheets and conditions.
        output: which output.
        at_s: start of the stretch, capture time.
        until_s: its end.
        bus_v: what the bus was set to; by default the step's voltage.
        spoilt: doubts of anything else it rests on.
    """
    signal = voltage_signal(output.name)
    if not is_pwm(output) or not record.holds(signal) or record.capture is None:
        return Level(value=doubted(record.mean(signal, at_s, until_s), *spoilt))
    volts = bus_voltage_v(setup) if bus_v is None else bus_v
    capture = record.capture
    found = pwm(
        capture.channel(signal, at_s, until_s),
        capture.sample_rate_hz,
        nominal_frequency_hz=output.frequency_hz,
        off_below=OFF_FRACTION * volts,
        on_above=ON_FRACTION * volts,
        timebase_bound=capture.timebase_bound,
        noise=capture.channels[signal].noise,
    )
    name = f"{output.name} at {at_s:.2f} s of {record.name}"
    doubts = (*record.doubts((signal,), at_s, until_s), *spoilt)
    duty = doubted(scaled(found.duty_estimate(name, record.names), 100.0), *doubts)
    sure = PULSES_SURE_PERCENT <= duty.value <= 100.0 - PULSES_SURE_PERCENT
    frequency = doubted(found.frequency_estimate(name, record.names), *doubts) if found.n_periods and sure else None
    return Level(value=duty, pulses=found, frequency_hz=frequency)


def mean_share(record: Record, output: DimmingOutput, at_s: float, until_s: float) -> Estimate:
    """Return what an output shows near off: DC its volts, PWM its mean as per cent of the bus.

    Pulses of a sample or less are in a mean as they are in the light; edges would miss them. Where there are any, each
    may be rounded alike to a sample either way, as a duty's may.
    """
    signal = voltage_signal(output.name)
    mean = record.mean(signal, at_s, until_s)
    if not is_pwm(output) or record.capture is None:
        return mean
    bus = record.mean("unit.voltage", at_s, until_s)
    share = scaled(ratio(mean, bus), 100.0)
    if not (record.samples(signal, at_s, until_s) > ON_FRACTION * bus.value).any():
        return share
    u_percent = 50.0 * output.frequency_hz / record.capture.sample_rate_hz
    name = f"{output.name} at {at_s:.2f} s of {record.name}: sampling of the pulses"
    return total(share, bounded(0.0, math.sqrt(3.0) * u_percent, name))


def steady_doubts(record: Record, setup: Setup, at_s: float, until_s: float) -> tuple[Doubt, ...]:
    """Return doubts about the supply over a stretch with the outputs unloaded."""
    return supply_doubts(record, setup, CONDITION, at_s, until_s)


def wiper_doubts(
    record: Record, rheostat: Rheostat, from_v: float, found: Estimate, asked_v: float
) -> tuple[Doubt, ...]:
    """Return the doubt that a wiper's pin did not go where it was driven: then no output need follow.

    Args:
        record: the capture.
        rheostat: whose wiper.
        from_v: where the pin stood before.
        found: where it stood then.
        asked_v: where it was driven to.
    """
    if record.capture is None or not abs(found.value - from_v) < MOVED_FRACTION * abs(asked_v - from_v):
        return ()
    return (
        Doubt(
            reason=f"pin {rheostat.pin} went from {from_v:.2f} V to {found.value:.2f} V, not to {asked_v:.2f} V",
            cause=Cause.UNDECIDED,
            next_step=f"unplug the unit and drive line {rheostat.name} again",
        ),
    )


def drive_all(rig: Rig, setup: Setup, travel: float) -> None:
    """Put every wiper at a part of its travel now."""
    for rheostat in setup.unit.rheostats:
        rig.drive(rheostat.name, travel * rheostat.full_travel_v)


def all_doubts(estimates: list[Estimate]) -> tuple[Doubt, ...]:
    """Return every doubt of several estimates once."""
    return tuple(dict.fromkeys(doubt for estimate in estimates for doubt in estimate.doubts))


def all_captures(estimates: list[Estimate]) -> tuple[str, ...]:
    """Return every capture of several estimates once."""
    return tuple(dict.fromkeys(name for estimate in estimates for name in estimate.captures))


def worst_of(estimates: list[Estimate]) -> Estimate:
    """Return the estimate of largest magnitude; a doubtful one goes first, so that nothing spoilt is passed over."""
    doubtful = next((estimate for estimate in estimates if estimate.doubts), None)
    if doubtful is not None or not estimates:
        return doubtful or nothing()
    return max(estimates, key=lambda estimate: abs(estimate.value))
