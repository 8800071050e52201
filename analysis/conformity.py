"""Decision rules: where a measured value stands against a tolerance interval, given its uncertainty."""

import math
from enum import Enum

from scipy.special import ndtr, stdtr

from analysis.finding import Limit


class Zone(Enum):
    """Where a value stands."""

    INSIDE = "inside"
    BETWEEN = "between"
    OUTSIDE = "outside"


def conformity_probability(
    value: float, standard_uncertainty: float, degrees_of_freedom: float, low: float, high: float
) -> float:
    """Return the probability that the true value lies within [low, high] (JCGM 106:2012, clause 7).

    The state of knowledge is normal about `value`, or Student's t scaled by u where degrees of freedom are
    finite. Without uncertainty it is 1 or 0. NaN gives NaN.

    >>> round(conformity_probability(-5.47, 0.05, math.inf, -math.inf, -5.40), 4)
    0.9192
    """
    if math.isnan(value) or math.isnan(standard_uncertainty):
        return math.nan
    if standard_uncertainty == 0.0:
        return 1.0 if low <= value <= high else 0.0
    return _between((low - value) / standard_uncertainty, (high - value) / standard_uncertainty, degrees_of_freedom)


def _between(z_low: float, z_high: float, degrees_of_freedom: float) -> float:
    if z_low > 0.0:  # the mirrored difference keeps small probabilities of the upper tail
        z_low, z_high = -z_high, -z_low
    if math.isinf(degrees_of_freedom):
        return float(ndtr(z_high) - ndtr(z_low))
    return float(stdtr(degrees_of_freedom, z_high) - stdtr(degrees_of_freedom, z_low))


def three_zone(value: float, expanded_uncertainty: float, low: float, high: float) -> Zone:
    """Say where a value stands with guard bands of U on both sides of each limit (ILAC-G8:09/2019, non-binary).

    Inside by at least U; outside by more than U; else between. A value or U that is not finite is between, as
    nothing can be said of it.

    >>> [three_zone(amps, 0.6, -math.inf, 30.0).value for amps in (29.3, 29.7, 30.3, 30.7)]
    ['inside', 'between', 'between', 'outside']
    """
    if not (math.isfinite(value) and math.isfinite(expanded_uncertainty)):
        return Zone.BETWEEN
    spare = min(value - low, high - value)
    if spare >= expanded_uncertainty:
        return Zone.INSIDE
    return Zone.OUTSIDE if -spare > expanded_uncertainty else Zone.BETWEEN


def simple_acceptance(value: float, low: float, high: float) -> Zone:
    """Say whether a value lies within limits that already allow for measurement (guard band 0)."""
    if not math.isfinite(value):
        return Zone.BETWEEN
    return Zone.INSIDE if low <= value <= high else Zone.OUTSIDE


def margin(value: float, limit: Limit) -> float:
    """Return the signed distance to the nearer limit, in the measured unit: negative outside."""
    if not math.isfinite(value):
        return math.nan
    return min(value - limit.low, limit.high - value)


def margin_percent(value: float, limit: Limit) -> float:
    """Return `margin` in per cent of what is allowed: half the interval, or the one limit (NaN where that is 0)."""
    if math.isinf(limit.low):
        allowed = abs(limit.high)
    elif math.isinf(limit.high):
        allowed = abs(limit.low)
    else:
        allowed = 0.5 * (limit.high - limit.low)
    return 100.0 * margin(value, limit) / allowed if allowed > 0.0 else math.nan
