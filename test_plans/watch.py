"""What holds for every procedure on a powered unit: the bus stood, the unit did not start anew, nothing else moved.

Applied to the results of any procedure after it was evaluated, so that none can forget it. A capture in which the bus
was cut, or the unit was reset and nobody can tell by whom, proves nothing of what it was taken for.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from analysis.capture import Event
from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.verdict import Cause
from test_plans.between import bus_observation, fell_between, stood_between
from test_plans.bus_standing import bus_doubts
from test_plans.procedure import Disturbing, Evidence, Procedure
from test_plans.readings import Record
from test_plans.reset_counts import ITEM, left, left_before
from test_plans.sheets import Setup
from test_plans.signals import function_named
from test_plans.untouched import untouched_observations

POWER_UP = "power-up"
FIRST_POWERED = "power-up.quiescent"  # measured once the unit was powered
SETTLED_S = 0.25  # after a setting was changed
REPORT_LATE_S = 0.01  # a count stood as long before it was heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """The reset count went up between two reports; `captures` were taken meanwhile; `stood` says whether the bus did.

    `stood` is None where the bus was not sampled all the time between the two.
    """

    captures: tuple[str, ...]
    counted: int
    stood: bool | None


def watched(procedure: Procedure, results: Iterable[Result], evidence: Evidence, setup: Setup) -> tuple[Result, ...]:
    """Return a procedure's results with the doubts of a bus that was cut and of a unit that started anew.

    A reset while the bus stood is one more result, and a fail of the unit; so are outputs that it does not touch and
    that moved (`test_plans.untouched`). The reset count as left is kept for the procedures to come. A procedure that
    moves the bus on purpose judges bus and resets by itself.
    """
    given = tuple(results)
    if procedure.name != POWER_UP and evidence.earlier(FIRST_POWERED) is None:
        return given
    records = [Record(evidence, name) for name in evidence.names()]
    last = [count for record in records if (count := record.count(ITEM, last=True)) is not None]
    kept = tuple(left(procedure.name, count, setup) for count in last[-1:])
    cut = _cut_between(records, setup)
    idle = (
        *untouched_observations(procedure, records, setup),
        *bus_observation(procedure.name, procedure.title, records, setup),
    )
    if isinstance(procedure, Disturbing):
        return (*(_doubted(result, cut) for result in given), *idle, *kept)
    restarts = tuple(_restarts(records, evidence, setup))
    doubts = {record.name: (*cut[record.name], *_off_setting(record, setup)) for record in records}
    for restart in restarts:
        if not restart.stood:
            for name in restart.captures:
                doubts[name] = (*doubts[name], _restarted(restart))
    own = () if any(result.id == _no_reset_id(procedure) for result in given) else _no_reset(procedure, setup, restarts)
    return (*(_doubted(result, doubts) for result in (*given, *idle)), *own, *kept)


def _cut_between(records: Iterable[Record], setup: Setup) -> dict[str, tuple[Doubt, ...]]:
    """Return for every capture the doubt that the bus was cut between two captures ahead of it."""
    doubts: tuple[Doubt, ...] = ()
    found = {}
    for record in records:
        doubts = (*doubts, *fell_between(record, setup))
        found[record.name] = doubts
    return found


def _off_setting(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return the doubts about the bus where one setting was in force, at which a unit must work."""
    capture = record.capture
    if capture is None or not record.holds("unit.voltage"):
        return ()
    if any(value == "open" for _, value in record.notes("path")) or record.notes("output"):
        return ()
    begin_v = record.setting("set_voltage_v")
    changes_s = [time_s for time_s, value in record.notes("set_voltage_v") if float(value) != begin_v]
    start_s = changes_s[-1] + SETTLED_S if changes_s else 0.0
    if not record.setting("set_voltage_v", start_s + 1e-9) >= setup.unit.lowest_voltage_v:
        return ()
    return bus_doubts(record, setup, start_s) if start_s < record.duration_s else ()


