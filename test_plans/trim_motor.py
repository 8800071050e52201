"""Trim outputs with their motors: start without a trip, braked to a stop, and one direction after the other.

The motor is the bench's, so each start first tells which motor stands there. Where that is not the one of the bench
sheet, nothing seen on it is the unit's, except that it stopped a start which was within its ratings.
A shoot-through shorter than a sample is not seen; a pause between the directions that lasts is what keeps it away.
"""

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import (
    LEAD_S,
    Action,
    apply_loads,
    axes_under_test,
    bring_up,
    drop_loads,
    play,
    press_at,
    release_at,
)
from test_plans.expected import reading, worst
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, bench_observation, doubted, nothing, supply_doubts
from test_plans.rig import PromptAction, Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import MOTOR, voltage_signal
from test_plans.switch_lines import watched_lines
from test_plans.trim_drive import axis_functions, axis_observation, of_seat, opposite_of
from test_plans.trim_motor_readings import (
    Known,
    Run,
    first_driven_s,
    inertia_of,
    known_by,
    load_doubts,
    peak,
    run_of,
    stop_time,
)
from test_plans.trim_switches import RUN_PATH, duty_doubts, line_doubts, seat_words, switch_id

RATE_HZ = 20_000.0
HOLD_S = 0.35
PAUSE_S = 0.35
REVERSED_S = 0.30  # each direction of a reversal
PEAK_S = 0.1  # after the reversal the worst is over
CONDITION = "motor"


class TrimMotor:
    """Start, stop and reversal of every motor."""

    name = "trim-motor"
    title = "Trim outputs with their motors: start, stop, reversal"

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures per axis, and its motor."""
        axes, volts = axes_under_test(setup), bus_voltage_v(setup)
        captures = tuple(
            CaptureNeed(
                name=name,
                signals=_signals(axis),
                lines=watched_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=duration_s,
                highest_v={"unit.voltage": volts + 1.0, voltage_signal(axis.name): volts}
                | {
                    f"{axis.name}.current": conforming_a(setup, CONDITION),
                    "unit.current.high": conforming_a(setup, CONDITION),
                },
            )
            for axis in axes
            for name, duration_s in ((axis.name, _duration_s(axis)), (_reversal(axis), _REVERSAL_S))
        )
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + 2.0,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=current_limit_a(setup, CONDITION, 7.0),
            loads=tuple((axis.name, MOTOR) for axis in axes),
            load_current_a=conforming_a(setup, CONDITION),
            switches=tuple(switch.name for axis in axes for switch in axis.switches),
            paths=RUN_PATH,
            bus=True,
            limits=(
                ("trim-stop-time", 0.001),
                ("trim-reversal-gap", 1.0 / RATE_HZ),
                (
                    "trim-reversal-current",
                    worst(reading(setup, "unit.current.high", conforming_a(setup, CONDITION), samples=1)),
                ),
                ("trim-reversal-voltage", worst(reading(setup, "unit.voltage", volts, samples=1))),
            ),
            untested=("which way the motors themselves turn: polarity is judged at the unit's pins",),
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
            _press(rig, setup, axis, axis.name, _presses(axis), _duration_s(axis))
            _press(rig, setup, axis, _reversal(axis), _reversals(axis), _REVERSAL_S)
            drop_loads(rig, [axis.name])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give which motor stands there, then start and stop of every switch, and both reversals of the first seat."""
        for axis in axes_under_test(setup):
            record = Record(evidence, axis.name)
            runs = {switch.name: run_of(record, axis, switch) for switch in axis.switches}
            known = {switch.name: known_by(record, setup, axis, runs[switch.name], switch) for switch in axis.switches}
            motor = load_doubts(axis, known.values())
            yield from _which_motor(record, setup, axis, known.values())
            for switch in axis.switches:
                yield from _switch_results(record, setup, axis, switch, runs[switch.name], known, motor)
            yield from _reversal_results(Record(evidence, _reversal(axis)), setup, axis, motor)


def _which_motor(record: Record, setup: Setup, axis: TrimAxis, known: Iterable[Known]) -> Iterator[Result]:
    everything = tuple(known)
    told = [entry.figures for entry in everything if entry.figures is not None]
    wrong = tuple(dict.fromkeys(words for entry in everything for words in entry.wrong))
    yield bench_observation(
        f"{axis.name}.motor",
        f"Bench: the motor of {axis.name} is the one of the bench sheet",
        "its start shows the resistance, time constant and back-EMF that the sheet states",
        wrong=wrong,
        tried=bool(told or wrong),
        captures=record.names,
        doubts=() if told or wrong else load_doubts(axis, everything),
        notes=(f"{len(told)} of {len(everything)} starts told of it",),
    )
    facts = setup.bench.loads[axis.name][MOTOR].motor
    figures = told[0] if told else None
    for what, title, unit, estimate in (
        ("resistance", "resistance", "ohm", figures and figures.resistance_ohm),
        ("time-constant", "electrical time constant", "s", figures and figures.electrical_s),
        (
            "back-emf",
            "back-EMF constant, with the inertia of its sheet",
            "V s",
            figures and facts and figures.constant_v_s(inertia_of(facts, axis)),
        ),
    ):
        found = estimate or nothing(*load_doubts(axis, everything))
        yield doubted(found, *record.missing).measurement(
            id=f"{axis.name}.motor-{what}",
            limit="",
            title=f"Bench: motor of {axis.name}, {title}",
            function="",
            quantity_unit=unit,
        )


