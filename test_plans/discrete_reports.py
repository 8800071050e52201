"""A discrete's reports as its host saw them: what it showed at an instant, how far its change counter went. Pure."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from itertools import pairwise

from analysis.capture import Event
from analysis.measurement import Doubt
from test_plans.lost_reports import lost_doubts
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.reported_discretes import unreported_doubts
from test_plans.sheets import Discrete, Setup
from test_plans.silence import silence_doubts


def state_at(reports: Sequence[Event], time_s: float) -> bool | None:
    """Return the state that the last report up to `time_s` showed, None where there is none."""
    shown = [event for event in reports if event.time_s <= time_s]
    return bool(shown[-1].fields["state"]) if shown else None


def first_change(reports: Sequence[Event], begin_s: float, end_s: float, *, state: bool) -> Event | None:
    """Return the first report of `state` in a stretch that follows a report of the other one."""
    before: Event | None = None
    for event in reports:
        changed = before is not None and bool(before.fields["state"]) is not state
        if begin_s <= event.time_s < end_s and bool(event.fields["state"]) is state and changed:
            return event
        before = event
    return None


def counted_between(reports: Sequence[Event], instants_s: Sequence[float]) -> list[int | None]:
    """Return how far the change counter went from each instant to the next, by the last report ahead of each.

    `instants_s` ascend, n of them; n - 1 differences come out, None where nothing was reported ahead of the first.
    """
    times_s = [event.time_s for event in reports]
    counters: list[int | None] = []
    for instant_s in instants_s:
        place = bisect_left(times_s, instant_s)
        counters.append(int(reports[place - 1].fields["counter"]) if place else None)
    return [None if before is None or after is None else after - before for before, after in pairwise(counters)]


def report_doubts(record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> tuple[Doubt, ...]:
    """Return why a discrete's reports in a capture prove nothing: samples or reports lost, silence, never reported."""
    silent = silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s)
    lost = lost_doubts(record, discrete.report)
    return (*record.missing, *record.gap_doubts(), *silent, *lost) or unreported_doubts(
        record, evidence, setup, discrete
    )


def unlike(counted: Iterable[int | None], wanted: int) -> list[int]:
    """Return the places at which the counter did not go as far as `wanted`; what is not known counts as unlike."""
    return [place for place, found in enumerate(counted) if found != wanted]
