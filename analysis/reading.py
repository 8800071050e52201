"""Readings: one channel's mean over a stretch of a capture, with instrument bound, noise and every doubt."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.capture import CODE_MAX, CODE_MIN, AnalogChannel, Capture
from analysis.measurement import Doubt
from analysis.moments import merged, moments
from analysis.uncertainty import Estimate, Pooling, Source, Term
from analysis.verdict import Cause

LEAST_SAMPLES = 10
BLOCKS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Estimate):
    """The mean of one channel over a stretch: an `Estimate` that knows its channel.

    Args:
        u_bound: standard uncertainty of the instrument bound, in the channel's unit.
        u_noise: standard uncertainty of the mean from noise and resolution, same unit.
        n: samples averaged, lost ones not counted.
        channel: the channel's facts.
    """

    u_bound: float
    u_noise: float
    n: int
    channel: AnalogChannel


def mean_reading(capture: Capture, signal: str, start_s: float = 0.0, stop_s: float | None = None) -> Reading:
    """Average `signal` over [start_s, stop_s) of capture time.

    Lost samples are left out of the mean, and the reading is doubtful for them all the same; likewise for a
    stretch that is clipped, that reaches beyond the record, or that has fewer than 10 samples. Without any sample
    the value is NaN.

    Raises:
        KeyError: the capture has no such signal.
    """
    codes = capture.codes(signal)  # first, as it says which signals there are where this one is not among them
    channel = capture.channels[signal]
    span = capture.span(start_s, stop_s)
    kept = codes[span][~lost_samples(capture)[span]] if capture.gapped(start_s, stop_s) else codes[span]
    values = kept.astype(np.float64) * channel.scale + channel.offset
    doubts = _doubts_of(codes, capture, signal, (start_s, stop_s), LEAST_SAMPLES)
    if not values.size:
        return Reading(
            value=math.nan,
            doubts=doubts,
            captures=(capture.name,),
            u_bound=math.nan,
            u_noise=math.nan,
            n=0,
            channel=channel,
        )
    value, noise, degrees_of_freedom = _mean_and_noise(values, channel.scale)
    if not math.isfinite(value):
        doubts = (*doubts, Doubt(reason=f"{capture.name}: {signal} has samples that are no numbers", cause=Cause.BENCH))
    bound = channel_terms(channel, value)
    noise_source = Source(
        name=f"{signal} noise, {capture.procedure} {capture.name} from {start_s:g} s",
        standard_uncertainty=noise,
        degrees_of_freedom=degrees_of_freedom,
        group=f"noise of {signal}",
    )
    return Reading(
        value=value,
        terms=(*bound, Term(source=noise_source, sensitivity=1.0)),
        doubts=doubts,
        captures=(capture.name,),
        u_bound=math.fsum(abs(term.sensitivity) * term.source.standard_uncertainty for term in bound),
        u_noise=noise,
        n=len(values),
        channel=channel,
    )


def channel_terms(channel: AnalogChannel, value: float) -> tuple[Term, Term]:
    """Return gain and offset of `channel` at `value`, which add to u = (relative |value| + absolute) / sqrt(3).

    Two readings of one channel in one range share both: a difference keeps only the gain's part of it.
    """
    identity = f"{channel.instrument}, {channel.calibration}, {channel.scale:.6g}/code"
    return (
        Term(
            source=Source(
                name=f"gain of {identity}",
                standard_uncertainty=channel.relative_bound / math.sqrt(3.0),
                group=f"bound of {channel.instrument}",
                pooling=Pooling.LINEAR,
            ),
            sensitivity=value,
        ),
        Term(
            source=Source(
                name=f"offset of {identity}",
                standard_uncertainty=channel.absolute_bound / math.sqrt(3.0),
                group=f"bound of {channel.instrument}",
                pooling=Pooling.LINEAR,
            ),
            sensitivity=1.0,
        ),
    )


def at_channel(
    channel: AnalogChannel, value: float, *, u_noise: float = 0.0, name: str = "", capture: str = ""
) -> Estimate:
    """Return a value got from `channel` by other means than a mean (a level, a threshold), with its bound.

    Args:
        channel: the channel it was read on.
        value: in the channel's unit.
        u_noise: standard uncertainty of `value` apart from the bound, same unit.
        name: what that part is, as the budget prints it.
        capture: name of the capture it came from.
    """
    own = Source(name=name or f"{channel.name} noise at {value:.9g}, {capture}", standard_uncertainty=u_noise)
    return Estimate(
        value=value,
        terms=(*channel_terms(channel, value), Term(source=own, sensitivity=1.0)),
        captures=(capture,) if capture else (),
    )


def noise_of_mean(values: NDArray[np.float64], *, resolution: float = 0.0) -> tuple[float, float]:
    """Return the standard uncertainty of a mean from its samples, and its degrees of freedom.

    The larger of s / sqrt(n) and the scatter of ten block means: slow noise (mains, drift) is alike within a
    block, so n samples of it are not n independent ones. Where the scatter is below half of a `resolution` step the
    converter hides it, and resolution / sqrt(12) is added.

    Args:
        values: shape (n,), in time order, n at least 1.
        resolution: one step of the converter, in the unit of the values.
    """
    return _mean_and_noise(values, resolution)[1:]


def _mean_and_noise(values: NDArray[np.float64], resolution: float) -> tuple[float, float, float]:
    """Return the mean beside what `noise_of_mean` says of it, from one pass over the samples."""
    n = len(values)
    if n < 2:
        return float(values.mean()), abs(resolution) / math.sqrt(12.0), math.inf
    length = n // BLOCKS
    blocks = [moments(values[first : first + length]) for first in range(0, length * BLOCKS, length or 1)]
    whole = merged([*blocks, moments(values[length * BLOCKS :])])
    scatter = whole.sd
    u, degrees_of_freedom = scatter / math.sqrt(n), float(n - 1)
    if n >= 2 * BLOCKS:
        u_blocks = moments(np.array([block.mean for block in blocks])).sd / math.sqrt(BLOCKS)
        if u_blocks > u:
            u, degrees_of_freedom = u_blocks, float(BLOCKS - 1)
    if scatter < 0.5 * abs(resolution):
        u = math.hypot(u, abs(resolution) / math.sqrt(12.0))
    return whole.mean, u, degrees_of_freedom


def lost_samples(capture: Capture) -> NDArray[np.bool_]:
    """Return which samples of the capture were lost, bool, shape (n_samples,)."""
    lost = np.zeros(capture.n_samples, dtype=np.bool_)
    for gap in capture.gaps:
        lost[gap.first_sample : gap.first_sample + gap.n_samples] = True
    return lost


def stretch_doubts(
    capture: Capture,
    signal: str,
    start_s: float = 0.0,
    stop_s: float | None = None,
    *,
    least_samples: int = LEAST_SAMPLES,
) -> tuple[Doubt, ...]:
    """Return why a stretch of `signal` can't be relied on: cut short, too short, gapped or clipped; all the bench's.

    Raises:
        KeyError: the capture has no such signal.
    """
    return _doubts_of(capture.codes(signal), capture, signal, (start_s, stop_s), least_samples)


def _doubts_of(
    codes: NDArray[np.int16],
    capture: Capture,
    signal: str,
    stretch_s: tuple[float, float | None],
    least_samples: int,
) -> tuple[Doubt, ...]:
    """Return `stretch_doubts` from codes already read, as reading them may mean a file."""
    start_s, stop_s = stretch_s
    span = capture.span(start_s, stop_s)
    reasons: list[tuple[str, str]] = []
    missing = 0 if stop_s is None else round(stop_s * capture.sample_rate_hz) - capture.n_samples
    if start_s < 0.0 or missing > 0:
        reasons.append(
            (
                f"the record of {capture.duration_s:.6g} s does not hold all of the stretch from {start_s:.6g} s",
                "repeat the procedure; if it happens again, check the link to the DAQ",
            )
        )
    n = span.stop - span.start
    if n < least_samples:
        reasons.append((f"{n} samples of {signal} are fewer than {least_samples}", "repeat the procedure"))
    if capture.gapped(start_s, stop_s):
        reasons.append(
            (f"samples of {signal} were lost", "repeat the procedure; if it happens again, check the link to the DAQ")
        )
    part = codes[span]
    if part.size and (part.max() == CODE_MAX or part.min() == CODE_MIN):
        reasons.append(
            (
                f"{signal} is clipped at the end of its range",
                f"check the range and the wiring of {capture.channels[signal].instrument}",
            )
        )
    return tuple(
        Doubt(reason=f"{capture.name}: {reason}", cause=Cause.BENCH, next_step=next_step)
        for reason, next_step in reasons
    )
