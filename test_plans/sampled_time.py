"""A time between instants that are each known to half a sample, with what the sample clock adds. Pure."""

from collections.abc import Sequence

from analysis.uncertainty import Estimate, bounded, exact, total
from test_plans.readings import Record, nothing


def interval(
    value_s: float, *, sample_rate_hz: float, clock_bound: float, instants: int = 2, captures: Sequence[str] = ()
) -> Estimate:
    """Return a time with its budget: each instant lies anywhere between two samples; the sample clock.

    Args:
        value_s: as counted in samples.
        sample_rate_hz: of the capture.
        clock_bound: of the sample clock, relative half-width.
        instants: that it was made of; a difference of two times has four.
        captures: by name, for the result.
    """
    half_s = 0.5 / sample_rate_hz
    edges = (bounded(0.0, half_s, f"instant {number} between two samples") for number in range(1, instants + 1))
    clock = bounded(0.0, clock_bound * abs(value_s), "sample clock")
    found = total(exact(value_s), *edges, clock)
    return Estimate(value=found.value, terms=found.terms, captures=tuple(captures))


def interval_in(record: Record, value_s: float, *, instants: int = 2) -> Estimate:
    """Return a time counted in a capture's samples, with its budget; in doubt where the capture is missing."""
    if record.capture is None:
        return nothing(*record.missing)
    return interval(
        value_s,
        sample_rate_hz=record.capture.sample_rate_hz,
        clock_bound=record.capture.timebase_bound,
        instants=instants,
        captures=record.names,
    )
