"""Trim outputs with their motors held still by a brake of the bench: the stall current, measured.

Held still a motor is its resistance alone, so what flows is known beforehand: another resistance is the motor's or its
wire's, and a current that falls away is a rotor that turned. The unit must carry it as long as a start may take.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, combined, ratio
from analysis.verdict import Cause
from test_plans.bench_observation import bench_observation
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import load_of
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import PromptAction, Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import MOTOR, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import RUN_PATH, axis_functions
from test_plans.trim_drive import Drive, axis_observation, drives_of, press_doubts, presses_of
from test_plans.trim_drop_sweep import first_seat
from test_plans.trim_switches import seat_words, switch_id

RATE_HZ = 20_000.0
CONDITION = "motor"
HOLD_S = 0.25  # longer than a start may take: the unit may then stop it as an over-current
CARRIED_S = 0.040  # what it must carry where the sheet states no start time
PAUSE_S = 0.5
SETTLES_S = 0.010  # the current, through a few of the motor's electrical time constants
ENDS_S = 0.003
LEAST_S = 0.010  # that must be left to read
STILL_PART = 0.95  # of the current at first: less at the end, and the rotor has turned
AGREES_WITHIN_U = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One press with the motor held still; currents and volts in the direction of the drive."""

    switch: TrimSwitch
    drive: Drive | None
    current_a: Estimate
    resistance_ohm: Estimate
    turned: bool
    stopped: bool  # before it had carried it as long as a start may take