def _switch_results(
    record: Record,
    setup: Setup,
    axis: TrimAxis,
    switch: TrimSwitch,
    run: Run | None,
    known: dict[str, Known],
    motor: tuple[Doubt, ...],
) -> Iterator[Result]:
    doubts = _stretch_doubts(record, setup, axis, run)
    yield _starts(record, setup, axis, switch, run, (*doubts, *motor), doubts)
    words = f"{axis.title} {seat_words(switch)}"
    told = known[switch.name]
    for what, title, found in (
        ("start-current", "largest current of the start", None if run is None else _start_peak(record, axis, run)),
        ("running-current", "current while the motor runs", None if run is None else run.running_a),
        ("stall-current", "current of the motor held still, from its resistance", told.stall_a),
    ):
        yield doubted(found or _undriven(record, axis, switch), *doubts, *motor).measurement(
            id=switch_id(switch, what),
            limit="",
            title=f"{words}: {title}",
            function=axis.function,
            quantity_unit="A",
            pins=(axis.plus_pin, axis.minus_pin),
        )
    yield _stops(record, axis, switch, run, known, (*doubts, *motor))


def _starts(
    record: Record,
    setup: Setup,
    axis: TrimAxis,
    switch: TrimSwitch,
    run: Run | None,
    doubts: tuple[Doubt, ...],
    without_motor: tuple[Doubt, ...],
) -> Observation:
    """Return whether a start drove on until its switch was released.

    One that was stopped inside the ratings is the unit's fault whatever motor stands there.
    """
    rules = setup.unit.trim_rules
    said, inside = "", False
    if run is None:
        said = f"{switch.name} did not drive"
    elif run.tripped:
        lasted_s = run.ended_s - run.started_s
        most = _start_peak(record, axis, run).value
        inside = rules is not None and most <= rules.start_current_a and lasted_s <= rules.start_s
        said = f"stopped {1000.0 * lasted_s:.1f} ms after it began, at most {most:.2f} A flowing"
    allowed = (
        "" if rules is None else f", which may take {rules.start_current_a:g} A for {1000.0 * rules.start_s:.0f} ms"
    )
    return axis_observation(
        axis,
        record,
        id_=switch_id(switch, "motor-starts"),
        title=f"{seat_words(switch)}: starts its motor",
        statement=f"drives until its switch is released{allowed}",
        tried=() if record.capture is None else (said,),
        doubts=without_motor if inside else doubts,
    )


def _stops(
    record: Record,
    axis: TrimAxis,
    switch: TrimSwitch,
    run: Run | None,
    known: dict[str, Known],
    doubts: tuple[Doubt, ...],
) -> Measurement:
    figures = next(
        (entry.figures for entry in (known[switch.name], *known.values()) if entry.figures is not None), None
    )
    found, stopped = _undriven(record, axis, switch), True
    if run is not None and figures is not None and not run.tripped:
        found, stopped = stop_time(record, axis, run, figures, run.held.released_s + PAUSE_S - 0.01)
    return doubted(found, *doubts).measurement(
        id=switch_id(switch, "stop-time"),
        limit="trim-stop-time",
        title=f"{axis.title} {seat_words(switch)}: motor stopped after",
        function=axis.function,
        quantity_unit="s",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=() if stopped else ("it still turned when the capture ended",),
    )


