"""Where a ramp stood when a threshold was crossed that was noticed only later: known delays, taken off. Pure."""

import math
from dataclasses import dataclass
from typing import Self

from analysis.ramp import threshold_on_ramp
from analysis.uncertainty import Estimate
from test_plans.readings import Record, doubted


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """A delay known to lie within `mean_s` +/- `bound_s`."""

    mean_s: float
    bound_s: float

    @classmethod
    def between(cls, shortest_s: float, longest_s: float) -> Self:
        """Return the delay that lies anywhere between two bounds."""
        return cls(mean_s=0.5 * (shortest_s + longest_s), bound_s=0.5 * (longest_s - shortest_s))


def crossing_on_ramp(
    record: Record,
    signal: str,
    *,
    detected_s: float,
    delay: Delay,
    interval_s: float = 0.0,
    half_width_s: float = 0.025,
) -> Estimate:
    """Return where a ramp stood when a threshold was crossed that was noticed only later.

    The ramp is read by a straight line about the instant of detection; what it moved in the delay, and in half the
    interval at which anybody looked, is taken off by `analysis.ramp`.
    """
    fit = record.fit(signal, detected_s, half_width_s)
    if math.isnan(fit.value.value):
        return fit.value
    found = threshold_on_ramp(
        fit.value,
        rate_v_per_s=fit.slope_per_s,
        delay_s=delay.mean_s,
        delay_bound_s=delay.bound_s,
        sample_interval_s=interval_s,
        name=f"{record.name} {signal} at {detected_s:.3f} s",
    )
    return doubted(found, *fit.value.doubts)
