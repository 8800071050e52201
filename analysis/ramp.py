"""Thresholds found on a ramp, corrected for what moved on before it was noticed."""

from analysis.uncertainty import Estimate, bounded, exact, resolved, total


def threshold_on_ramp(
    reading: Estimate,
    *,
    rate_v_per_s: float,
    delay_s: float = 0.0,
    delay_bound_s: float = 0.0,
    sample_interval_s: float = 0.0,
    name: str = "ramp",
) -> Estimate:
    """Return the threshold crossed, from the voltage at the first sample that shows the reaction.

    The voltage moves on by r (tau + Ts / 2) until then on average, which is taken off; |r| Ts / sqrt(12) for the
    sampling and |r| a / sqrt(3) for the delay's bound enter the budget. Derived in this project, checked by simulation.

    Args:
        reading: voltage at that sample.
        rate_v_per_s: signed rate there: negative on a fall.
        delay_s: from crossing to reaction.
        delay_bound_s: half-width of `delay_s`.
        sample_interval_s: between samples of the reaction; 0 where its instant is known exactly.
        name: what is measured, so that two ramps do not share their errors in a difference.
    """
    moved = rate_v_per_s * (delay_s + 0.5 * sample_interval_s)
    delay = bounded(0.0, abs(rate_v_per_s) * delay_bound_s, f"{name}: delay")
    sampling = resolved(0.0, abs(rate_v_per_s) * sample_interval_s, f"{name}: sampling")
    return total(reading, exact(-moved), delay, sampling)
