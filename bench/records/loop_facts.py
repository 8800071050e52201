"""What a record knows of steps that were taken over and over: each try by what it came to, and what was let go.

The writer keeps the book while the run lasts; read from the journal the same entries make the same book.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopFacts:
    """One loop.

    Args:
        procedure: what was taken over and over.
        tries: those that were carried to their end, numbered from 1 as attempts.
        kept: those of them whose captures are kept.
        dropped: of them those whose captures were let go, by what they came to.
        dropped_shown: in how many of the dropped something did not pass, by its title.
        ended: why it ended, in words; "" where the run was killed.
        early: it was broken off.
        spoilt: a fault of the bench ended it.
    """

    procedure: str
    tries: int = 0
    kept: tuple[int, ...] = ()
    dropped: Mapping[str, int] = field(default_factory=dict)
    dropped_shown: Mapping[str, int] = field(default_factory=dict)
    ended: str = ""
    early: bool = False
    spoilt: bool = False


class LoopBook:
    """All loops of a run. What it holds does not grow with tries that were dropped."""

    def __init__(self) -> None:
        self._facts: dict[str, LoopFacts] = {}
        self._kept: dict[tuple[str, int], tuple[str, tuple[str, ...]]] = {}

    @property
    def facts(self) -> tuple[LoopFacts, ...]:
        """The loops so far, in the order begun."""
        return tuple(self._facts.values())

    def tried(self, procedure: str, attempt: int, outcome: str, shown: Iterable[str]) -> None:
        """Enter a try, and by title what did not pass in it."""
        facts = self._of(procedure)
        self._facts[procedure] = replace(facts, tries=facts.tries + 1, kept=(*facts.kept, attempt))
        self._kept[procedure, attempt] = outcome, tuple(shown)

    def dropped(self, procedure: str, attempt: int) -> None:
        """Enter that a try's captures were let go."""
        facts = self._of(procedure)
        outcome, shown = self._kept.pop((procedure, attempt))
        titles = {title: facts.dropped_shown.get(title, 0) + 1 for title in shown}
        self._facts[procedure] = replace(
            facts,
            kept=tuple(one for one in facts.kept if one != attempt),
            dropped={**facts.dropped, outcome: facts.dropped.get(outcome, 0) + 1},
            dropped_shown={**facts.dropped_shown, **titles},
        )

    def ended(self, procedure: str, words: str, *, early: bool, spoilt: bool) -> None:
        """Enter why a loop ended."""
        self._facts[procedure] = replace(self._of(procedure), ended=words, early=early, spoilt=spoilt)

    def carry(self, facts: LoopFacts) -> None:
        """Take over what a parent record dropped; its kept tries are judged and entered anew."""
        self._facts[facts.procedure] = replace(facts, tries=sum(facts.dropped.values()), kept=())

    def _of(self, procedure: str) -> LoopFacts:
        return self._facts.get(procedure, LoopFacts(procedure=procedure))