class TrimMotorHeld:
    """Stall current of every motor, in each direction of the first seat."""

    name = "trim-motor-held"
    title = "Trim outputs with their motors held still: stall current"
    conditions = ("voltage_v", "current_limit_a", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a capture an axis, its motor and the motor's brake."""
        axes, volts, highest_a = axes_under_test(setup), bus_voltage_v(setup), conforming_a(setup, CONDITION)
        captures = tuple(
            CaptureNeed(
                name=_capture(axis),
                signals=_signals(axis),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(axis),
                highest_v={"unit.voltage": volts, voltage_signal(axis.name): volts}
                | dict.fromkeys((f"{axis.name}.current", "unit.current.high"), highest_a),
            )
            for axis in axes
        )
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + 2.0,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=highest_a,
            current_limit_a=current_limit_a(setup, CONDITION, 7.0),
            loads=tuple((axis.name, MOTOR) for axis in axes),
            load_current_a=highest_a,
            brakes=tuple(axis.name for axis in axes),
            switches=tuple(switch.name for axis in axes for switch in first_seat(axis)),
            paths=RUN_PATH,
            bus=True,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold each motor, and press for longer than a start."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 7.0))
        axes = axes_under_test(setup)
        rig.ask(
            PromptAction.CONFIRM,
            f"The motors of {', '.join(axis.name for axis in axes)} will pull at their brakes: keep hands off them.",
        )
        for axis in axes:
            rig.hold_motor(axis.name, True)
            apply_loads(rig, [(axis.name, MOTOR)])
            with rig.capture(
                _capture(axis), _signals(axis), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)
            ) as session:
                play_touches(session, _presses(axis))
                session.wait_until(_duration_s(axis))
            drop_loads(rig, [axis.name])
            rig.hold_motor(axis.name, False)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give whether each motor stood still with its own resistance, its stall currents, and if they were carried."""
        for axis in axes_under_test(setup):
            record = Record(evidence, _capture(axis))
            held = [_held(record, axis, switch, _carried_s(setup)) for switch in first_seat(axis)]
            motor = _motor_doubts(record, setup, axis, held)
            yield _which_motor(record, setup, axis, held)
            for one in held:
                press = _press_doubts(record, setup, axis, one)
                yield doubted(one.current_a, *press, *motor).measurement(
                    id=switch_id(one.switch, "held-current"),
                    limit="",
                    title=f"{axis.title} {seat_words(one.switch)}: current of its motor held still, measured",
                    function=axis.function,
                    quantity_unit="A",
                    pins=(axis.plus_pin, axis.minus_pin),
                )
                yield _carried(record, setup, axis, one, (*press, *motor))


def _held(record: Record, axis: TrimAxis, switch: TrimSwitch, carried_s: float) -> Held:
    """Read one press."""
    pressed = presses_of(record, switch)
    drives = [drive for drive in drives_of(record, axis) if drive.direction == switch.polarity]
    drive = next((drive for drive in drives if pressed and drive.start_s > pressed[0].closed_s), None)
    stopped = drive is not None and drive.duration_s < carried_s - ENDS_S
    if drive is None or record.capture is None or drive.duration_s < SETTLES_S + ENDS_S + LEAST_S:
        none = nothing(*record.missing)
        return Held(switch=switch, drive=drive, current_a=none, resistance_ohm=none, turned=False, stopped=stopped)
    from_s, to_s = drive.start_s + SETTLES_S, min(drive.end_s, drive.start_s + carried_s) - ENDS_S
    amps = _along(record.mean(f"{axis.name}.current", from_s, to_s), switch.polarity)
    volts = _along(record.mean(voltage_signal(axis.name), from_s, to_s), switch.polarity)
    third_s = (to_s - from_s) / 3.0
    first = abs(record.mean(f"{axis.name}.current", from_s, from_s + third_s).value)
    last = abs(record.mean(f"{axis.name}.current", to_s - third_s, to_s).value)
    return Held(
        switch=switch,
        drive=drive,
        current_a=amps,
        resistance_ohm=ratio(volts, amps),
        turned=last < STILL_PART * first,
        stopped=stopped,
    )


def _wrong(setup: Setup, axis: TrimAxis, held: Iterable[Held]) -> list[str]:
    """Return what is not as the bench sheet has it: a rotor that turned, or another resistance."""
    load = load_of(setup, axis.name, MOTOR)
    found = []
    for one in held:
        ohm = one.resistance_ohm
        if math.isnan(ohm.value):
            continue
        if one.turned:
            found.append(f"its current falls away upon {one.switch.name}: the brake does not hold it")
        elif not abs(ohm.value - load.resistance_ohm) <= (
            load.relative_bound * load.resistance_ohm + AGREES_WITHIN_U * ohm.standard_uncertainty
        ):
            found.append(f"held still it has {ohm.value:.3g} ohm, {load.resistance_ohm:.3g} ohm are stated")
    return found


def _which_motor(record: Record, setup: Setup, axis: TrimAxis, held: list[Held]) -> Observation:
    read = [one for one in held if not math.isnan(one.resistance_ohm.value)]
    return bench_observation(
        f"{axis.name}.motor-held",
        f"Bench: the motor of {axis.name}, held still",
        "it stands still and has the resistance that its sheet states",
        wrong=_wrong(setup, axis, held),
        tried=bool(read),
        captures=record.names,
        doubts=record.missing if not read else (),
    )


def _motor_doubts(record: Record, setup: Setup, axis: TrimAxis, held: list[Held]) -> tuple[Doubt, ...]:
    wrong = _wrong(setup, axis, held)
    if record.capture is None or not wrong:
        return ()
    step = f"check the motor of {axis.name}, its brake and its wiring"
    return (Doubt(reason=f"{record.name}: {axis.title}: {wrong[0]}", cause=Cause.BENCH, next_step=step),)


def _carried(record: Record, setup: Setup, axis: TrimAxis, one: Held, doubts: tuple[Doubt, ...]) -> Observation:
    """Return whether the unit drove on; one that stopped within what a start may take is at fault whatever pulled."""
    rules, said, inside = setup.unit.trim_rules, "", False
    if one.drive is None:
        said = f"{one.switch.name} did not drive"
    elif one.stopped:
        amps = record.samples(f"{axis.name}.current", one.drive.start_s, one.drive.end_s)
        most_a = float((one.switch.polarity * amps).max(initial=0.0))
        inside = rules is not None and most_a <= rules.start_current_a and one.drive.duration_s <= rules.start_s
        said = f"stopped {1e3 * one.drive.duration_s:.1f} ms after it began, at most {most_a:.2f} A flowing"
    press = _press_doubts(record, setup, axis, one)
    return axis_observation(
        axis,
        record,
        id_=switch_id(one.switch, "held-carried"),
        title=f"{seat_words(one.switch)}: carries its motor held still",
        statement=f"drives it for the {1e3 * _carried_s(setup):.0f} ms that a start may take",
        tried=() if record.capture is None else (said,),
        doubts=press if inside else doubts,
    )


def _press_doubts(record: Record, setup: Setup, axis: TrimAxis, one: Held) -> tuple[Doubt, ...]:
    """Return why a press says nothing: its line, the bus, or samples that are no good."""
    if record.capture is None:
        return record.missing
    presses = presses_of(record, one.switch)
    found = [*press_doubts(record, one.switch, presses)]
    if presses:
        span = (presses[0].closed_s, presses[0].opened_s + 0.5 * PAUSE_S)
        found += [*record.doubts(_signals(axis), *span), *supply_doubts(record, setup, CONDITION, *span)]
    if one.drive is None:
        see = "see trim-light: whether the output drives, and the right way round"
        reason = f"{record.name}: {one.switch.name} did not drive {axis.title}"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
    return tuple(dict.fromkeys(found))


def _along(estimate: Estimate, sign: int) -> Estimate:
    return replace(combined(sign * estimate.value, ((estimate, float(sign)),)), doubts=estimate.doubts)


def _presses(axis: TrimAxis) -> tuple[Touch, ...]:
    names = (switch.name for switch in first_seat(axis))
    return in_turn(names, first_s=LEAD_S, hold_s=HOLD_S, pause_s=PAUSE_S)


def _carried_s(setup: Setup) -> float:
    """Return how long the unit must carry it: as long as a start may take."""
    rules = setup.unit.trim_rules
    return CARRIED_S if rules is None or not rules.start_s > 0.0 else min(rules.start_s, HOLD_S)


def _capture(axis: TrimAxis) -> str:
    return f"{axis.name}.held"


def _signals(axis: TrimAxis) -> tuple[str, ...]:
    return ("unit.voltage", "unit.current.high", voltage_signal(axis.name), f"{axis.name}.current")


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + len(first_seat(axis)) * (HOLD_S + PAUSE_S)
