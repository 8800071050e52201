"""Levels of dimming outputs as the dimming procedures read them, against the sheet's curve.

PWM levels are per cent of duty, DC levels volts. Where a unit's own frequency undoes that the periods of a capture
average the rounding of their edges out, the duty carries what one period's worst case leaves.
"""

import math
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.pwm import Pwm, pwm
from analysis.uncertainty import Estimate, bounded, combined, difference, exact, ratio, scaled, total
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v
from test_plans.dimming_bench import CONDITION
from test_plans.readings import Record, doubted, nothing
from test_plans.sheets import DimmingKind, DimmingOutput, Rheostat, Setup
from test_plans.signals import voltage_signal

SETTLE_S = 0.040  # scan, one period and the output's own settling
OFF_FRACTION = 0.1  # of the bus: a PWM level below is off
ON_FRACTION = 0.5
PULSES_SURE_PERCENT = 5.0  # pulses or pauses shorter than this may fall between two samples: no frequency of them
MOVED_FRACTION = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What an output showed in a stretch: its level, and for PWM how the pulses looked (None for DC)."""

    value: Estimate
    pulses: Pwm | None = None
    frequency_hz: Estimate | None = None


def is_pwm(output: DimmingOutput) -> bool:
    """Say whether an output is pulsed."""
    return output.kind is DimmingKind.PWM


def pulses_sure(duty_percent: float) -> bool:
    """Say whether pulses and pauses of a duty are long enough to be timed, none of them between two samples."""
    return PULSES_SURE_PERCENT <= duty_percent <= 100.0 - PULSES_SURE_PERCENT


def unit_of(output: DimmingOutput) -> str:
    """Return the unit of measure of an output's levels."""
    return "%" if is_pwm(output) else "V"


def limit_of(output: DimmingOutput, what: str) -> str:
    """Return the limit's key for an output of this kind: `pwm-curve`, `dc-curve`."""
    return f"{output.kind.value}-{what}"


def expected_level(output: DimmingOutput, travel: float) -> tuple[float, float]:
    """Return the sheet's level at a travel (0 to 1), and its slope per unit of travel."""
    if travel < output.off_below:
        return 0.0, 0.0
    slope = (output.high_level - output.low_level) / (1.0 - output.off_below)
    if travel >= 1.0:
        return output.high_level, slope
    return output.low_level + slope * (travel - output.off_below), slope


def percent_of_full(output: DimmingOutput, level: Estimate) -> Estimate:
    """Return a level, or a difference of two, in per cent of the output's full level."""
    return scaled(level, 100.0 / output.high_level)


def relative_percent(changed: Estimate, before: Estimate) -> Estimate:
    """Return the change from `before` in per cent of it; NaN where there was nothing to change from."""
    return scaled(ratio(difference(changed, before), before), 100.0)


def travel_of(record: Record, rheostat: Rheostat, at_s: float, until_s: float) -> Estimate:
    """Return where a wiper's pin really stood, as a part of its travel."""
    return travel_from(record.mean(voltage_signal(rheostat.name), at_s, until_s), rheostat)


def travel_from(pin_v: Estimate, rheostat: Rheostat) -> Estimate:
    """Return the travel, 0 to 1, that a wiper's pin shows."""
    return ratio(pin_v, exact(rheostat.full_travel_v))


def off_curve(output: DimmingOutput, level: Estimate, travel: Estimate) -> Estimate:
    """Return a level less what the sheet's curve gives for where the wiper really stood."""
    expected, slope = expected_level(output, travel.value)
    return difference(level, combined(expected, ((travel, slope),)))


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
    timed = found.n_periods and pulses_sure(duty.value)
    frequency = doubted(found.frequency_estimate(name, record.names), *doubts) if timed else None
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
    share = share_of_bus(mean, bus)
    if not (record.samples(signal, at_s, until_s) > ON_FRACTION * bus.value).any():
        return share
    u_percent = 50.0 * output.frequency_hz / record.capture.sample_rate_hz
    name = f"{output.name} at {at_s:.2f} s of {record.name}: sampling of the pulses"
    return total(share, bounded(0.0, math.sqrt(3.0) * u_percent, name))


def share_of_bus(mean: Estimate, bus: Estimate) -> Estimate:
    """Return a mean in per cent of the bus."""
    return scaled(ratio(mean, bus), 100.0)


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
