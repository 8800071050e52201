"""Straight line plus one exponential: the only shape a voltage or current takes between two events.

f(dt) = level + slope dt + swing exp(-dt / tau), dt in seconds from the start of the segment. With a negative tau the
swing grows; nothing then looks further than a few tau.
"""

import math
from itertools import pairwise
from typing import NamedTuple


class Transient(NamedTuple):
    """Coefficients of one such course; `tau_s` matters only where `swing` is not 0."""

    level: float
    slope_per_s: float
    swing: float
    tau_s: float

    def at(self, dt_s: float) -> float:
        """Return the value `dt_s` after the start."""
        if self.swing == 0.0:
            return self.level + self.slope_per_s * dt_s
        return self.level + self.slope_per_s * dt_s + self.swing * math.exp(-dt_s / self.tau_s)

    def rate_at(self, dt_s: float) -> float:
        """Return the rate of change per second `dt_s` after the start."""
        if self.swing == 0.0:
            return self.slope_per_s
        return self.slope_per_s - self.swing / self.tau_s * math.exp(-dt_s / self.tau_s)

    def scaled(self, factor: float) -> "Transient":
        """Return it multiplied by a number."""
        return Transient(self.level * factor, self.slope_per_s * factor, self.swing * factor, self.tau_s)

    def plus(self, other: "Transient") -> "Transient":
        """Return the sum of two courses that share tau (or of which one has no swing)."""
        tau_s = self.tau_s if self.swing != 0.0 else other.tau_s
        return Transient(
            self.level + other.level, self.slope_per_s + other.slope_per_s, self.swing + other.swing, tau_s
        )


def time_to_reach(course: Transient, bound: float, *, upwards: bool, horizon_s: float, beyond_counts: bool) -> float:
    """Return how long after its start the course first reaches `bound` in the given direction.

    Args:
        course: what moves.
        bound: value to be reached.
        upwards: rising through it, else falling.
        horizon_s: look no further; may be infinite only where there is no swing.
        beyond_counts: a course that starts beyond the bound has reached it (0 s); otherwise only a start
            beyond it that moves further away has, and one that comes back may reach it later.

    Returns:
        Seconds, to much better than 1 ns; infinity where it is not reached within the horizon.
    """
    sign = 1.0 if upwards else -1.0
    level, slope, swing = sign * (course.level - bound), sign * course.slope_per_s, sign * course.swing
    start = level + swing
    if start >= 0.0 and (beyond_counts or slope - (swing / course.tau_s if swing else 0.0) > 0.0):
        return 0.0
    if swing == 0.0:
        reached_s = -level / slope if slope > 0.0 else math.inf
        return reached_s if 0.0 <= reached_s <= horizon_s else math.inf
    # No value of line plus exponential lies above the sum of their largest ones: most calls end here.
    largest_swing = max(0.0, swing if course.tau_s > 0.0 else swing * math.exp(-horizon_s / course.tau_s))
    if level + max(0.0, slope * horizon_s) + largest_swing < 0.0:
        return math.inf
    return _search(Transient(level, slope, swing, course.tau_s), horizon_s)


def _search(course: Transient, horizon_s: float) -> float:
    """Bracket the first rise through 0: the course has at most one turning point, monotone on either side."""
    ratio = course.slope_per_s * course.tau_s / course.swing
    turn_s = -course.tau_s * math.log(ratio) if ratio > 0.0 else horizon_s
    turn_s = turn_s if turn_s > 0.0 else horizon_s
    marks = (0.0, min(turn_s, horizon_s), horizon_s)
    for low_s, high_s in pairwise(marks):
        rises = course.at(high_s) >= 0.0 and high_s > low_s
        if rises and (low_s == 0.0 or course.at(low_s) < 0.0) and course.rate_at(0.5 * (low_s + high_s)) > 0.0:
            return _bisect(course, low_s, high_s)
    return math.inf


def _bisect(course: Transient, low_s: float, high_s: float) -> float:
    while high_s - low_s > 1e-11 + 1e-15 * high_s:
        middle_s = 0.5 * (low_s + high_s)
        if middle_s in {low_s, high_s}:
            break
        if course.at(middle_s) >= 0.0:
            high_s = middle_s
        else:
            low_s = middle_s
    return high_s
