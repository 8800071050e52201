"""What a person saw of the unit's lamps, read back from a capture: every look with what was driven before it. Pure."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.readings import Record
from test_plans.rig import NOT_SURE
from test_plans.sheets import Discrete


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look: when (capture time), which lamps were asked for, and which were lit; None where nobody could say."""

    time_s: float
    asked: tuple[str, ...]
    lit: frozenset[str] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A look at one discrete's lamp, its line still: driven to `level_v` at `driven_s`, standing at `from_v` before."""

    level_v: float
    from_v: float
    driven_s: float
    looked_s: float
    lit: bool


def looks_of(record: Record) -> tuple[Look, ...]:
    """Return every look of a capture, in order of time."""
    if record.capture is None:
        return ()
    return tuple(
        Look(
            time_s=event.time_s,
            asked=tuple(str(event.fields["asked"]).split(",")),
            lit=None
            if event.fields["lit"] == NOT_SURE
            else frozenset(name for name in str(event.fields["lit"]).split(",") if name),
        )
        for event in sorted(record.capture.events_of("answer"), key=lambda event: event.time_s)
        if "lit" in event.fields
    )


def probes_of(record: Record, name: str) -> Iterator[Probe]:
    """Yield every look at one discrete's lamp that told something, with the two levels its line stood at before."""
    stimuli = record.stimuli(name)
    for look in looks_of(record):
        before = [stimulus for stimulus in stimuli if stimulus.time_s <= look.time_s]
        if look.lit is None or name not in look.asked or len(before) < 2:
            continue
        yield Probe(
            level_v=before[-1].value,
            from_v=before[-2].value,
            driven_s=before[-1].time_s,
            looked_s=look.time_s,
            lit=name in look.lit,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What the lamps showed while nothing was driven: `lit` is None where answers differ or nobody could say.

    `driven` and `level_v` are the line that was driven last before it, "" and NaN for none.
    """

    driven: str
    level_v: float
    lit: frozenset[str] | None


def states_of(record: Record, discretes: Iterable[Discrete]) -> tuple[State, ...]:
    """Return what was seen between one driving of any of these lines and the next, in order of time."""
    stimuli = sorted(
        (stimulus.time_s, discrete.name, stimulus.value)
        for discrete in discretes
        for stimulus in record.stimuli(discrete.name)
    )
    answers: dict[int, list[frozenset[str] | None]] = {}
    for look in looks_of(record):
        driven_before = sum(time_s <= look.time_s for time_s, _, _ in stimuli)
        answers.setdefault(driven_before, []).append(look.lit)
    return tuple(
        State(
            driven=stimuli[count - 1][1] if count else "",
            level_v=stimuli[count - 1][2] if count else math.nan,
            lit=seen[0] if len(set(seen)) == 1 else None,
        )
        for count, seen in answers.items()
    )


def unsure_doubts(record: Record, looks: Iterable[Look | State]) -> tuple[Doubt, ...]:
    """Return the doubt that a person could not say what a lamp showed, or that nobody was asked at all."""
    asked = tuple(looks)
    if record.capture is not None and not asked:
        reason = f"{record.name}: nobody was asked what the unit shows"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again"),)
    unsure = sum(look.lit is None for look in asked)
    if not unsure:
        return ()
    return (
        Doubt(
            reason=f"{record.name}: {unsure} times the person at the bench could not say what the lamps showed, "
            "or said otherwise on looking again",
            cause=Cause.UNDECIDED,
            next_step="shade the lamps, or have a second person look, and run it again",
        ),
    )
