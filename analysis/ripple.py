"""Ripple on a steady level: peak to peak without what noise adds, and the strongest component of its spectrum."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.line_fit import fit_line


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """Peak to peak of a steady signal, in its own unit, and what it is made of."""

    peak_to_peak: float
    noise_bound: float  # half of what noise alone would show: the true value lies within so much of it
    component_peak_to_peak: float  # of the strongest sine
    component_hz: float
    resolution_hz: float  # two lines of the spectrum lie so far apart
    highest_hz: float  # nothing above it is seen
    frequencies_hz: NDArray[np.float64]  # shape (n // 2 + 1,)
    amplitudes: NDArray[np.float64]  # peak to peak of a sine at each of them


def ripple_of(values: NDArray[np.float64], *, sample_rate_hz: float, noise: float) -> Ripple:
    """Return the ripple of a stretch; its mean is no ripple.

    Gaussian noise of n samples spreads over about 2 sigma sqrt(2 ln n) from peak to peak (extreme values of normal
    samples, Gumbel 1958), so what is seen lies between the true ripple and that much more: half of it is taken off
    and left as bound. Amplitudes are those of a Hann window, corrected for its gain of one half; a sine between two
    lines shows up to 15 % too low (scalloping of that window, 1.42 dB: F. J. Harris, Proc. IEEE 66 (1978), Table 1).

    Args:
        values: shape (n,), evenly spaced.
        sample_rate_hz: of them.
        noise: standard deviation of one sample from the channel alone, in the unit of the values.

    Raises:
        ValueError: fewer than 16 samples.
    """
    n = values.size
    if n < 16:
        raise ValueError(f"ripple wants 16 samples or more, not {n}")
    noise_spread = 2.0 * noise * math.sqrt(2.0 * math.log(n))
    seen = float(np.ptp(values))
    bound = 0.5 * min(noise_spread, seen)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n)
    places = np.arange(n, dtype=np.float64)
    drift = fit_line(places, values)
    steady = values - drift.offset - drift.slope * places
    lines = np.abs(np.fft.rfft(steady * window))
    amplitudes = 2.0 * 2.0 * lines / (0.5 * n)  # a sine of amplitude A gives A n / 2, halved by the window
    frequencies = np.fft.rfftfreq(n, 1.0 / sample_rate_hz)
    strongest = int(amplitudes[2:].argmax()) + 2  # the first lines hold what is left of a slow drift
    return Ripple(
        peak_to_peak=seen - bound,
        noise_bound=bound,
        component_peak_to_peak=float(amplitudes[strongest]),
        component_hz=float(frequencies[strongest]),
        resolution_hz=sample_rate_hz / n,
        highest_hz=0.5 * sample_rate_hz,
        frequencies_hz=frequencies.astype(np.float64),
        amplitudes=amplitudes,
    )
