"""What a procedure says about the bench itself, as an observation. Pure."""

from collections.abc import Sequence

from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause


def bench_observation(
    id: str,  # noqa: A002  (the contract's own name)
    title: str,
    statement: str,
    *,
    wrong: Sequence[str],
    tried: bool,
    captures: Sequence[str],
    doubts: Sequence[Doubt] = (),
    notes: Sequence[str] = (),
    next_step: str = "mend what is named, with the unit unplugged, and run the bench's own steps again",
) -> Observation:
    """Return an observation about the bench itself: `wrong` names what does not hold, in words.

    It is one trial however many channels it looks at: different channels are no repeats of each other.
    """
    return Observation(
        id=id,
        title=title,
        function="",
        statement=statement,
        trials=int(tried),
        failures=int(tried and bool(wrong)),
        detail="; ".join(wrong),
        source="bench sheet",
        cause_if_failed=Cause.BENCH,
        next_step=next_step,
        doubts=tuple(dict.fromkeys(doubts)),
        captures=tuple(dict.fromkeys(captures)),
        notes=tuple(notes),
    )
