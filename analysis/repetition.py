"""One procedure taken over and over: what each try came to, and what m of n tries prove of the rate.

A try in which anything of the unit did not pass counts as an event: proved the unit's, or undecided. A try that the
bench spoilt is no try: it counts neither way and is told.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from analysis.finding import Finding
from analysis.judge import EXACT
from analysis.overall import overall
from analysis.statistics import rate_interval, upper_bound
from analysis.verdict import Cause, Verdict

MOST_NAMED = 5  # characteristics that a sentence names


class TryOutcome(StrEnum):
    """What one try came to."""

    PASSED = "passed"
    FAILED = "failed"  # by the unit, proved
    UNDECIDED = "undecided"
    SPOILT = "spoilt by the bench"


def try_outcome(findings: Sequence[Finding]) -> TryOutcome:
    """Return what the findings of one try come to; without any it is undecided."""
    found = overall(findings)
    if found.verdict is Verdict.PASS:
        return TryOutcome.PASSED
    if found.verdict is Verdict.FAIL:
        return TryOutcome.FAILED
    return TryOutcome.SPOILT if found.cause is Cause.BENCH else TryOutcome.UNDECIDED


def not_passed(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Return the titles of what did not pass in one try."""
    return tuple(dict.fromkeys(finding.title for finding in findings if finding.verdict is not Verdict.PASS))


@dataclass(slots=True, kw_only=True)
class Tally:
    """Tries by what they came to, and by title how many of them something did not pass in."""

    outcomes: dict[TryOutcome, int] = field(default_factory=dict)
    shown: dict[str, int] = field(default_factory=dict)

    def add(self, outcome: TryOutcome, titles: Iterable[str], count: int = 1) -> None:
        """Count tries of one outcome."""
        self.outcomes[outcome] = self.outcomes.get(outcome, 0) + count
        for title in titles:
            self.shown[title] = self.shown.get(title, 0) + count

    def join(self, outcomes: Mapping[str, int], shown: Mapping[str, int]) -> None:
        """Count tries that were counted before."""
        for outcome, count in outcomes.items():
            self.add(TryOutcome(outcome), (), count)
        for title, count in shown.items():
            self.shown[title] = self.shown.get(title, 0) + count

    def of(self, *outcomes: TryOutcome) -> int:
        """Return how many tries came to one of these."""
        return sum(self.outcomes.get(outcome, 0) for outcome in outcomes)

    @property
    def trials(self) -> int:
        """Tries that say something of the unit."""
        return self.of(TryOutcome.PASSED, TryOutcome.FAILED, TryOutcome.UNDECIDED)

    @property
    def events(self) -> int:
        """Those of them that did not pass."""
        return self.of(TryOutcome.FAILED, TryOutcome.UNDECIDED)

    @property
    def spoilt(self) -> int:
        """Tries that the bench spoilt."""
        return self.of(TryOutcome.SPOILT)


@dataclass(frozen=True, slots=True, kw_only=True)
class HowItEnded:
    """Why a loop ended, in words; `early` where it was broken off, `spoilt` where a fault of the bench ended it."""

    words: str
    early: bool = False
    spoilt: bool = False


def repetition_id(procedure: str) -> str:
    """Return the id of the finding about all tries of a procedure."""
    return f"{procedure}.repeated"


def repetition_finding(
    tally: Tally,
    *,
    procedure: str,
    function: str,
    title: str,
    attempt: int,
    ended: HowItEnded,
    notes: Sequence[str] = (),
) -> Finding:
    """Return the finding about all tries of a procedure: m of n, with the bounds of the rate at 95 %.

    Bounds are Clopper and Pearson's, for a number of tries settled before. Where the first event ends a loop they still
    hold: the lower one is that of inverse sampling, the upper one lies above it.
    A fail proved in any try is the unit's fail. Without an event it passes, if the loop was carried to its end and the
    bench spoilt neither all tries nor the last one; what no event in n tries leaves open is said by the bound.
    """
    trials, events = tally.trials, tally.events
    low, high = rate_interval(events, trials) if trials else (float("nan"),) * 2
    verdict, cause, reasons, step = _judged(tally, ended)
    return Finding(
        id=repetition_id(procedure),
        procedure=procedure,
        function=function,
        title=f"{title}, over and over",
        verdict=verdict,
        cause=cause,
        rule=EXACT,
        attempt=attempt,
        trials=trials,
        failures=events,
        rate_low=low,
        rate_high=high,
        rate_bound=upper_bound(events, trials) if trials else float("nan"),
        reasons=reasons,
        next_step=step,
        notes=(ended.words, *_left_out(tally), *notes),
    )


def _judged(tally: Tally, ended: HowItEnded) -> tuple[Verdict, Cause | None, tuple[str, ...], str]:
    """Return verdict, cause, reasons and next step."""
    failed, undecided = tally.of(TryOutcome.FAILED), tally.of(TryOutcome.UNDECIDED)
    if failed:
        return Verdict.FAIL, Cause.UNIT, (_counted(failed, tally, "the unit failed"), *_named(tally)), ""
    if undecided:
        reasons = (_counted(undecided, tally, "something stayed undecided"), *_named(tally))
        return Verdict.INCONCLUSIVE, Cause.UNDECIDED, reasons, "look at the try that is kept, and do what it says next"
    if ended.spoilt or not tally.trials:
        reasons = (f"the bench spoilt {_tries(tally.spoilt)}" if tally.spoilt else "it was not tried once",)
        return Verdict.INCONCLUSIVE, Cause.BENCH, (*reasons, *_named(tally)), "mend the bench, then run it again"
    if ended.early:
        return Verdict.INCONCLUSIVE, Cause.UNDECIDED, (ended.words,), "run it again to its end"
    return Verdict.PASS, None, (), ""


def _counted(count: int, tally: Tally, what: str) -> str:
    return f"in {count} of {_tries(tally.trials)} {what}"


def _named(tally: Tally) -> tuple[str, ...]:
    """Return what did not pass and how often, most often first."""
    ranked = sorted(tally.shown.items(), key=lambda entry: -entry[1])
    named = tuple(f"{title}: not passed in {_tries(count)}" for title, count in ranked[:MOST_NAMED])
    rest = len(ranked) - MOST_NAMED
    return (*named, f"and {rest} more") if rest > 0 else named


def _left_out(tally: Tally) -> tuple[str, ...]:
    return (f"{_tries(tally.spoilt)} spoilt by the bench left out of the count",) if tally.spoilt else ()


def _tries(count: int) -> str:
    return "1 try" if count == 1 else f"{count} tries"
