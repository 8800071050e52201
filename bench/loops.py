"""A step taken over and over: which tries stay in the record, when it is over, and the finding about all of them.

So that a record stays small however long a loop lasts, of tries that pass the first is kept whole, and the captures of
the last ones ahead of an event and at the end; of tries that do not pass the first few of a kind, and each in which
something new did not pass; and what passed next after one that the bench spoilt, for it takes its place. Of all others
only what they came to. The same for a run and for a record judged again.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.finding import Finding
from analysis.repetition import HowItEnded, Tally, TryOutcome, not_passed, repetition_finding, try_outcome
from analysis.sentences import format_duration
from bench.records.loop_facts import LoopFacts
from bench.steps import PlannedStep

FIRST = 1
KEPT_EVENTS = 5  # of a kind
_SYMBOLS = {"_v_per_s": "V/s", "_v": "V", "_a": "A", "_s": "s"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """What becomes of a try: `told` says whether its findings stand in the record, `dropped` whose captures go."""

    attempt: int
    outcome: TryOutcome
    shown: tuple[str, ...]
    told: bool
    dropped: tuple[int, ...] = ()


class Loop:
    """All tries of one step; with `keeps_all` none is let go any more, as where a record is judged again.

    Raises:
        ValueError: the step is not one that is repeated.
    """

    def __init__(self, step: PlannedStep, *, began_s: float, keeps_all: bool = False) -> None:
        if step.step.repeat is None:
            raise ValueError(f"step {step.name} is taken once")
        self.step = step
        self.tries = 0
        self._repeat = step.step.repeat
        self._began_s = began_s
        self._tally = Tally()
        self._last = TryOutcome.PASSED
        self._recent: list[tuple[int, float]] = []  # tries that passed and are kept so far, and when they ended
        self._kept: dict[TryOutcome, int] = {}
        self._dropped = 0
        self._keeps_all = keeps_all
        self._owed = False  # a try that passes is owed: it takes the place of one that the bench spoilt

    def take(self, attempt: int, findings: Sequence[Finding], *, now_s: float) -> Try:
        """Count a try that was carried to its end, and say what of it stays."""
        outcome, shown = try_outcome(findings), not_passed(findings)
        new = any(title not in self._tally.shown for title in shown)
        self.tries, self._last = attempt, outcome
        self._tally.add(outcome, shown)
        if outcome is TryOutcome.PASSED:
            told = attempt == FIRST or self._owed
            dropped = self._dropped_before(attempt, now_s, stays=told)
            self._owed = False
        else:
            told = attempt == FIRST or new or self._keeps_all or self._kept.get(outcome, 0) < KEPT_EVENTS
            dropped = () if told else (attempt,)
            if told:
                self._kept[outcome] = self._kept.get(outcome, 0) + 1
                self._recent.clear()  # what led to it stays
                self._owed = outcome is TryOutcome.SPOILT
        self._dropped += len(dropped)
        return Try(attempt=attempt, outcome=outcome, shown=shown, told=told, dropped=dropped)

    def carry(self, facts: LoopFacts) -> None:
        """Count what a run told of tries whose captures it dropped."""
        self._tally.join(facts.dropped, facts.dropped_shown)
        self._dropped += sum(facts.dropped.values())

    def is_over(self, now_s: float) -> bool:
        """Say whether no further try is to be begun."""
        return self._by_event or self.tries >= self._repeat.tries or self._lasted_s(now_s) >= self._repeat.bench_time_s

    def ended(self, now_s: float, stopped: str) -> HowItEnded:
        """Return why it ended; `stopped` is why the run did, "" where it goes on."""
        lasted = format_duration(self._lasted_s(now_s))
        if stopped:
            return HowItEnded(words=f"broken off after {self.tries} whole tries, {lasted}: {stopped}", early=True)
        if self._by_event and self._last is TryOutcome.SPOILT:
            return HowItEnded(words=f"ended by a fault of the bench in try {self.tries}, after {lasted}", spoilt=True)
        if self._by_event:
            return HowItEnded(words=f"ended by an event in try {self.tries}, after {lasted}")
        if self.tries >= self._repeat.tries:
            return HowItEnded(words=f"ended after all {self.tries} tries, {lasted}")
        return HowItEnded(words=f"ended after its bench time, {lasted}")

    def finding(self, ended: HowItEnded) -> Finding:
        """Return the finding about all tries."""
        return repetition_finding(
            self._tally,
            procedure=self.step.name,
            function=self.step.function,
            title=self.step.procedure.title,
            attempt=max(FIRST, self.tries),
            ended=ended,
            notes=(*self._conditions(), *self._let_go()),
        )

    @property
    def _by_event(self) -> bool:
        return self._repeat.until_event and self._last is not TryOutcome.PASSED

    def _lasted_s(self, now_s: float) -> float:
        return now_s - self._began_s

    def _dropped_before(self, attempt: int, now_s: float, *, stays: bool) -> tuple[int, ...]:
        """Return the tries that now lie too far back; the newest one is kept in any case, one that `stays` for good."""
        kept_from_s = now_s - self._repeat.before_event_s
        gone = tuple(one for one, ended_s in self._recent if ended_s < kept_from_s)
        self._recent = [(one, ended_s) for one, ended_s in self._recent if ended_s >= kept_from_s]
        if not stays:
            self._recent.append((attempt, now_s))
        return gone

    def _conditions(self) -> tuple[str, ...]:
        given = {"voltage_v": self.step.setup.unit.nominal_voltage_v, **self.step.step.conditions}
        return (f"conditions tried: {', '.join(_in_words(key, value) for key, value in given.items())}",)

    def _let_go(self) -> tuple[str, ...]:
        if not self._dropped:
            return ()
        before = format_duration(self._repeat.before_event_s)
        kept = (
            f"kept are the first try, what passed in the last {before} ahead of an event and of the end, "
            f"and the first {KEPT_EVENTS} events of a kind"
        )
        return (f"captures of {self._dropped} tries were let go; {kept}",)


def _in_words(key: str, value: object) -> str:
    """Return a condition as a plan has it: "current limit 7 A"."""
    for suffix, symbol in _SYMBOLS.items():
        if key.endswith(suffix):
            return f"{key.removesuffix(suffix).replace('_', ' ')} {value:g} {symbol}"
    words = " ".join(value) if isinstance(value, tuple) else value
    return f"{key.replace('_', ' ')} {words}"
