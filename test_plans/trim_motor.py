"""Trim outputs with their motors: start without a trip, braked to a stop, and one direction after the other.

The motor is the bench's, so each start first tells which motor stands there. Where that is not the one of the bench
sheet, nothing seen on it is the unit's, except that it stopped a start which was within its ratings.
A shoot-through shorter than a sample is not seen; a pause between the directions that lasts is what keeps it away.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate
from analysis.verdict import Cause
from test_plans.bench_observation import bench_observation
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import load_of, reading, typical, worst
from test_plans.model_gaps import without_limit, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import PromptAction, Rig
from test_plans.sampled_time import interval, interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import MOTOR, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import RUN_PATH, axis_functions
from test_plans.trim_drive import axis_observation, of_seat, opposite_of
from test_plans.trim_motor_readings import (
    RUNNING_S,
    Known,
    Run,
    first_driven_s,
    inertia_of,
    known_by,
    load_doubts,
    peak,
    run_of,
    stop_time,
    stopped_after,
)
from test_plans.trim_switches import duty_doubts, line_doubts, seat_words, switch_id

RATE_HZ = 20_000.0
HOLD_S = 0.35
PAUSE_S = 0.35
REVERSED_S = 0.30  # each direction of a reversal
PEAK_S = 0.1  # after the reversal the worst is over
CONDITION = "motor"
LIMITS = ("trim-stop-time", "trim-reversal-gap", "trim-reversal-current", "trim-reversal-voltage")


class TrimMotor:
    """Start, stop and reversal of every motor."""

    name = "trim-motor"
    title = "Trim outputs with their motors: start, stop, reversal"
    conditions = ("voltage_v", "current_limit_a", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup) or without_limit(setup, *LIMITS)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures per axis, and its motor."""
        axes, volts, highest_a = axes_under_test(setup), bus_voltage_v(setup), conforming_a(setup, CONDITION)
        captures = tuple(
            CaptureNeed(
                name=name,
                signals=_signals(axis),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=duration_s,
                highest_v={"unit.voltage": volts + 1.0, voltage_signal(axis.name): volts}
                | dict.fromkeys((f"{axis.name}.current", "unit.current.high"), highest_a),
            )
            for axis in axes
            for name, duration_s in ((axis.name, _duration_s(axis)), (_reversal(axis), _REVERSAL_S))
        )
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + 2.0,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=highest_a,
            current_limit_a=current_limit_a(setup, CONDITION, 7.0),
            loads=tuple((axis.name, MOTOR) for axis in axes),
            load_current_a=highest_a,
            switches=tuple(switch.name for axis in axes for switch in axis.switches),
            paths=RUN_PATH,
            bus=True,
            limits=(
                ("trim-stop-time", stopped_after(0.0, RATE_HZ, "expected").standard_uncertainty),
                ("trim-reversal-gap", _expected_gap(setup)),
                (
                    "trim-reversal-current",
                    worst(reading(setup, "unit.current.high", conforming_a(setup, CONDITION), samples=1)),
                ),
                ("trim-reversal-voltage", worst(reading(setup, "unit.voltage", volts, samples=1))),
            ),
            untested=(
                "which way the motors themselves turn: polarity is judged at the unit's pins",
                *(
                    f"{axis.title}: current of its motor held still: worked out from the resistance of motor and bridge"
                    for axis in axes
                    if not load_of(setup, axis.name, MOTOR).braked
                ),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Press each switch once from rest, then one direction upon the other."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 7.0))
        axes = axes_under_test(setup)
        rig.ask(
            PromptAction.CONFIRM,
            f"The motors of {', '.join(axis.name for axis in axes)} will run now: keep hands and cables off them.",
        )
        for axis in axes:
            apply_loads(rig, [(axis.name, MOTOR)])
            _press(rig, setup, axis, axis.name, _presses(axis))
            _press(rig, setup, axis, _reversal(axis), _reversals(axis))
            drop_loads(rig, [axis.name])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give which motor stands there, then start and stop of every switch, and both reversals of the first seat."""
        for axis in axes_under_test(setup):
            seen = _Seen.of(Record(evidence, axis.name), setup, axis)
            yield from seen.which_motor()
            for switch in axis.switches:
                yield seen.starts(switch)
                yield from seen.currents(switch)
                yield seen.stops(switch)
            yield from _reversal_results(Record(evidence, _reversal(axis)), seen)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What the presses of one axis showed, by switch; `motor` says why that tells nothing of the unit."""

    record: Record
    setup: Setup
    axis: TrimAxis
    runs: Mapping[str, Run | None]
    known: Mapping[str, Known]
    motor: tuple[Doubt, ...]

    @classmethod
    def of(cls, record: Record, setup: Setup, axis: TrimAxis) -> Self:
        """Return what a capture shows."""
        runs = {switch.name: run_of(record, axis, switch) for switch in axis.switches}
        known = {switch.name: known_by(record, setup, axis, runs[switch.name]) for switch in axis.switches}
        motor = load_doubts(axis, known.values())
        return cls(record=record, setup=setup, axis=axis, runs=runs, known=known, motor=motor)

    def which_motor(self) -> Iterator[Result]:
        """Yield whether the motor is the bench sheet's, and its figures from the first start that told them."""
        axis, everything = self.axis, tuple(self.known.values())
        told = [entry.figures for entry in everything if entry.figures is not None]
        wrong = next((entry.wrong for entry in everything if entry.wrong), ())
        yield bench_observation(
            f"{axis.name}.motor",
            f"Bench: the motor of {axis.name} is the one of the bench sheet",
            "its start shows the resistance, time constant and back-EMF that the sheet states",
            wrong=wrong,
            tried=bool(told or wrong),
            captures=self.record.names,
            doubts=() if told or wrong else (*self.record.missing, *self.motor),
            notes=(f"{len(told)} of {len(everything)} starts told of it",),
        )
        facts, untold = self.setup.bench.loads[axis.name][MOTOR].motor, nothing(*self.record.missing, *self.motor)
        constant = told[0].constant_v_s(inertia_of(facts, axis)) if told and facts is not None else untold
        for what, title, unit, estimate in (
            ("resistance", "resistance", "ohm", told[0].resistance_ohm if told else untold),
            ("time-constant", "electrical time constant", "s", told[0].electrical_s if told else untold),
            ("back-emf", "back-EMF constant, with the inertia of its sheet", "V s", constant),
        ):
            yield estimate.measurement(
                id=f"{axis.name}.motor-{what}",
                limit="",
                title=f"Bench: motor of {axis.name}, {title}",
                function="",
                quantity_unit=unit,
            )

    def starts(self, switch: TrimSwitch) -> Observation:
        """Return whether a start drove on until its switch was released.

        One that was stopped inside the ratings is the unit's fault whatever motor stands there.
        """
        rules, run = self.setup.unit.trim_rules, self.runs[switch.name]
        said, inside, allowed = "", False, ""
        if run is None:
            said = f"{switch.name} did not drive"
        elif run.tripped:
            lasted_s, most_a = run.ended_s - run.started_s, self._start_peak(run).value
            inside = rules is not None and most_a <= rules.start_current_a and lasted_s <= rules.start_s
            said = f"stopped {1000.0 * lasted_s:.1f} ms after it began, at most {most_a:.2f} A flowing"
        if rules is not None:
            allowed = f", which may take {rules.start_current_a:g} A for {1000.0 * rules.start_s:.0f} ms"
        doubts = self._doubts(run, (voltage_signal(self.axis.name),), HOLD_S)
        return axis_observation(
            self.axis,
            self.record,
            id_=switch_id(switch, "motor-starts"),
            title=f"{seat_words(switch)}: starts its motor",
            statement=f"drives until its switch is released{allowed}",
            tried=() if self.record.capture is None else (said,),
            doubts=doubts if inside else (*doubts, *self.motor),
        )

    def currents(self, switch: TrimSwitch) -> Iterator[Measurement]:
        """Yield the motor's currents: the largest of the start, running, and held still."""
        run, undriven = self.runs[switch.name], self.undriven(switch)
        stall_a = self.known[switch.name].stall_a
        doubts = (*self._doubts(run, _signals(self.axis)[-2:], HOLD_S), *self.motor)
        for what, title, found in (
            ("start-current", "largest current of the start", undriven if run is None else self._start_peak(run)),
            ("running-current", "current while the motor runs", undriven if run is None else run.running_a),
            (
                "stall-current",
                "current of the motor held still, from its resistance",
                undriven if math.isnan(stall_a.value) else stall_a,
            ),
        ):
            yield doubted(found, *doubts).measurement(
                id=switch_id(switch, what),
                limit="",
                title=f"{self.axis.title} {seat_words(switch)}: {title}",
                function=self.axis.function,
                quantity_unit="A",
                pins=(self.axis.plus_pin, self.axis.minus_pin),
            )

    def stops(self, switch: TrimSwitch) -> Measurement:
        """Return how long the motor turned on."""
        run, found, stopped = self.runs[switch.name], self.undriven(switch), True
        starts = (self.known[switch.name], *self.known.values())
        figures = next((entry.figures for entry in starts if entry.figures is not None), None)
        if run is not None and figures is not None and not run.tripped:
            until_s = run.held.released_s + PAUSE_S - 0.01
            found, stopped = stop_time(self.record, self.axis, run, figures, until_s)
        doubts = (*self._doubts(run, _signals(self.axis)[-2:], RUNNING_S, PAUSE_S - 0.01), *self.motor)
        return doubted(found, *doubts).measurement(
            id=switch_id(switch, "stop-time"),
            limit="trim-stop-time",
            title=f"{self.axis.title} {seat_words(switch)}: motor stopped after",
            function=self.axis.function,
            quantity_unit="s",
            pins=(self.axis.plus_pin, self.axis.minus_pin),
            notes=() if stopped else ("it still turned when the capture ended",),
        )

    def undriven(self, switch: TrimSwitch) -> Estimate:
        """Return no figure, because nothing drove."""
        return _undriven(self.record, self.axis, switch)

    def _doubts(
        self, run: Run | None, signals: Sequence[str], before_s: float, after_s: float = 0.0
    ) -> tuple[Doubt, ...]:
        """Return the doubts of a press, and of signals from so long before its release to so long after it."""
        if run is None:
            return self.record.missing
        span = (run.held.released_s - before_s, run.held.released_s + after_s)
        return (*_press_doubts(self.record, self.setup, self.axis, run), *self.record.doubts(signals, *span))

    def _start_peak(self, run: Run) -> Estimate:
        sign = run.held.switch.polarity
        return peak(self.record, f"{self.axis.name}.current", run.started_s, run.held.released_s, sign=sign)


def _reversal_results(record: Record, seen: _Seen) -> Iterator[Result]:
    """Yield gap, current and voltage of each reversal."""
    axis = seen.axis
    for position, (before, after) in enumerate(pairwise(_reversal_order(axis))):
        run = run_of(record, axis, before, nth=position // 2)
        doubts = (*(record.missing if run is None else _press_doubts(record, seen.setup, axis, run)), *seen.motor)
        gap = current = voltage = _undriven(record, axis, before)
        if run is not None:
            on_s = first_driven_s(record, axis, after.polarity, run.held.released_s)
            spikes = (run.held.released_s, run.held.released_s + PEAK_S)
            current, voltage = (peak(record, signal, *spikes) for signal in ("unit.current.high", "unit.voltage"))
            if on_s is not None and not run.tripped and math.isfinite(run.ended_s):
                moved = record.doubts((voltage_signal(axis.name),), run.held.pressed_s, on_s)
                gap = doubted(interval_in(record, on_s - run.ended_s), *moved)
        for what, title, unit, found in (
            ("reversal-gap", "pause before it drives this way", "s", gap),
            ("reversal-current", "largest current of the unit at the reversal", "A", current),
            ("reversal-voltage", "largest voltage at its pins at the reversal", "V", voltage),
        ):
            yield doubted(found, *doubts).measurement(
                id=switch_id(after, what),
                limit=f"trim-{what}",
                title=f"{axis.title} {seat_words(after)} upon {before.direction}: {title}",
                function=axis.function,
                quantity_unit=unit,
                pins=(axis.plus_pin, axis.minus_pin),
            )


def _expected_gap(setup: Setup) -> float:
    gap_s, clock_bound = typical(setup, "trim-reversal-gap"), setup.bench.clock_bound
    return interval(gap_s, sample_rate_hz=RATE_HZ, clock_bound=clock_bound).standard_uncertainty


def _press_doubts(record: Record, setup: Setup, axis: TrimAxis, run: Run) -> tuple[Doubt, ...]:
    """Return why a press says nothing: its line open, airspeed or supply amiss."""
    held = run.held
    found = [
        *line_doubts(record, held),
        *supply_doubts(record, setup, CONDITION, held.pressed_s, held.released_s + PEAK_S),
    ]
    if not run.tripped:
        full_kt = setup.unit.full_trim_airspeed_kt
        found.extend(duty_doubts(record, axis, run.started_s + 0.001, held.released_s, full_airspeed_kt=full_kt))
    return tuple(dict.fromkeys(found))


def _undriven(record: Record, axis: TrimAxis, switch: TrimSwitch) -> Estimate:
    if record.capture is None:
        return nothing(*record.missing)
    reason = f"{record.name}: {switch.name} did not drive {axis.title} until it was released"
    step = "see whether it starts its motor, and trim-light"
    return nothing(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))


def _press(rig: Rig, setup: Setup, axis: TrimAxis, name: str, touches: Iterable[Touch]) -> None:
    lines = trim_lines(setup.unit)
    with rig.capture(name, _signals(axis), sample_rate_hz=RATE_HZ, lines=lines) as session:
        play_touches(session, touches)
        session.wait_until(_duration_s(axis) if name == axis.name else _REVERSAL_S)


def _presses(axis: TrimAxis) -> tuple[Touch, ...]:
    return in_turn((switch.name for switch in axis.switches), first_s=LEAD_S, hold_s=HOLD_S, pause_s=PAUSE_S)


def _reversal_order(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return the switches of a reversal there and back; none where the first seat has but one direction."""
    first = of_seat(axis, axis.switches[0].seat)[0]
    other = opposite_of(axis, first)
    return () if other is None else (first, other, first)


def _reversals(axis: TrimAxis) -> tuple[Touch, ...]:
    return in_turn((switch.name for switch in _reversal_order(axis)), first_s=LEAD_S, hold_s=REVERSED_S, pause_s=0.0)


def _signals(axis: TrimAxis) -> tuple[str, ...]:
    return ("unit.voltage", "unit.current", "unit.current.high", voltage_signal(axis.name), f"{axis.name}.current")


def _reversal(axis: TrimAxis) -> str:
    return f"{axis.name}.reversal"


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + len(axis.switches) * (HOLD_S + PAUSE_S)


_REVERSAL_S = LEAD_S + 3.0 * REVERSED_S + PAUSE_S
