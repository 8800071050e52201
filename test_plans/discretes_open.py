"""Discretes with nothing at their pins: where an open line stands, and that it reads inactive and stays so.

The bench can't take its stimulus off a single pin. So the pin is driven to the level its own pull leads to, where the
stimulus carries next to no current, and loaded once; the level of the open line follows from the two. A pin that
floats would be held by the stimulus: that it does not drift is not shown, that something pulls it is.
"""

import math
from collections.abc import Iterable

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.verdict import Cause
from test_plans.conditions import number
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, discrete_needs, of_sense, pin_capture, pins_of, wake
from test_plans.discrete_reports import report_doubts
from test_plans.driving import levels_of
from test_plans.expected import worst
from test_plans.load_line import LoadLine, Stretch, expected_line, load_line
from test_plans.model_gaps import without_limit, without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
CAPTURE = "open"
HOLD_S = 10.0
LOADED_S = 0.3
SETTLE_S = 0.05


class DiscreteOpenLine:
    """Level and state of every discrete with an open line."""

    name = "discrete-open-line"
    title = "Discrete inputs: open lines"
    conditions = ("voltage_v", "current_limit_a", "hold_s")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        missing = without_reported_discretes(setup, untested="State of the discretes with open lines")
        senses = {discrete.sense for discrete in setup.unit.discretes}
        keys = (_limit(sense) for sense in Sense if sense in senses)
        return missing or without_limit(setup, *keys, of="its discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        senses = {discrete.sense for discrete in setup.unit.discretes}
        return discrete_needs(
            setup,
            _capture_need(setup),
            limits=tuple((_limit(sense), _expected(setup, sense)) for sense in Sense if sense in senses),
            untested=("drift of an open line: the stimuli can't be taken off single pins, open lines are emulated",),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Leave every pin at its open-circuit level for a while, then load it."""
        wake(rig, setup)
        discretes = setup.unit.discretes
        hold_s = _hold_s(setup)
        with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            session.wait_until(hold_s - 0.3)
            for discrete in discretes:
                session.drive(discrete.name, levels_of(discrete).active_v, at_s=hold_s)
            session.wait_until(hold_s + LOADED_S)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give level and state of every open line."""
        record = Record(evidence, CAPTURE)
        for discrete in setup.unit.discretes:
            yield self._level(record, setup, discrete)
            yield self._state(record, evidence, setup, discrete)

    def _level(self, record: Record, setup: Setup, discrete: Discrete) -> Measurement:
        found = nothing(*record.missing)
        loads = record.stimuli(discrete.name)
        if record.capture is not None and loads:
            at_s, levels = loads[0].time_s, levels_of(discrete)
            rest = Stretch(start_s=SETTLE_S, stop_s=at_s - 0.005, drive_v=levels.inactive_v)
            loaded = Stretch(start_s=at_s + SETTLE_S, stop_s=record.duration_s, drive_v=levels.active_v)
            line = load_line(record, setup.bench, discrete, rest, loaded)
            found = line.open_v if line.carries and line.follows else nothing(_unknown(discrete, line))
        elif record.capture is not None:
            reason = f"{CAPTURE}: the pins were not loaded"
            found = nothing(Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again"))
        return doubted(found, *record.gap_doubts()).measurement(
            id=f"{discrete.name}.open-voltage",
            limit=_limit(discrete.sense),
            title=f"{discrete.title}: level of its open line",
            function=function_named(setup.unit, "discretes"),
            quantity_unit="V",
            pins=(discrete.pin,),
            notes=("from two loads through the stimulus resistor, carried on to no current",),
        )

    def _state(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        loads = record.stimuli(discrete.name)
        until_s = loads[0].time_s if loads else math.inf
        shown = [event for event in record.reports(discrete.report) if event.time_s < until_s]
        states = {bool(event.fields["state"]) for event in shown}
        moved = int(shown[-1].fields["counter"]) - int(shown[0].fields["counter"]) if shown else 0
        return Observation(
            id=f"{discrete.name}.open-inactive",
            title=f"{discrete.title}: inactive with its line open",
            function=function_named(setup.unit, "discretes"),
            statement="it is reported inactive all the time, and its change counter stays",
            trials=int(bool(shown)),
            failures=int(True in states or moved != 0),
            detail=f"reported active: {'yes' if True in states else 'no'}, change counter moved by {moved}",
            doubts=report_doubts(record, evidence, setup, discrete),
            captures=record.names,
            pins=(discrete.pin,),
            notes=(f"watched for {min(until_s, record.duration_s):.0f} s; an open line emulated, not unplugged",),
        )


def _unknown(discrete: Discrete, line: LoadLine) -> Doubt:
    what = "carries no current that could be told from none" if line.follows else "does not follow its stimulus"
    return Doubt(
        reason=f"pin {discrete.pin} {what}: where it stands alone can't be said",
        cause=Cause.UNDECIDED,
        next_step="see discrete-levels: pull-up current, and whether the line is sound without the unit",
        pin="" if line.follows else discrete.pin,
    )


def _limit(sense: Sense) -> str:
    return f"{sense.level}-open-voltage"


def _expected(setup: Setup, sense: Sense) -> float:
    """Return the worst uncertainty of an open line's level among the discretes of one kind."""
    levels = ((discrete, levels_of(discrete)) for discrete in of_sense(setup, sense))
    return worst(
        *(expected_line(setup, discrete, (level.inactive_v, level.active_v)).open_v for discrete, level in levels)
    )


def _hold_s(setup: Setup) -> float:
    return max(REPORTED_S, number(setup, "hold_s", HOLD_S))


def _capture_need(setup: Setup) -> CaptureNeed:
    duration_s = _hold_s(setup) + LOADED_S
    return pin_capture(CAPTURE, setup.unit.discretes, sample_rate_hz=RATE_HZ, duration_s=duration_s)
