"""Reports that the unit numbered and the host never had, by the message codes of an item. Pure.

Byte 3 of a CANaerospace payload counts the messages of one identifier, modulo 256: a code that is skipped stands for a
report that was lost on the way. What such a report said would have come in its time, so nothing that is timed by a
report, or told by there being none, holds in the stretch between the reports on both sides of it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.capture import Event
from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.readings import Record

CODES = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Reports of one item lost between two that came, in capture time."""

    from_s: float
    to_s: float
    n: int


def lost_reports(reports: Sequence[Event]) -> Iterator[Lost]:
    """Yield where reports of one item, given in order of time, skip message codes.

    Codes and change counters begin anew with the unit: where either went back, the unit was started, and nothing is
    known to be lost.
    """
    for one, other in pairwise(reports):
        before, after = one.fields.get("message_code"), other.fields.get("message_code")
        if before is None or after is None or _started_anew(one, other):
            continue
        n = (int(after) - int(before) - 1) % CODES
        if n:
            yield Lost(from_s=one.time_s, to_s=other.time_s, n=n)


def lost_doubts(record: Record, item: str, start_s: float = 0.0, stop_s: float | None = None) -> tuple[Doubt, ...]:
    """Return the bench's doubt that reports of an item were lost in a stretch of a capture."""
    stop_s = record.duration_s if stop_s is None else stop_s
    n = sum(lost.n for lost in lost_reports(record.reports(item)) if lost.from_s < stop_s and lost.to_s > start_s)
    if not n:
        return ()
    return (
        Doubt(
            reason=f"{record.name}: {n} of the reports of {item} did not arrive, by their message codes",
            cause=Cause.BENCH,
            next_step="check the bus interface, the bus lines and their termination, then run it again",
        ),
    )


def _started_anew(one: Event, other: Event) -> bool:
    before, after = int(one.fields["message_code"]), int(other.fields["message_code"])
    back = after < before and (before - after) < CODES // 2
    return back or int(other.fields.get("counter", 0)) < int(one.fields.get("counter", 0))
