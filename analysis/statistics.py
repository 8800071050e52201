"""Counting statistics: what "never in n tries" proves, and how a latency is summed up."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv


def zero_failure_trials(coverage: float = 0.95, confidence: float = 0.95) -> int:
    """Return how many trials without a failure prove `coverage` at `confidence`: smallest n with 1 - R^n >= C.

    Raises:
        ValueError: a fraction is not strictly between 0 and 1.

    >>> zero_failure_trials()
    59
    """
    for name, fraction in (("coverage", coverage), ("confidence", confidence)):
        if not 0.0 < fraction < 1.0:
            raise ValueError(f"{name} {fraction} is not between 0 and 1")
    n = max(1, math.floor(math.log1p(-confidence) / math.log(coverage)) - 1)
    while 1.0 - coverage**n < confidence:
        n += 1
    return n


WORST_CASE_TRIALS = zero_failure_trials()  # 95/95


def upper_bound(failures: int, trials: int, confidence: float = 0.95) -> float:
    """Return the one-sided upper bound of a failure probability (Clopper-Pearson).

    Without a failure it is 1 - (1 - confidence)^(1/n).

    Raises:
        ValueError: no trials, or more failures than trials.

    >>> round(upper_bound(0, 59), 4)
    0.0495
    """
    if trials < 1 or not 0 <= failures <= trials:
        raise ValueError(f"{failures} failures in {trials} trials: no such count")
    if failures == trials:
        return 1.0
    return float(betaincinv(failures + 1, trials - failures, confidence))


def rate_interval(failures: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return both bounds of a failure probability, half of the risk on either side (Clopper-Pearson).

    Without a failure the lower one is 0, without anything else the upper one is 1.

    Raises:
        ValueError: no trials, or more failures than trials.

    >>> low, high = rate_interval(5, 100)
    >>> round(low, 7), round(high, 7)
    (0.0164319, 0.1128349)
    """
    one_sided = 0.5 * (1.0 + confidence)
    return 1.0 - upper_bound(trials - failures, trials, one_sided), upper_bound(failures, trials, one_sided)


@dataclass(frozen=True, slots=True, kw_only=True)
class LatencySummary:
    """A distribution of latencies in four figures; NaN where there is none. The spread is the unit's, not ours."""

    n: int
    minimum_s: float
    median_s: float
    maximum_s: float


def summarise_latencies(latencies_s: Sequence[float]) -> LatencySummary:
    """Sum up latencies; one NaN among them makes every figure NaN, so that a lost edge can't hide.

    >>> summarise_latencies([0.02, 0.03, 0.025]).median_s
    0.025
    """
    values = np.asarray(latencies_s, dtype=np.float64)
    if not values.size:
        return LatencySummary(n=0, minimum_s=math.nan, median_s=math.nan, maximum_s=math.nan)
    if np.isnan(values).any():
        return LatencySummary(n=len(values), minimum_s=math.nan, median_s=math.nan, maximum_s=math.nan)
    return LatencySummary(
        n=len(values),
        minimum_s=float(values.min()),
        median_s=float(np.median(values)),
        maximum_s=float(values.max()),
    )
