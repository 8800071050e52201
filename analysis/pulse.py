"""Pulse parameters of a sampled two-level waveform, after IEEE Std 181-2011: levels, edges, transitions."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.edges import Edges, Samples, crossing_positions, find_edges

Locate = Callable[[NDArray[np.float64]], float]

PROXIMAL_PERCENT = 10.0
MESIAL_PERCENT = 50.0
DISTAL_PERCENT = 90.0
HYSTERESIS_PERCENT = 50.0  # of the amplitude, about the mesial level: half of it is 4 sigma at sigma = 6 % of it


@dataclass(frozen=True, slots=True, kw_only=True)
class StateLevels:
    """The two levels of a waveform, their standard uncertainties from scatter, and the scatter of one sample.

    All in the samples' unit; the instrument's bound is not in it.
    """

    low: float
    high: float
    u_low: float
    u_high: float
    noise: float

    @property
    def amplitude(self) -> float:
        """High less low level."""
        return self.high - self.low

    def reference_level(self, percent: float) -> float:
        """Return low + percent / 100 of the amplitude (50: mesial)."""
        return self.low + percent / 100.0 * self.amplitude


def median(values: NDArray[np.float64]) -> float:
    """Return the median of values, shape (n,), n at least 1."""
    return float(np.median(values))


def shorth(values: NDArray[np.float64]) -> float:
    """Return the mean of the shortest half, the n // 2 + 1 sorted values that lie closest together.

    >>> import numpy as np
    >>> shorth(np.array([1.0, 1.0, 1.0, 5.0]))
    1.0
    """
    ordered = np.sort(values)
    half = len(ordered) // 2 + 1
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(np.argmin(widths))
    return float(ordered[first : first + half].mean())


def state_levels(samples: Samples, locate: Locate = median) -> StateLevels:
    """Find low and high level: split at the middle of the range, then the centre of each part (IEEE 181, 5.2.1).

    Centre is the median, or `shorth` where ringing fills much of a state; taken again of the samples within a quarter
    of the amplitude of it, so that transitions and overshoot pull it less. Noise is the larger median absolute
    deviation of the two parts, times 1.4826. A constant record has equal levels. NaN among the samples makes every
    figure NaN.

    Args:
        samples: shape (n,), n at least 1.
        locate: `median` or `shorth`.

    Raises:
        ValueError: no samples.
    """
    if not len(samples):
        raise ValueError("state levels of no samples: the stretch is empty")
    values = samples.astype(np.float64)
    lowest, highest = float(values.min()), float(values.max())
    if math.isnan(lowest):
        return StateLevels(low=math.nan, high=math.nan, u_low=math.nan, u_high=math.nan, noise=math.nan)
    middle = lowest + 0.5 * (highest - lowest)
    upper = values > middle
    if not upper.any():
        return StateLevels(low=lowest, high=lowest, u_low=0.0, u_high=0.0, noise=0.0)
    near = 0.25 * (locate(values[upper]) - locate(values[~upper]))
    low, noise_low, n_low = _centre(values[~upper], near, locate)
    high, noise_high, n_high = _centre(values[upper], near, locate)
    median_penalty = math.sqrt(0.5 * math.pi)  # a median of n normal values scatters this much more than their mean
    return StateLevels(
        low=low,
        high=high,
        u_low=median_penalty * noise_low / math.sqrt(n_low),
        u_high=median_penalty * noise_high / math.sqrt(n_high),
        noise=max(noise_low, noise_high),
    )


def _centre(values: NDArray[np.float64], near: float, locate: Locate) -> tuple[float, float, int]:
    """Return level, noise of one sample and number of samples of one part."""
    settled = values[np.abs(values - locate(values)) <= near]
    if not settled.size:  # a shorth may lie between all samples
        settled = values
    level = locate(settled)
    return level, 1.4826 * float(np.median(np.abs(settled - level))), len(settled)


def level_edges(samples: Samples, levels: StateLevels) -> Edges:
    """Return the edges between two known levels, with hysteresis of half the amplitude about the mesial level."""
    return find_edges(
        samples,
        levels.reference_level(MESIAL_PERCENT - 0.5 * HYSTERESIS_PERCENT),
        levels.reference_level(MESIAL_PERCENT + 0.5 * HYSTERESIS_PERCENT),
    )


def transition_samples(samples: Samples, edges: Edges, levels: StateLevels) -> NDArray[np.float64]:
    """Return transition durations, 10 to 90 % of the amplitude, in samples; float64 (n_edges,), NaN where cut off."""
    early = crossing_positions(samples, edges, levels.reference_level(PROXIMAL_PERCENT))
    late = crossing_positions(samples, edges, levels.reference_level(DISTAL_PERCENT))
    return np.abs(late - early)
