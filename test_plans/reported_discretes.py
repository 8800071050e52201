"""Whose it is that a discrete was never reported, and whether one moved while another was switched. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.capture import Event
from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.sheets import Discrete, Setup
from test_plans.silence import silence_doubts

PERIODS_HEARD = 2  # report periods a capture must hold before a report that never came is missed


def unreported_doubts(record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> tuple[Doubt, ...]:
    """Return whose it is that a capture holds no report of a discrete; nothing where it holds one.

    The sheet promises one every report period. Once another item came twice in a capture of two periods and more, the
    link and the period are proved, and what never came was never sent: the unit's. Before that nobody can tell.
    """
    if record.capture is None:
        return record.missing
    if record.reports(discrete.report):
        return ()
    period_s = setup.unit.bus.report_period_s
    silent = silence_doubts(record, evidence, period_s=period_s)
    if silent:
        return silent
    items = [event.fields.get("item") for event in record.reports()]
    others = any(items.count(item) >= PERIODS_HEARD for item in set(items))
    never = f"{record.name}: {discrete.title} was never reported in {record.duration_s:.1f} s"
    if others and record.duration_s >= PERIODS_HEARD * period_s:
        promised = f"{never}, though the sheet has it every {period_s:g} s and other reports came"
        return (Doubt(reason=promised, cause=Cause.UNIT),)
    return (Doubt(reason=never, cause=Cause.UNDECIDED, next_step="check the report's identifier in the unit sheet"),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Independence:
    """Whether discretes stay while others are switched.

    Args:
        trials: pairs of a switching and another discrete that was reported before it and again after it.
        moved: in words, each change of a discrete that its own stimulus does not explain.
        unseen: discretes with not a single trial.
    """

    trials: int
    moved: tuple[str, ...]
    unseen: tuple[Discrete, ...]


def independence(
    steps_s: Mapping[str, Sequence[float]],
    reports: Mapping[str, Sequence[Event]],
    discretes: Sequence[Discrete],
    *,
    within_s: float,
) -> Independence:
    """Hold every discrete's change counter against the switching of all others.

    The counter keeps every change, so two reports about a switching say whether there was one between. They say so
    only where the discrete's own stimulus stood still meanwhile, and for `within_s` before the first of the two.

    Args:
        steps_s: by discrete, when its stimulus was switched.
        reports: by discrete, its reports in order of time.
        discretes: all of them.
        within_s: longest time from a switching to its report.
    """
    trials = 0
    moved: list[str] = []
    unseen: list[Discrete] = []
    for other in discretes:
        foreign = sorted((at_s, one.title) for one in discretes if one is not other for at_s in steps_s[one.name])
        seen_by = (reports[other.name], steps_s[other.name], within_s)
        seen = sum(_bracketed(at_s, *seen_by) for at_s, _ in foreign)
        trials += seen
        moved.extend(f"{other.title} with {title}" for title in _moved_with(foreign, *seen_by))
        if not seen:
            unseen.append(other)
    return Independence(trials=trials, moved=tuple(moved), unseen=tuple(unseen))


def _bracketed(at_s: float, reports: Sequence[Event], own_s: Sequence[float], within_s: float) -> bool:
    before = [event.time_s for event in reports if event.time_s <= at_s]
    after = [event.time_s for event in reports if event.time_s >= at_s + within_s]
    return bool(before and after) and not _stirred(own_s, before[-1] - within_s, after[0])


def _moved_with(
    foreign: Sequence[tuple[float, str]], reports: Sequence[Event], own_s: Sequence[float], within_s: float
) -> Iterator[str]:
    """Yield, for every change that is not its own, whose switching came last before it."""
    for earlier, later in pairwise(reports):
        if earlier.fields["counter"] == later.fields["counter"]:
            continue
        if _stirred(own_s, earlier.time_s - within_s, later.time_s):
            continue
        switched = [title for at_s, title in foreign if earlier.time_s - within_s < at_s < later.time_s]
        if switched:
            yield switched[-1]


def _stirred(own_s: Sequence[float], begin_s: float, end_s: float) -> bool:
    return any(begin_s < at_s <= end_s for at_s in own_s)
