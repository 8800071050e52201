"""Several trials of one thing as one observation: what is proved wrong in a sound one stays wrong. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.measurement import Doubt, Observation

MOST_SAID = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One trial: what was wrong, "" for nothing, and why it shows nothing."""

    wrong: str = ""
    doubts: tuple[Doubt, ...] = ()
    captures: tuple[str, ...] = ()


def tried(
    trials: Sequence[Trial],
    *,
    id_: str,
    title: str,
    function: str,
    statement: str,
    pins: tuple[str, ...],
    notes: tuple[str, ...] = (),
) -> Observation:
    """Return trials as one observation.

    Only sound ones count. Where one of them shows a fault, the doubts of others take nothing from it; else any doubt
    stands.
    """
    sound = [trial for trial in trials if not trial.doubts]
    wrong = [trial.wrong for trial in sound if trial.wrong]
    doubts = () if wrong else tuple(dict.fromkeys(doubt for trial in trials for doubt in trial.doubts))
    said = list(dict.fromkeys(wrong))
    more = [f"and {len(said) - MOST_SAID} more"] if len(said) > MOST_SAID else []
    return Observation(
        id=id_,
        title=title,
        function=function,
        statement=statement,
        trials=len(sound),
        failures=len(wrong),
        detail="; ".join((*said[:MOST_SAID], *more)),
        doubts=doubts,
        captures=tuple(dict.fromkeys(name for trial in trials for name in trial.captures)),
        pins=pins,
        notes=notes,
    )
