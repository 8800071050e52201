"""Outputs whose function a procedure does not touch: sampled beside what it samples itself, and idle all the time.

Nobody may forget an output because no procedure tests it: one that comes on by itself is the unit's, whatever is being
tested meanwhile. The bench adds the signals to every capture that is slow enough to have room for them, and notes in
the capture's settings which those are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from analysis.capture import Capture
from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.bench_channels import unproved
from test_plans.between import between, closed_between, moved_between
from test_plans.idle import idle_doubts, idle_statement, moved_outputs
from test_plans.procedure import Procedure
from test_plans.readings import Record
from test_plans.sheets import Setup
from test_plans.signals import idle_outputs, output_facts, voltage_signal
from test_plans.switch_lines import watched_lines

SETTING = "watched_signals"  # of a capture: the signals that the bench added, with commas between
HIGHEST_RATE_HZ = 5000.0  # of a capture that has room for them


@dataclass(frozen=True, slots=True, kw_only=True)
class Alongside:
    """What is sampled beside a procedure's own signals and lines."""

    signals: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()


NOTHING_BESIDE = Alongside()


def alongside(procedure: Procedure, setup: Setup) -> Alongside:
    """Return the outputs that a procedure does not touch, and what commands them: rheostats and switch lines."""
    outputs = untouched_outputs(procedure, setup)
    if not outputs:
        return NOTHING_BESIDE
    wipers = tuple(voltage_signal(rheostat.name) for rheostat in setup.unit.rheostats)
    return Alongside(signals=(*map(voltage_signal, outputs), *wipers), lines=watched_lines(setup.unit))


def untouched_id(procedure: str) -> str:
    """Return the id of the finding about the outputs that a procedure does not touch."""
    return f"{procedure}.untouched-idle"


def untouched_outputs(procedure: Procedure, setup: Setup) -> tuple[str, ...]:
    """Return every output that must stay idle: neither its function is touched nor what commands it worked.

    None where a procedure touches no function of the unit: it looks at the bench.
    """
    touched, unit = procedure.functions(setup), setup.unit
    if not touched:
        return ()
    needs = procedure.needs(setup)
    driven = {axis.name for axis in unit.trims if any(switch.name in needs.switches for switch in axis.switches)}
    if any(rheostat.name in needs.stimuli for rheostat in unit.rheostats):
        driven |= {dimmer.name for dimmer in unit.dimming}
    return tuple(
        name for name in idle_outputs(unit) if name not in driven and output_facts(unit, name)[0] not in touched
    )


def untouched_observations(procedure: Procedure, records: Sequence[Record], setup: Setup) -> tuple[Observation, ...]:
    """Return whether the untouched outputs stayed idle wherever they were sampled; nothing where they never were.

    That is in every capture to which they were added, and between captures. A capture that is too fast for more, or
    holds every output by itself, is judged by whoever took it.
    """
    looked = [record for record in records if _added_signals(record) or between(record)]
    outputs = untouched_outputs(procedure, setup) if looked else ()
    if not outputs:
        return ()
    watched = {record: names for record in looked if (names := _added(record, outputs))}
    moved = {record: moved_outputs(record, setup, names) for record, names in watched.items()}
    doubts = [doubt for record, names in watched.items() for doubt in idle_doubts(record, setup, names)]
    said = [f"{record.name}: {', '.join(words)}" for record, words in moved.items() if words]
    for record in looked:
        if words := _moved_between(record, setup, outputs):
            said.append(f"before {record.name}: {', '.join(words)}")
            doubts.extend(_commanded_between(record, setup))
    return (
        Observation(
            id=untouched_id(procedure.name),
            title=f"{procedure.title}: moves nothing that it does not touch",
            function=next(iter(procedure.functions(setup)), output_facts(setup.unit, outputs[0])[0]),
            statement=idle_statement(setup, len(outputs)),
            trials=1,  # the captures are no repeats of each other
            failures=int(bool(said)),
            detail="; ".join(said),
            source=setup.unit.limits["idle-output"].quoted,
            doubts=tuple(dict.fromkeys(doubts)),
            captures=tuple(record.name for record in looked),
            pins=tuple(pin for name in outputs for pin in output_facts(setup.unit, name)[2]),
            notes=unproved(setup, outputs),
        ),
    )


def _added(record: Record, outputs: Sequence[str]) -> tuple[str, ...]:
    """Return which of these outputs the bench added to a capture."""
    added = _added_signals(record)
    return tuple(name for name in outputs if voltage_signal(name) in added)


def _added_signals(record: Record) -> tuple[str, ...]:
    return () if record.capture is None else added_signals(record.capture)


def added_signals(capture: Capture) -> tuple[str, ...]:
    """Return the signals that the bench added to a capture: only the finding about untouched outputs rests on them."""
    return tuple(filter(None, str(capture.settings.get(SETTING, "")).split(",")))


def _moved_between(record: Record, setup: Setup, outputs: Sequence[str]) -> tuple[str, ...]:
    """Return in words which of these outputs moved before a capture, while none ran."""
    limit = setup.unit.limits["idle-output"]
    titles = {voltage_signal(name): output_facts(setup.unit, name)[1] for name in outputs}
    moved = moved_between(record, titles, limit.low, limit.high)
    return tuple(f"{titles[signal]} at {value:.2f} V" for signal, value in moved.items())


def _commanded_between(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return the doubt that a line which commands outputs was not at rest before a capture, while none ran."""
    unit = setup.unit
    lit_from = min((dimmer.off_below for dimmer in unit.dimming), default=1.0)
    lifted = [
        rheostat.name
        for rheostat in unit.rheostats
        if moved_between(record, (voltage_signal(rheostat.name),), -inf, lit_from * rheostat.full_travel_v)
    ]
    lines = (*closed_between(record), *lifted)
    if not lines:
        return ()
    return (
        Doubt(
            reason=f"before {record.name}: {', '.join(lines)} was not at rest",
            cause=Cause.UNDECIDED,
            next_step="unplug the unit and read the line again (bench-check): still there, it is the bench's",
        ),
    )
