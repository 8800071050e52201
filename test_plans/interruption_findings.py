"""Findings about interruptions of the bus, over all tries of one state: what each try showed is read already. Pure.

What a try shows of motion, levels and settings counts as a pass only where the break surely was as long as asked, and
only where that holds for every length; what went wrong counts however long the break was.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from analysis.measurement import Curve, Doubt, Measurement, Observation
from analysis.survival import survival
from analysis.verdict import Cause
from test_plans.interruption import RESET_DURATION, Break, words
from test_plans.interruption_readings import ORDER, Try
from test_plans.profile import Behaviour
from test_plans.readings import nothing
from test_plans.sheets import Setup
from test_plans.signals import function_named

MOST_SAID = 4
MOST_TOLD = 1  # of what the unit did in breaks of one length
Tries = Mapping[Break, Sequence[Try]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What findings of one state are about."""

    name: str  # of the procedure
    title: str
    function: str
    pins: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of every try, beside the behaviour that the sheet requires by length."""

    id: str
    title: str
    statement: str
    wrong: Callable[[Try], tuple[str, ...]]  # what of it went wrong, in words
    known: Callable[[Try], bool] = lambda _: True  # whether a try tells at all
    unknown: str = ""  # what to say where none of a length tells
    doubts: Callable[[Try], tuple[Doubt, ...]] = lambda _: ()  # about the channels it rests on


def behaviour_finding(subject: Subject, one: Break, tries: Sequence[Try], captures: tuple[str, ...]) -> Observation:
    """Return whether the unit did what is required in breaks of one length."""
    required = one.required or Behaviour.POWER_CYCLE
    shots = [found.shot(one, required) for found in tries]
    seen = survival(shots)
    doubts = seen.doubts
    if doubts and (spoilt := [doubt for shot in shots for doubt in shot.spoilt]):
        doubts = tuple(dict.fromkeys(spoilt))  # what is wrong with the tries says more than that none counted
    failed = [found for found, shot in zip(tries, shots, strict=True) if not shot.behaved]
    return Observation(
        id=f"{subject.name}.{words(one.duration_s).replace(' ', '')}",
        title=f"{subject.title}: {words(one.duration_s)}",
        function=subject.function,
        statement=f"{required.value} (class {required.class_letter} of ISO 16750-1)",
        trials=seen.trials,
        failures=seen.failures,
        detail="; ".join(dict.fromkeys(f"{_class_of(found)}: {found.said}" for found in failed)),
        source="unit sheet, [interruptions]",
        doubts=doubts,
        captures=captures,
        pins=subject.pins,
        notes=_achieved(tries, one),
    )


def finding(subject: Subject, asked: Asked, tries: Tries, captures: tuple[str, ...]) -> Observation:
    """Return whether what is asked held in every try."""
    every = [found for each in tries.values() for found in each if asked.known(found)]
    wrong = [found for found in every if asked.wrong(found)]
    sound = [found for found in wrong if not found.spoilt]
    doubts = [doubt for found in every for doubt in asked.doubts(found)]
    if wrong and not sound:
        doubts += [doubt for found in wrong for doubt in found.spoilt]
    elif not wrong:
        doubts += [doubt for one, each in tries.items() for doubt in _unproved(one, each, asked)]
    said = [f"{found.name}: {', '.join(asked.wrong(found))}" for found in sound or wrong]
    more = [f"and {len(said) - MOST_SAID} more"] if len(said) > MOST_SAID else []
    return Observation(
        id=f"{subject.name}.{asked.id}",
        title=f"{subject.title}: {asked.title}",
        function=subject.function,
        statement=asked.statement,
        trials=sum(found.hard or bool(asked.wrong(found)) for found in every if not found.spoilt),
        failures=len(sound),
        detail="; ".join([*said[:MOST_SAID], *more]),
        doubts=tuple(dict.fromkeys(doubts)),
        captures=captures,
        pins=subject.pins,
    )


def reset_duration(subject: Subject, tries: Tries, setup: Setup, missing: Sequence[Doubt]) -> Measurement:
    """Return the longest time from the bus being back to the first report, over every reset that was timed."""
    sound = [found for each in tries.values() for found in each if not found.spoilt]
    durations = [found.reset_duration for found in sound if found.reset_duration is not None]
    none = Doubt(
        reason="no break reset the unit and had it report again within its time",
        cause=Cause.UNDECIDED if any(found.hard for found in sound) else Cause.BENCH,
        next_step="see the behaviour by length, and break the bus for longer",
    )
    spoilt = [doubt for each in tries.values() for found in each for doubt in found.spoilt]
    why = dict.fromkeys(missing or spoilt or [none])
    longest = max(durations, key=lambda found: found.value) if durations else nothing(*why)
    level_v = setup.unit.lowest_voltage_v
    note = f"from {level_v:g} V at the pins to the first report, the longest of {len(durations)} resets"
    return longest.measurement(
        id=f"{subject.name}.{RESET_DURATION}",
        limit=RESET_DURATION,
        title=f"{subject.title}: reset duration",
        function=function_named(setup.unit, "power"),
        quantity_unit="s",
        pins=(setup.unit.power_pin,),
        notes=(note,),
        trials=len(durations) or None,
    )


def behaviour_map(subject: Subject, tries: Tries) -> Curve:
    """Draw the worst behaviour seen at each length, and what is allowed."""
    seen = [(one, max(ORDER.index(found.observed) for found in each)) for one, each in tries.items() if each]
    allowed = [(one, ORDER.index(one.required)) for one in tries if one.required is not None]
    return Curve(
        id=f"{subject.name}.map",
        title=f"{subject.title}: worst behaviour by length (1 kept working to 4 not back by itself)",
        function=subject.function,
        x_label="length of the break, ms",
        y_label="behaviour",
        series={
            title: (
                tuple(1e3 * one.duration_s for one, _ in points),
                tuple(float(place + 1) for _, place in points),
            )
            for title, points in (("seen", seen), ("allowed", allowed))
        },
    )


def _unproved(one: Break, tries: Sequence[Try], asked: Asked) -> tuple[Doubt, ...]:
    """Return why nothing is proved at one length; nothing where one try is."""
    known = [found for found in tries if asked.known(found)]
    if any(found.hard and not found.spoilt for found in known):
        return ()
    if spoilt := [doubt for found in tries for doubt in found.spoilt]:
        return tuple(dict.fromkeys(spoilt))
    if tries and not known:
        step = "check that reports come at all (ready time)"
        return (Doubt(reason=f"{asked.unknown} ({words(one.duration_s)})", cause=Cause.UNDECIDED, next_step=step),)
    reason = f"no break of {words(one.duration_s)} was seen to be as long"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="see how long the breaks were, and the bus switch"),)


def _class_of(found: Try) -> str:
    if found.observed is Behaviour.POWER_CYCLE:
        return "not back by itself"
    return f"{found.observed.value} ({found.observed.class_letter})"


def _achieved(tries: Sequence[Try], one: Break) -> tuple[str, ...]:
    """Return in words how long the breaks were and what the unit did in them."""
    if not tries:
        return ()
    shown = [found.open_s * 1e3 for found in tries if not math.isnan(found.open_s)]
    each = [_class_of(found) for found in tries]
    resets = sum(found.resets for found in tries)
    notes = [
        f"open for {min(shown):.2f} to {max(shown):.2f} ms at the pins, asked {words(one.duration_s)}"
        if shown
        else "not seen to open",
        "; ".join(f"{each.count(name)} of {len(each)}: {name}" for name in dict.fromkeys(each)),
        "no reset" if not resets else "1 reset" if resets == 1 else f"{resets} resets",
    ]
    backs = [found.reset_duration for found in tries if found.reset_duration is not None]
    if said := tuple(dict.fromkeys(found.said for found in tries if found.said)):
        notes += [*said[:MOST_TOLD], *((f"and {len(said) - MOST_TOLD} more such",) if len(said) > MOST_TOLD else ())]
    if backs:
        notes.append(f"back after {min(b.value for b in backs):.3f} to {max(b.value for b in backs):.3f} s")
    return tuple(notes)
