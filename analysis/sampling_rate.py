"""Which sample rate to look at a PWM with, so that its periods average the rounding of its edges out.

Sample rate over frequency must be near no ratio of small whole numbers, or drift past it within the record. How far
off the mean pulse can then be is what `analysis.pwm` puts into its uncertainty, so that is what is minimised here.
"""

import math
from collections.abc import Sequence
from functools import cache

from analysis.pwm import rounding_of_mean

SEARCHED = 0.04  # of the fastest rate
TRIED = 200


def averaging_rate_hz(frequencies_hz: Sequence[float], fastest_hz: float, n_periods: int) -> float:
    """Return the whole rate, up to 4 % below the fastest, at which the worst of several PWMs rounds least.

    >>> averaging_rate_hz([240.0], 50_000.0, 24)
    49960.0

    Args:
        frequencies_hz: nominal or as measured, at least one.
        fastest_hz: that the DAQ can do.
        n_periods: over which each is averaged.
    """
    return _averaging_rate_hz(tuple(frequencies_hz), fastest_hz, n_periods)


@cache  # every step of a plan that looks at these outputs asks for it
def _averaging_rate_hz(frequencies_hz: tuple[float, ...], fastest_hz: float, n_periods: int) -> float:
    candidates = [float(math.floor(fastest_hz * (1.0 - SEARCHED * step / TRIED))) for step in range(TRIED)]

    def rounding(rate_hz: float) -> float:
        return max(rounding_of_mean(rate_hz / frequency_hz, n_periods)[0] for frequency_hz in frequencies_hz)

    return min(candidates, key=rounding)
