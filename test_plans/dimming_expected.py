"""What the dimming procedures' readings will be worth on this bench, before they are taken. Pure.

How well the periods of a PWM average depends on its frequency, and that of a conforming one may lie anywhere within its
limit. What counts is the worst of a unit's outputs, so that is what is taken: as bad as half of all conforming units
have it or better. A duty of nothing or everything is worth what one hidden pulse is.
"""

import math
from functools import cache

from analysis.pwm import rounding_of_mean
from analysis.uncertainty import Estimate, Source, Term, bounded, total
from test_plans.dimming_bench import rheostat_for
from test_plans.dimming_levels import expected_level, is_pwm, off_curve, pulses_sure, share_of_bus, travel_from
from test_plans.expected import reading, typical
from test_plans.sheets import DimmingOutput, Setup
from test_plans.signals import voltage_signal

FREQUENCIES = 41  # looked at, evenly over the limit


def frequencies_hz(setup: Setup, output: DimmingOutput) -> tuple[float, ...]:
    """Return frequencies that a conforming output may have, from end to end of its limit; nominal where it has none."""
    limit = setup.unit.limits.get("pwm-frequency")
    if limit is None or math.isinf(limit.low) or math.isinf(limit.high):
        return (output.frequency_hz,)
    step_hz = (limit.high - limit.low) / (FREQUENCIES - 1)
    return tuple(limit.low + place * step_hz for place in range(FREQUENCIES))


def rounding_part(setup: Setup, output: DimmingOutput, *, rate_hz: float, stretch_s: float) -> float:
    """Return the standard uncertainty of a duty whose pulses can be timed, as a fraction of the period.

    The worst of n alike outputs has its median where each is below with a probability of 0.5 to the power of 1/n.
    """
    parts = sorted(_rounding_at(hertz, rate_hz, stretch_s) for hertz in frequencies_hz(setup, output))
    alike = sum(is_pwm(other) for other in setup.unit.dimming)
    return parts[min(len(parts) - 1, math.floor(math.pow(0.5, 1.0 / alike) * len(parts)))]


@cache
def _rounding_at(hertz: float, rate_hz: float, stretch_s: float) -> float:
    return rounding_of_mean(rate_hz / hertz, max(1, math.floor(stretch_s * hertz)))[0] * hertz / rate_hz


def level(
    setup: Setup,
    output: DimmingOutput,
    value: float,
    *,
    rate_hz: float,
    stretch_s: float,
    when: str = "",
    retaken: bool = False,
) -> Estimate:
    """Return a level that is going to be `value`, per cent of duty or V, read over a stretch as `level_of` reads it.

    `retaken`: at a rate for the frequency that the unit showed, where its periods did not average at first.
    """
    if not is_pwm(output):
        return _dc_level(setup, output, value, samples=round(rate_hz * stretch_s), when=when)
    hidden = 0.5 * output.frequency_hz / rate_hz
    if not pulses_sure(value):
        part = hidden
    elif retaken:
        part = _rounding_at(output.frequency_hz, rate_hz, stretch_s)
    else:
        part = rounding_part(setup, output, rate_hz=rate_hz, stretch_s=stretch_s)
    source = Source(name=f"duty of {output.name} at {value:.6g} % {when}", standard_uncertainty=100.0 * part)
    return Estimate(value=value, terms=(Term(source=source, sensitivity=1.0),))


def _dc_level(setup: Setup, output: DimmingOutput, value: float, *, samples: int, when: str) -> Estimate:
    """Return a DC level as a mean: its ripple, a sine of the sheet's peak to peak, makes the samples scatter."""
    ripple_v = typical(setup, "dc-ripple") / math.sqrt(8.0) / math.sqrt(samples)
    return total(
        reading(setup, voltage_signal(output.name), value, samples=samples, when=when),
        bounded(0.0, math.sqrt(3.0) * ripple_v, f"ripple of {output.name} at {value:.6g} {when}"),
    )


def frequency_hz(setup: Setup, output: DimmingOutput, *, rate_hz: float, stretch_s: float, when: str = "") -> Estimate:
    """Return a frequency over all periods of a stretch, by `analysis.pwm`: two edges of a sample each, the clock."""
    hertz = output.frequency_hz
    periods = max(1, math.floor(stretch_s * hertz))
    edges = math.sqrt(3.0) * hertz * hertz / rate_hz / math.sqrt(6.0) / periods
    return total(
        bounded(hertz, edges, f"edges of {output.name} {when}"),
        bounded(0.0, setup.bench.clock_bound * hertz, f"sample clock {when}"),
    )


def deviation(setup: Setup, output: DimmingOutput, at: float, *, rate_hz: float, stretch_s: float) -> Estimate:
    """Return a level off its curve at a travel `at` (0 to 1), with what the wiper's pin adds."""
    rheostat = rheostat_for(setup, output)
    travel = travel_from(reading(setup, voltage_signal(rheostat.name), at * rheostat.full_travel_v), rheostat)
    found = level(setup, output, expected_level(output, at)[0], rate_hz=rate_hz, stretch_s=stretch_s)
    return off_curve(output, found, travel)


def near_off(setup: Setup, output: DimmingOutput, bus_v: float) -> Estimate:
    """Return what an output that is off shows, as `mean_share` reads it."""
    dark = reading(setup, voltage_signal(output.name), 0.0)
    return share_of_bus(dark, reading(setup, "unit.voltage", bus_v)) if is_pwm(output) else dark


def mean_at_full(
    setup: Setup, output: DimmingOutput, bus_v: float, *, rate_hz: float, stretch_s: float, when: str
) -> Estimate:
    """Return the mean of an output at full travel, in V.

    A PWM that is not quite on all the time has pauses that mostly fall between samples. As many as can't be told from
    none, a sample in every other period, make its samples scatter, and so its mean.
    """
    samples, signal = round(rate_hz * stretch_s), voltage_signal(output.name)
    if not is_pwm(output):
        return _dc_level(setup, output, output.high_level, samples=samples, when=when)
    low = 0.5 * output.frequency_hz / rate_hz
    scatter_v = bus_v * math.sqrt(low * (1.0 - low) / samples)
    pauses = bounded(0.0, math.sqrt(3.0) * scatter_v, f"pauses of {output.name} {when}")
    return total(reading(setup, signal, bus_v, samples=samples, when=when), pauses)


def slow_line_percent(setup: Setup, output: DimmingOutput, *, rate_hz: float, look_s: float, block_s: float) -> float:
    """Return the uncertainty of the height of a slow line, in per cent of full.

    Of a PWM, the beat of its edges with the samples; of a DC level, the noise of its means over `block_s`, which
    `analysis.modulation` gives as sqrt(2 / n) s times the sqrt(1.5) of its window.
    """
    if is_pwm(output):
        return 100.0 * 2.0 * output.frequency_hz / rate_hz / math.pi / math.sqrt(3.0)
    facts = setup.bench.channels.get(voltage_signal(output.name))
    noise_v = 0.0 if facts is None else facts.noise / math.sqrt(max(1.0, block_s * rate_hz))
    return 100.0 * math.sqrt(3.0 * block_s / look_s) * noise_v / output.high_level