def _doubted(result: Result, doubts: Mapping[str, tuple[Doubt, ...]]) -> Result:
    """Return a result with the doubts of its captures; a fault proved on such a capture is not proved.

    What could not be measured may name no capture: it rests on all of them.
    """
    if not isinstance(result, Measurement | Observation):
        return result
    found = [doubt for name in result.captures or doubts for doubt in doubts.get(name, ())]
    if not found:
        return result
    if any(doubt.cause is Cause.BENCH for doubt in result.doubts):
        found = []  # the procedure has said so itself
    weakened = (
        replace(doubt, cause=Cause.UNDECIDED) if doubt.cause is Cause.UNIT else doubt for doubt in result.doubts
    )
    return replace(result, doubts=tuple(dict.fromkeys((*found, *weakened))))


def _restarts(records: Sequence[Record], evidence: Evidence, setup: Setup) -> Iterator[Restart]:
    """Yield every rise of the reset count: within a capture, from one to the next, and since an earlier procedure.

    A count that went down was forgotten: the unit was without power in between.
    """
    before = left_before(evidence, setup)
    since: list[Record] = []  # the capture that showed `before`, if any of this procedure did, and all after it
    seen_here = False
    for record in records:
        counts = record.reports(ITEM)
        since.append(record)
        if not counts:
            continue
        first = int(counts[0].fields["count"])
        if before is not None and first > before:
            stood = _stood_since(since, setup) if seen_here else None
            if any(_fell(one, setup) for one in since):
                stood = False
            yield Restart(captures=tuple(one.name for one in since), counted=first - before, stood=stood)
        for one, other in pairwise(counts):
            counted = int(other.fields["count"]) - int(one.fields["count"])
            if counted > 0:
                yield Restart(captures=(record.name,), counted=counted, stood=_stood(record, setup, one, other))
        before, since, seen_here = int(counts[-1].fields["count"]), [record], True


def _stood_since(records: Sequence[Record], setup: Setup) -> bool | None:
    """Say whether the bus stood through these captures and between them; None where it was not sampled all the time."""
    whole = all(record.capture is not None and not record.capture.gapped() for record in records)
    return True if whole and all(stood_between(record, setup) for record in records[1:]) else None


def _stood(record: Record, setup: Setup, one: Event, other: Event) -> bool | None:
    """Say whether the bus stood high enough for the unit between two reports."""
    start_s, stop_s = max(0.0, one.time_s - REPORT_LATE_S), other.time_s
    if record.capture is None or record.capture.gapped(start_s, stop_s):
        return None
    return not _fell(record, setup, start_s, stop_s)


def _fell(record: Record, setup: Setup, start_s: float = 0.0, stop_s: float | None = None) -> bool:
    """Say whether any 5 ms mean of the bus lay below what the unit must work at."""
    volts = record.smoothed("unit.voltage", start_s, stop_s)
    return bool(volts.size) and bool(volts.min() < setup.unit.lowest_voltage_v)


def _restarted(restart: Restart) -> Doubt:
    bus = "the bus was not sampled all the time" if restart.stood is None else "the bus had fallen"
    return Doubt(
        reason=f"the unit was reset at or before {restart.captures[-1]} ({bus})",
        cause=Cause.UNDECIDED,
        next_step="run it again; where the unit is reset again, record the bus at its pins all the time",
    )


def _no_reset(procedure: Procedure, setup: Setup, restarts: tuple[Restart, ...]) -> tuple[Observation, ...]:
    """Return the finding of resets that nobody asked for; nothing where there was none."""
    if not restarts:
        return ()
    by_itself = [restart for restart in restarts if restart.stood]
    return (
        Observation(
            id=_no_reset_id(procedure),
            title=f"{procedure.title}: the unit is not reset",
            function=function_named(setup.unit, "power"),
            statement="the reset count stays as it is",
            trials=len(restarts),
            failures=len(by_itself),
            detail=f"it went up by {sum(restart.counted for restart in by_itself)} while the bus stood",
            doubts=() if by_itself else tuple(dict.fromkeys(_restarted(restart) for restart in restarts)),
            captures=tuple(dict.fromkeys(name for restart in restarts for name in restart.captures)),
            pins=(setup.unit.power_pin,),
        ),
    )


def _no_reset_id(procedure: Procedure) -> str:
    return f"{procedure.name}.no-reset"
