"""Slow modulation of a level: the largest spectral line within a band, and the duty of a PWM period by period.

What the eye sees as flicker is a line of some hertz in the mean brightness, so the level is looked at in equal short
blocks of time (one PWM period, or a stretch of a DC level) and not in samples.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.edges import Samples
from analysis.pulse import level_edges, state_levels

PADDING = 8  # zeros added, so that a line between two bins loses less than 1 % of its height


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """The largest line in a band: amplitude (half of peak to peak), its frequency, and u of the amplitude by noise."""

    amplitude: float
    frequency_hz: float
    u_amplitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DutySeries:
    """The duty of every whole period of a PWM: fractions, shape (n,), at `rate_hz` periods a second.

    `resolution` is what one sample is worth: a single duty is rounded to it.
    """

    duties: NDArray[np.float64]
    rate_hz: float
    resolution: float


def modulation(levels: NDArray[np.float64], rate_hz: float, *, lowest_hz: float, highest_hz: float) -> Modulation:
    """Return the largest line of a series within a band; NaN where it is too short to hold two cycles of the lowest.

    A Hann window keeps a slow drift from reading as a line; the amplitude of a sine is right within 1 % between bins.
    u is that of a line in white noise as large as the series scatters with that line taken off, sqrt(2 / n) s times
    the sqrt(1.5) that the window costs.

    Args:
        levels: at even instants, shape (n,), any unit.
        rate_hz: how many of them a second.
        lowest_hz: lower end of the band.
        highest_hz: upper end, at most half the rate.

    Raises:
        ValueError: the band is none, or reaches beyond half the rate.
    """
    if not 0.0 < lowest_hz < highest_hz <= 0.5 * rate_hz:
        raise ValueError(f"modulation: no band from {lowest_hz} to {highest_hz} Hz at {rate_hz} levels a second")
    n = len(levels)
    if n < 2.0 * rate_hz / lowest_hz or not np.isfinite(levels).all():
        return Modulation(amplitude=math.nan, frequency_hz=math.nan, u_amplitude=math.nan)
    window = np.hanning(n)
    centred = levels - float(np.average(levels, weights=window))
    lines = 2.0 * np.abs(np.fft.rfft(centred * window, PADDING * n)) / window.sum()
    frequencies_hz = np.fft.rfftfreq(PADDING * n, 1.0 / rate_hz)
    inside = np.flatnonzero((frequencies_hz >= lowest_hz) & (frequencies_hz <= highest_hz))
    top = int(inside[np.argmax(lines[inside])])
    amplitude = float(lines[top])
    rest = max(float(np.var(centred)) - 0.5 * amplitude**2, 0.0)
    return Modulation(
        amplitude=amplitude,
        frequency_hz=float(frequencies_hz[top]),
        u_amplitude=math.sqrt(1.5 * 2.0 * rest / n),
    )


def duty_series(samples: Samples, sample_rate_hz: float) -> DutySeries:
    """Return the duty of each period, pulse over mean period; empty where there are fewer than two periods.

    The mean period serves for all, so that a duty is rounded by its own two edges and not by the next pulse's as well.

    Args:
        samples: shape (n,), of a two-level signal.
        sample_rate_hz: nominal rate.
    """
    empty = DutySeries(duties=np.empty(0), rate_hz=math.nan, resolution=math.nan)
    if not len(samples):
        return empty
    levels = state_levels(samples)
    if not levels.amplitude > 0.0:
        return empty
    edges = level_edges(samples, levels)
    first = 0 if edges.rising.size and edges.rising[0] else 1
    rises, falls = edges.positions[first::2], edges.positions[first + 1 :: 2]
    n = len(rises) - 1
    if n < 2:
        return empty
    period = float(rises[-1] - rises[0]) / n
    return DutySeries(duties=(falls[:n] - rises[:n]) / period, rate_hz=sample_rate_hz / period, resolution=1.0 / period)


def block_means(samples: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Return means of consecutive `length` samples, shape (n // length,); what is left over is dropped."""
    n = len(samples) // length
    return np.asarray(samples[: n * length].reshape(n, length).mean(axis=1), dtype=np.float64)
