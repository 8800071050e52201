"""A step of a load as sampled: how fast it was, how far the output left where it settles, and for how long."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SETTLED_PART = 0.25  # of the window, at its end: there the output has settled
BEFORE_PART = 0.1  # of it, at its beginning: there nothing has happened yet
BEGUN_PART, DONE_PART = 0.1, 0.9  # of the step of current


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResponse:
    """One step of the load and what the output made of it; times in s from the beginning of the window."""

    begun_s: float  # the current has left its level by a tenth of the step
    lasted_s: float  # from there to nine tenths
    before_a: float
    after_a: float
    before_v: float
    settled_v: float
    departure_v: float  # farthest from where it settles, on the side the step drives it to; never negative
    between_v: float  # as much farther it may have been between two samples
    recovered_s: float  # after `begun_s` it is near where it settles for good; the rest of the window where it never is


def step_response(
    volts: NDArray[np.float64], amps: NDArray[np.float64], *, sample_rate_hz: float, near_v: float
) -> StepResponse | None:
    """Return what an output did at a step of its load; None where the current shows no step.

    More load drives the output down, less drives it up. An output that jumps between two samples and comes back from
    there lies farther by about as much as it comes back from the farthest sample to the next one.

    Args:
        volts: at the output, shape (n,).
        amps: into the load, same instants.
        sample_rate_hz: of both.
        near_v: within so much of where it settles the output has recovered.

    Raises:
        ValueError: shapes differ, or fewer than 20 samples.
    """
    n = volts.size
    if volts.shape != amps.shape or n < 20:
        raise ValueError(f"a step wants two series of 20 samples or more, not {volts.shape} and {amps.shape}")
    first, last = max(1, round(BEFORE_PART * n)), max(1, round(SETTLED_PART * n))
    before_a, after_a = float(amps[:first].mean()), float(amps[-last:].mean())
    part = (amps - before_a) / (after_a - before_a) if after_a != before_a else np.zeros(n)
    begun, done = np.flatnonzero(part >= BEGUN_PART), np.flatnonzero(part >= DONE_PART)
    if not begun.size or not done.size or begun[0] < first:
        return None
    start = int(begun[0])
    settled_v = float(volts[-last:].mean())
    away = (settled_v - volts[start:]) if after_a > before_a else (volts[start:] - settled_v)
    farthest = int(away.argmax())
    after = float(away[min(farthest + 1, away.size - 1)])
    out = np.flatnonzero(np.abs(volts[start:] - settled_v) > near_v)
    return StepResponse(
        begun_s=start / sample_rate_hz,
        lasted_s=(int(done[0]) - start) / sample_rate_hz,
        before_a=before_a,
        after_a=after_a,
        before_v=float(volts[:first].mean()),
        settled_v=settled_v,
        departure_v=max(0.0, float(away[farthest])),
        between_v=float(away[farthest]) - after,
        recovered_s=(int(out[-1]) + 1) / sample_rate_hz if out.size else 0.0,
    )