def _reversal_results(record: Record, setup: Setup, axis: TrimAxis, motor: tuple[Doubt, ...]) -> Iterator[Result]:
    """Yield gap, current and voltage of each reversal."""
    order = _reversal_order(axis)
    for position, (before, after) in enumerate(pairwise(order)):
        run = run_of(record, axis, before, nth=position // 2)
        on_s = None if run is None else first_driven_s(record, axis, after.polarity, run.held.released_s)
        doubts = (*_stretch_doubts(record, setup, axis, run), *motor)
        spans = None if run is None else (run.held.released_s, run.held.released_s + PEAK_S)
        gap = _undriven(record, axis, before)
        if run is not None and on_s is not None and not run.tripped and math.isfinite(run.ended_s):
            gap = _gap(record, on_s - run.ended_s, after)
        absent = _undriven(record, axis, before)
        for what, limit, title, unit, found in (
            ("reversal-gap", "trim-reversal-gap", "pause before it drives this way", "s", gap),
            (
                "reversal-current",
                "trim-reversal-current",
                "largest current of the unit at the reversal",
                "A",
                absent if spans is None else peak(record, "unit.current.high", *spans),
            ),
            (
                "reversal-voltage",
                "trim-reversal-voltage",
                "largest voltage at its pins at the reversal",
                "V",
                absent if spans is None else peak(record, "unit.voltage", *spans),
            ),
        ):
            yield doubted(found, *doubts).measurement(
                id=switch_id(after, what),
                limit=limit,
                title=f"{axis.title} {seat_words(after)} upon {before.direction}: {title}",
                function=axis.function,
                quantity_unit=unit,
                pins=(axis.plus_pin, axis.minus_pin),
            )


def _gap(record: Record, value_s: float, after: TrimSwitch) -> Estimate:
    parts = [
        bounded(0.0, 0.5 / RATE_HZ, f"{record.name} {after.name}: {edge} between two samples")
        for edge in ("end", "begin")
    ]
    found = combined(value_s, ((part, 1.0) for part in parts))
    return Estimate(value=found.value, terms=found.terms, captures=record.names)


def _start_peak(record: Record, axis: TrimAxis, run: Run) -> Estimate:
    sign = run.held.switch.polarity
    found = peak(record, f"{axis.name}.current", run.started_s, run.held.released_s, sign=sign)
    return found if math.isfinite(found.value) else nothing(*found.doubts)


def _stretch_doubts(record: Record, setup: Setup, axis: TrimAxis, run: Run | None) -> tuple[Doubt, ...]:
    """Return why a press says nothing: samples lost or clipped, its line open, airspeed or supply amiss."""
    if record.capture is None or run is None:
        return record.missing
    held = run.held
    span = (held.pressed_s, held.released_s + PEAK_S)
    found = [
        *record.doubts(("unit.voltage", "unit.current.high", *_signals(axis)[-2:]), *span),
        *line_doubts(record, held),
        *supply_doubts(record, setup, CONDITION, *span),
    ]
    if not run.tripped:
        full_kt = setup.unit.full_trim_airspeed_kt
        found.extend(duty_doubts(record, axis, run.started_s + 0.001, held.released_s, full_airspeed_kt=full_kt))
    return tuple(dict.fromkeys(found))


def _undriven(record: Record, axis: TrimAxis, switch: TrimSwitch) -> Estimate:
    if record.capture is None:
        return nothing(*record.missing)
    reason = f"{record.name}: {switch.name} did not drive {axis.title} until it was released"
    return nothing(
        Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="see whether it starts its motor, and trim-light")
    )


def _press(
    rig: Rig,
    setup: Setup,
    axis: TrimAxis,
    name: str,
    presses: Iterable[tuple[TrimSwitch, float, float]],
    duration_s: float,
) -> None:
    lines = watched_lines(setup.unit)
    with rig.capture(name, _signals(axis), sample_rate_hz=RATE_HZ, lines=lines) as session:
        actions: list[Action] = []
        for switch, from_s, to_s in presses:
            actions += [press_at(session, switch.name, from_s), release_at(session, switch.name, to_s)]
        play(session, actions)
        session.wait_until(duration_s)


def _presses(axis: TrimAxis) -> Iterator[tuple[TrimSwitch, float, float]]:
    for position, switch in enumerate(axis.switches):
        at_s = LEAD_S + position * (HOLD_S + PAUSE_S)
        yield switch, at_s, at_s + HOLD_S


def _reversal_order(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return the switches of a reversal there and back; none where the first seat has but one direction."""
    first = of_seat(axis, axis.switches[0].seat)[0]
    other = opposite_of(axis, first)
    return () if other is None else (first, other, first)


def _reversals(axis: TrimAxis) -> Iterator[tuple[TrimSwitch, float, float]]:
    for position, switch in enumerate(_reversal_order(axis)):
        yield switch, LEAD_S + position * REVERSED_S, LEAD_S + (position + 1) * REVERSED_S


def _signals(axis: TrimAxis) -> tuple[str, ...]:
    return ("unit.voltage", "unit.current", "unit.current.high", voltage_signal(axis.name), f"{axis.name}.current")


def _reversal(axis: TrimAxis) -> str:
    return f"{axis.name}.reversal"


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + len(axis.switches) * (HOLD_S + PAUSE_S)


_REVERSAL_S = LEAD_S + 3.0 * REVERSED_S + PAUSE_S
