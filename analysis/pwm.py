"""Duty factor and frequency of a sampled PWM, with the uncertainty that sampling leaves.

A sampler sees an edge at the next sample, so a span of L samples is counted as floor or ceil of L. What many
periods average of that depends on how sampling and period fall together: where sample rate over frequency is a ratio
of small whole numbers, every period is rounded alike and nothing averages out.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.edges import Edges, Samples, crossing_positions
from analysis.measurement import Doubt
from analysis.pulse import MESIAL_PERCENT, StateLevels, level_edges, state_levels, transition_samples
from analysis.uncertainty import Estimate, Source, Term
from analysis.verdict import Cause

LEAST_SAMPLES_PER_PERIOD = 10.0
LOW_ORDER = 5  # sample rate over frequency = p/q with q up to this: phases too few to call it averaging
INTERPOLATED_FROM_SAMPLES = 1.6  # 10 to 90 % of a ramp of two samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Pwm:
    """What was found in a PWM record.

    Args:
        duty: fraction of the period at the high level; NaN where it can't be told.
        u_duty: standard uncertainty of `duty`.
        frequency_hz: NaN for a constant level.
        u_frequency_hz: standard uncertainty, timebase in it.
        levels: low and high level, in the samples' unit.
        n_periods: whole periods averaged; 0 for a constant level.
        samples_per_period: resolution is its reciprocal; NaN for a constant level.
        averaged: whether periods average the rounding out; else `u_duty` is that of one period at its worst.
        interpolated: whether edges are slow enough to be located between samples.
        interrupted: whether it went from one level to the other and yet pulsed no whole period; duty is NaN then.
        doubts: why duty or frequency can't be relied on.
    """

    duty: float
    u_duty: float
    frequency_hz: float
    u_frequency_hz: float
    levels: StateLevels
    n_periods: int
    samples_per_period: float
    averaged: bool
    interpolated: bool
    interrupted: bool = False
    doubts: tuple[Doubt, ...] = ()

    def duty_estimate(self, name: str, captures: tuple[str, ...] = ()) -> Estimate:
        """Return the duty as a fraction; `name` says in the budget what was sampled."""
        return _sampled(self.duty, self.u_duty, f"{name}: sampling of the duty", self.doubts, captures)

    def frequency_estimate(self, name: str, captures: tuple[str, ...] = ()) -> Estimate:
        """Return the frequency in Hz; NaN with a doubt, and so never a pass, for a constant level."""
        doubts = self.doubts
        if not doubts and math.isnan(self.frequency_hz):
            constant = "a constant level has no frequency"
            doubts = (Doubt(reason=constant, cause=Cause.UNDECIDED, next_step="see the duty, whether it is right"),)
        return _sampled(self.frequency_hz, self.u_frequency_hz, f"{name}: sampling and timebase", doubts, captures)


def _sampled(value: float, u: float, name: str, doubts: tuple[Doubt, ...], captures: tuple[str, ...]) -> Estimate:
    terms = () if math.isnan(u) else (Term(source=Source(name=name, standard_uncertainty=u), sensitivity=1.0),)
    return Estimate(value=value, terms=terms, doubts=doubts, captures=captures)


def pwm(
    samples: Samples,
    sample_rate_hz: float,
    *,
    nominal_frequency_hz: float,
    off_below: float,
    on_above: float,
    timebase_bound: float = 0.0,
    noise: float = 0.0,
) -> Pwm:
    """Measure duty factor and frequency over all whole periods of a record.

    Steps: an edge is known to one sample. Frequency u = f^2 Ts / (sqrt(6) N). Duty u = Ts f / sqrt(6 N) or more where
    the periods average, else Ts f / 2, the most that one period's rounding can scatter, so that +/- 2 u is its worst
    case of one sample per period. Ramps of at least two samples: edges are interpolated, u_edge = sqrt(2/3) noise / S
    with the rms slew S, duty sqrt(2) u_edge f / sqrt(N), frequency sqrt(2) f^2 u_edge / N, and the
    uncertainty of the mesial level shifts the duty by 2 f / S. Derived in this project, checked by simulation.

    Where no pulse of one direction lasts more than a sample, others hide between samples: duty is then the fraction of
    samples at the high level, u as for a constant level, and the frequency is not known.

    A record without a swing from below `off_below` to above `on_above` is constant: duty 1 where it stays at or above
    `on_above`, 0 where at or below `off_below`, else NaN with a doubt. As pulses shorter than a sample can hide in it,
    its u is Ts f / 2 at the nominal frequency.

    Args:
        samples: shape (n,), in time order.
        sample_rate_hz: nominal rate.
        nominal_frequency_hz: what the sheet says of the PWM.
        off_below: a level at or below this is off, in the samples' unit.
        on_above: a level at or above this is on.
        timebase_bound: half-width of the sample clock's rate, as a fraction.
        noise: stated rms noise of one sample; what the record shows is used where larger.

    Raises:
        ValueError: `off_below` is not below `on_above`, or a rate is not positive.
    """
    if not off_below < on_above:
        raise ValueError(f"PWM levels: off_below {off_below} is not below on_above {on_above}")
    if not (sample_rate_hz > 0.0 and nominal_frequency_hz > 0.0):
        raise ValueError(
            f"PWM: sample rate {sample_rate_hz} Hz and frequency {nominal_frequency_hz} Hz must be positive"
        )
    if not len(samples):
        return _unknown(_NO_LEVELS, "the record is empty")
    levels = state_levels(samples)
    if math.isnan(levels.amplitude):
        return _unknown(levels, "samples are no numbers")
    if levels.low > off_below or levels.high < on_above:
        return _constant(levels, off_below, on_above, 0.5 * nominal_frequency_hz / sample_rate_hz)
    edges = level_edges(samples, levels)
    if _slivers(edges, len(samples)):
        return _hardly_pulsed(samples, levels, 0.5 * nominal_frequency_hz / sample_rate_hz)
    n_periods = (len(edges.positions) - 1) // 2
    if n_periods < 1:
        return _interrupted(levels, len(edges.positions))
    return _periodic(
        samples,
        sample_rate_hz,
        levels=levels,
        edges=edges,
        n_periods=n_periods,
        timebase_bound=timebase_bound,
        noise=noise,
    )


def _periodic(
    samples: Samples,
    sample_rate_hz: float,
    *,
    levels: StateLevels,
    edges: Edges,
    n_periods: int,
    timebase_bound: float,
    noise: float,
) -> Pwm:
    """Measure from the first edge to the last of the same direction."""
    edges = Edges(edges.positions[: 2 * n_periods + 1], edges.rising[: 2 * n_periods + 1])
    instants = crossing_positions(samples, edges, levels.reference_level(MESIAL_PERCENT))
    transitions = transition_samples(samples, edges, levels)
    inner = transitions[1:-1]  # the first or last may be cut off by the record's ends
    interpolated = bool((inner >= INTERPOLATED_FROM_SAMPLES).all())
    if not interpolated:
        instants = np.ceil(instants)
    if np.isnan(instants).any():
        return _unknown(levels, "an edge does not cross the mesial level")
    spans = np.diff(instants)
    samples_per_period = float(instants[-1] - instants[0]) / n_periods
    first_state = float(spans[0::2].sum()) / (n_periods * samples_per_period)
    duty = first_state if edges.rising[0] else 1.0 - first_state
    frequency_hz = sample_rate_hz / samples_per_period

    if interpolated:
        averaged = True
        slew = 0.8 * levels.amplitude / math.sqrt(float(np.nanmean(np.square(transitions))))  # rms of all, per sample
        u_samples = math.sqrt(2.0) * math.sqrt(2.0 / 3.0) * max(noise, levels.noise) / slew
        u_mesial = 0.5 * math.hypot(levels.u_low, levels.u_high)
        u_duty = math.hypot(u_samples / math.sqrt(n_periods), 2.0 * u_mesial / slew) / samples_per_period
    else:
        u_samples = 1.0 / math.sqrt(6.0)
        u_mean_duration, averaged = rounding_of_mean(samples_per_period, n_periods)
        u_duty = u_mean_duration / samples_per_period
    u_frequency_hz = frequency_hz * math.hypot(
        u_samples / (n_periods * samples_per_period), timebase_bound / math.sqrt(3.0)
    )
    return Pwm(
        duty=duty,
        u_duty=u_duty,
        frequency_hz=frequency_hz,
        u_frequency_hz=u_frequency_hz,
        levels=levels,
        n_periods=n_periods,
        samples_per_period=samples_per_period,
        averaged=averaged,
        interpolated=interpolated,
        doubts=_aliasing_doubts(samples_per_period),
    )


def rounding_of_mean(samples_per_period: float, n_periods: int) -> tuple[float, bool]:
    """Return the standard uncertainty of the mean pulse duration in samples, and whether periods average.

    With samples per period near p/q there are q sampling phases, evenly spread, which drift with the remainder. A
    span's mean count over q such phases is off by up to 1/q, 1/(sqrt(6) q) rms over spans; over a drift of d spacings
    by at most 1/(4 d q), which is taken as a rectangular bound. The period itself is known to one sample over
    the record only, so one sample less drift than seen is counted on. Phases as even as that beat sqrt(N), which is
    the least claimed. Where few phases stand still nothing is claimed of averaging: one period's worst case.
    """
    u = 1.0 / math.sqrt(6.0 * n_periods)
    for q in range(1, math.isqrt(n_periods) + 1):
        remainder = abs(samples_per_period - round(samples_per_period * q) / q)
        spacings = max(n_periods * remainder - 1.0, 0.0) * q
        if q <= LOW_ORDER and spacings < 1.0:
            return 0.5, False
        u = max(u, min(1.0 / math.sqrt(6.0), 0.25 / math.sqrt(3.0) / spacings if spacings else math.inf) / q)
    return u, True


def _aliasing_doubts(samples_per_period: float) -> tuple[Doubt, ...]:
    if samples_per_period >= LEAST_SAMPLES_PER_PERIOD:
        return ()
    return (
        Doubt(
            reason=f"{samples_per_period:.2g} samples per period are fewer than {LEAST_SAMPLES_PER_PERIOD:g}: "
            "the frequency may be an alias",
            cause=Cause.BENCH,
            next_step="sample at a higher rate",
        ),
    )


_NO_LEVELS = StateLevels(low=math.nan, high=math.nan, u_low=math.nan, u_high=math.nan, noise=math.nan)


def _constant(levels: StateLevels, off_below: float, on_above: float, u_duty: float) -> Pwm:
    if levels.low >= on_above:
        return _without_period(levels, 1.0, u_duty)
    if levels.high <= off_below:
        return _without_period(levels, 0.0, u_duty)
    return _unknown(
        levels,
        f"levels {levels.low:.4g} and {levels.high:.4g} are neither off (up to {off_below:.4g}) "
        f"nor on (from {on_above:.4g})",
        cause=Cause.UNDECIDED,
    )


def _slivers(edges: Edges, n_samples: int) -> bool:
    """Say whether all pulses of one direction are one sample wide, so that some fall between samples unseen."""
    if not len(edges.positions):
        return False
    spans = np.diff(np.concatenate(([0], edges.positions, [n_samples])))
    return bool(spans[0::2].max() <= 1 or spans[1::2].max() <= 1)


def _hardly_pulsed(samples: Samples, levels: StateLevels, u_duty: float) -> Pwm:
    duty = float(np.mean(samples.astype(np.float64) > levels.reference_level(MESIAL_PERCENT)))
    return _without_period(levels, duty, u_duty)


def _unknown(levels: StateLevels, reason: str, *, cause: Cause = Cause.BENCH, next_step: str = "") -> Pwm:
    doubt = Doubt(reason=reason, cause=cause, next_step=next_step)
    return _without_period(levels, math.nan, math.nan, doubts=(doubt,))


def _interrupted(levels: StateLevels, n_edges: int) -> Pwm:
    """Return that a record neither pulses nor stands still; why can't be told from it."""
    reason = f"{n_edges} edge{'s' if n_edges > 1 else ''} within the record: neither pulsed nor at one level throughout"
    step = "see whether what drives it was commanded and supplied over the whole record"
    return replace(
        _unknown(levels, reason, cause=Cause.UNDECIDED, next_step=step),
        interrupted=True,
    )


def _without_period(levels: StateLevels, duty: float, u_duty: float, *, doubts: tuple[Doubt, ...] = ()) -> Pwm:
    """Return a result that holds no period, and so knows no frequency."""
    return Pwm(
        duty=duty,
        u_duty=u_duty,
        frequency_hz=math.nan,
        u_frequency_hz=math.nan,
        levels=levels,
        n_periods=0,
        samples_per_period=math.nan,
        averaged=False,
        interpolated=False,
        doubts=doubts,
    )
