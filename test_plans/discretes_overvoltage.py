"""Active-high discretes at the highest level there is: what they draw, that they read active, and let go after it.

They must bear what the bus does. The stimuli and the pins' inputs end at 10 V, so they get just less unless the step
says otherwise; the rest of the way to what the unit survives is listed as not tested.
"""

from collections.abc import Iterable

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, scaled
from analysis.verdict import Cause
from test_plans.conditions import number
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, discrete_needs, of_sense, pin_capture, pins_of, wake
from test_plans.discrete_reports import report_doubts, state_at
from test_plans.driving import LEAD_S, levels_of
from test_plans.held_pins import held_doubts, isolate_held_pins, reach_doubts, series_doubt
from test_plans.load_line import Stretch, current_at
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
CAPTURE = "high-level"
HOLD_S = 60.0
HIGHEST_V = 9.9  # of the stimuli's 10 V: beyond it an unloaded pin would clip at its input
LAST_S = 1.0  # the current is read over the last second of it
AFTER_S = 0.2
CHECK_S = 0.1
LIMIT = "high-input-current"


class DiscreteOvervoltage:
    """Input current and state of every active-high discrete at the highest level."""

    name = "discrete-overvoltage"
    title = "Active-high discretes at their highest level"

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        missing = without_reported_discretes(setup, untested="Active-high discretes at their highest level")
        if missing is None and not _group(setup):
            return NotForModel(reason=f"model {setup.unit.model} has no active-high discrete")
        return missing

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture, and what lies beyond the stimuli."""
        level_v, survives_v = _level_v(setup), setup.unit.survives_voltage_v
        beyond = f"active-high discretes above {level_v:g} V, where the stimuli end; they must bear {survives_v:g} V"
        return discrete_needs(
            setup,
            _capture_need(setup),
            limits=((LIMIT, 12e-6),),
            stimulus_v=level_v,
            untested=(beyond,) if level_v < survives_v else (),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold every active-high input at the level, then let go."""
        wake(rig, setup)
        group, until_s = _group(setup), _until_s(setup)
        with rig.capture(CAPTURE, pins_of(group), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            for discrete in group:
                session.drive(discrete.name, _level_v(setup), at_s=LEAD_S)
            session.wait_until(until_s - 0.3)
            for discrete in group:
                session.drive(discrete.name, levels_of(discrete).inactive_v, at_s=until_s)
            session.wait_until(until_s + AFTER_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow again, with the unit unplugged."""
        if not isolate_held_pins(rig, setup, evidence, CAPTURE):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give current and state of every active-high input."""
        record = Record(evidence, CAPTURE)
        for discrete in _group(setup):
            yield self._current(record, evidence, setup, discrete)
            yield self._state(record, evidence, setup, discrete)

    def _current(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Measurement:
        found = nothing(*record.missing)
        driven = record.stimuli(discrete.name)
        if len(driven) > 1:
            last = Stretch(start_s=driven[1].time_s - LAST_S, stop_s=driven[1].time_s - 0.005, drive_v=driven[0].value)
            _, given_a = current_at(record, setup.bench, discrete, last)
            found = scaled(given_a, -1.0)  # what the input takes
        elif record.capture is not None:
            found = nothing(_cut_short())
        held = held_doubts(evidence, setup, discrete, CAPTURE)
        return doubted(found, *(held or _line_doubts(setup, discrete, found))).measurement(
            id=f"{discrete.name}.input-current",
            limit=LIMIT,
            title=f"{discrete.title}: current it takes at {_level_v(setup):g} V",
            function=function_named(setup.unit, "discretes"),
            quantity_unit="A",
            pins=(discrete.pin,),
            notes=(f"after {_until_s(setup) - LEAD_S:.0f} s; {_level_v(setup):g} V behind the stimulus resistor",),
        )

    def _state(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        reports, driven = record.reports(discrete.report), record.stimuli(discrete.name)
        wrong = []
        if len(driven) > 1:
            on_s, off_s = driven[0].time_s + CHECK_S, driven[1].time_s
            within = [bool(event.fields["state"]) for event in reports if on_s <= event.time_s < off_s]
            wrong += ["not active throughout"] if not within or not all(within) else []
            wrong += ["still active after it"] if state_at(reports, off_s + CHECK_S) is not False else []
        return Observation(
            id=f"{discrete.name}.high-level",
            title=f"{discrete.title}: active at {_level_v(setup):g} V and inactive after it",
            function=function_named(setup.unit, "discretes"),
            statement="it is reported active as long as the level stands, and inactive afterwards",
            trials=int(len(driven) > 1),
            failures=int(bool(wrong)),
            detail="; ".join(wrong),
            doubts=(
                *report_doubts(record, evidence, setup, discrete),
                *held_doubts(evidence, setup, discrete, CAPTURE),
                *reach_doubts(record, setup, discrete),
            ),
            captures=record.names,
            pins=(discrete.pin,),
        )


def _group(setup: Setup) -> tuple[Discrete, ...]:
    return of_sense(setup, Sense.ACTIVE_HIGH)


def _line_doubts(setup: Setup, discrete: Discrete, found: Estimate) -> tuple[Doubt, ...]:
    """Return the doubt that a current too high is the line's: with more resistance in it, it reads as more current."""
    if not found.value > setup.unit.limits[LIMIT].high:
        return ()
    return (series_doubt(discrete, f"pin {discrete.pin} takes {1000.0 * found.value:.2f} mA"),)


def _level_v(setup: Setup) -> float:
    return number(setup, "level_v", min(HIGHEST_V, setup.unit.survives_voltage_v))


def _until_s(setup: Setup) -> float:
    return LEAD_S + max(REPORTED_S + LAST_S, number(setup, "hold_s", HOLD_S))


def _capture_need(setup: Setup) -> CaptureNeed:
    return pin_capture(
        CAPTURE,
        _group(setup),
        sample_rate_hz=RATE_HZ,
        duration_s=_until_s(setup) + AFTER_S,
        highest_v=_level_v(setup),
    )


def _cut_short() -> Doubt:
    return Doubt(reason=f"{CAPTURE}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
