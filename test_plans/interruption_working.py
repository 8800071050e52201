"""What the unit was doing around a break of its bus, by its state: the drive, the lights, the hold-up output. Pure.

Each is put into a class of behaviour as far as its outputs show it; reports are `interruption_readings`' part.
"""

from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_ramp_readings import DRIVING_V
from test_plans.dimming_levels import is_pwm
from test_plans.interruption import READ_S, Break, Course, State
from test_plans.interruption_states import held_axis
from test_plans.profile import Behaviour
from test_plans.profile_readings import REBOOT_S, REBOOT_V
from test_plans.profile_shot import hold_up_of
from test_plans.readings import FILTER_S, Record
from test_plans.sheets import DimmingOutput, Setup, TrimAxis
from test_plans.signals import voltage_signal
from test_plans.switch_lines import stray_doubts
from test_plans.trim_switches import CLOSED_AFTER_S

LATENCY_S = 0.1  # on and off, debounce in it
LIT_PART = 0.2  # of what an output showed before: below it it is dark
NEXT = "see what the procedures before say of it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """What a try shows of what the unit was doing: its class, and in words what it did."""

    observed: Behaviour = Behaviour.KEPT_WORKING
    said: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()  # motion that nobody commanded
    wrong: tuple[str, ...] = ()  # not as it was set, once back
    doubts: tuple[Doubt, ...] = ()  # it was not doing it ahead of the break


def working_in(record: Record, setup: Setup, one: Break, course: Course) -> Working:
    """Return what a try shows of what the unit was doing in its state."""
    if record.capture is None or one.state is State.IDLE:
        return Working()
    if one.state is State.TRIM:
        return _drive(record, setup, course)
    return _lights(record, setup, course) if one.state is State.DIMMING else _held_up(record, setup, course)


def _drive(record: Record, setup: Setup, course: Course) -> Working:
    """Return what a held trim did: once its drive stopped it must rest until its switch is pressed anew."""
    axis, held_to_s = held_axis(setup), course.released_s
    signal = voltage_signal(axis.name)
    held = record.driven(signal, DRIVING_V, course.pressed_s, held_to_s)
    after = record.driven(signal, DRIVING_V, held_to_s + LATENCY_S, course.again_s)
    again = record.driven(signal, DRIVING_V, course.again_s, course.let_go_s)
    doubts = [*stray_doubts(record), *_line_doubts(record, axis, course)]
    if not any(from_s < course.open_s - READ_S / 2.0 and to_s >= course.open_s - FILTER_S for from_s, to_s in held):
        doubts.append(_not_ahead(record, axis.title, "did not drive", course))
    moved = [
        f"{axis.title}, its switch held, drove again {from_s - course.open_s:.2f} s after" for from_s, _ in held[1:]
    ]
    moved += [f"{axis.title} drove {from_s - held_to_s:.2f} s after its switch was let go" for from_s, _ in after]
    stopped = not held or held[-1][1] < held_to_s - LATENCY_S
    if not again or again[-1][1] < course.let_go_s - 2.0 * FILTER_S:
        said, observed = "does not drive when pressed anew", Behaviour.POWER_CYCLE
    elif stopped:
        said, observed = "stopped, and drove when pressed anew", Behaviour.RECOVERED
    else:
        said, observed = "", Behaviour.KEPT_WORKING
    wrong = []
    if again and observed is not Behaviour.POWER_CYCLE:
        volts = record.mean(signal, again[-1][1] - READ_S / 2.0, again[-1][1] - 2.0 * FILTER_S).value
        if volts * axis.switches[0].polarity <= 0.0:
            wrong.append(f"{axis.title} drove the other way when pressed anew")
    return Working(
        observed=observed,
        said=(f"{axis.title} {said}",) if said else (),
        moved=tuple(moved),
        wrong=tuple(wrong),
        doubts=tuple(doubts),
    )


def _line_doubts(record: Record, axis: TrimAxis, course: Course) -> tuple[Doubt, ...]:
    """Return the doubt that the held line, read back at its pin, was not closed all the time."""
    capture, switch = record.capture, axis.switches[0]
    if capture is None or switch.name not in capture.lines:
        return record.missing
    line = capture.line(switch.name)
    spans = ((course.pressed_s, course.released_s), (course.again_s, course.let_go_s))
    if all(line[capture.span(from_s + CLOSED_AFTER_S, to_s - CLOSED_AFTER_S)].all() for from_s, to_s in spans):
        return ()
    reason = f"{record.name}: line {switch.name} did not close pin {switch.pin} to ground all the time"
    step = "unplug the unit and work the line again (bench-check)"
    return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)


def _lights(record: Record, setup: Setup, course: Course) -> Working:
    """Return what the dimming outputs did: lit throughout, dark for a time, or otherwise than set in the end."""
    dark, unlit, wrong, doubts = [], [], [], []
    for output in setup.unit.dimming:
        signal = voltage_signal(output.name)
        before = _level(record, output, course.open_s - READ_S, course.open_s)
        after = _level(record, output, course.end_s - READ_S, course.end_s)
        before_v = record.mean(signal, course.open_s - READ_S, course.open_s).value
        if not before_v > setup.unit.limits["idle-output"].high:
            doubts.append(_not_ahead(record, output.title, "was not lit", course))
            continue
        means = record.smoothed(signal, course.open_s, course.end_s)
        if means.size and float(means.min()) < LIT_PART * before_v:
            dark.append(f"{output.title} for {np.count_nonzero(means < LIT_PART * before_v) * FILTER_S:.2f} s")
        limit = setup.unit.limits["pwm-curve" if is_pwm(output) else "dc-curve"]
        if not limit.low <= after - before <= limit.high:
            quantity = "%" if is_pwm(output) else "V"
            wrong.append(f"{output.title} at {after:.1f} {quantity}, {before:.1f} {quantity} before")
        if means.size and float(means[-round(READ_S / FILTER_S) :].max()) < LIT_PART * before_v:
            unlit.append(output.title)
    said = [f"dark: {dark[0]}" + (f" and {len(dark) - 1} more" if len(dark) > 1 else "")] if dark else []
    said += [f"still dark in the end: {', '.join(unlit)}"] if unlit else []
    observed = Behaviour.POWER_CYCLE if unlit else Behaviour.RECOVERED if dark else Behaviour.KEPT_WORKING
    return Working(observed=observed, said=tuple(said), wrong=tuple(wrong), doubts=tuple(doubts))


def _level(record: Record, output: DimmingOutput, start_s: float, stop_s: float) -> float:
    """Return a level: a PWM's mean as a part of the bus, in per cent, or volts."""
    volts = record.mean(voltage_signal(output.name), start_s, stop_s).value
    return 100.0 * volts / record.mean("unit.voltage", start_s, stop_s).value if is_pwm(output) else volts


def _held_up(record: Record, setup: Setup, course: Course) -> Working:
    """Return what the loaded hold-up output did."""
    output, capture = hold_up_of(setup), record.capture
    if output is None or capture is None:
        return Working()
    limit, signal = setup.unit.limits["hold-up-voltage"], voltage_signal(output.name)
    stood_v = record.mean(signal, course.open_s - READ_S, course.open_s).value
    doubts = []
    if not limit.low <= stood_v <= limit.high:
        doubts.append(_not_ahead(record, output.title, f"stood at {stood_v:.2f} V", course))
    facts = setup.bench.channels[signal]
    bound_v = facts.relative_bound * output.held_v + facts.absolute_bound + 5.0 * facts.noise
    volts = record.samples(signal, course.open_s, course.end_s)
    below_s = float(np.count_nonzero(volts < REBOOT_V)) / capture.sample_rate_hz
    ends = record.smoothed(signal, course.end_s - READ_S, course.end_s)
    left = bool(np.any((volts < limit.low - bound_v) | (volts > limit.high + bound_v)))
    back = bool(ends.size) and limit.low - bound_v <= float(ends.min()) and float(ends.max()) <= limit.high + bound_v
    said = f"{output.title} down to {float(volts.min()):.2f} V, below {REBOOT_V:g} V for {below_s * 1e3:.1f} ms"
    if not back:
        said, observed = f"{said}, and not back", Behaviour.POWER_CYCLE
    elif below_s > REBOOT_S:
        observed = Behaviour.LOST_AND_RECOVERED
    else:
        observed = Behaviour.RECOVERED if left else Behaviour.KEPT_WORKING
    return Working(observed=observed, said=(said,) if left or not back else (), doubts=tuple(doubts))


def _not_ahead(record: Record, title: str, what: str, course: Course) -> Doubt:
    reason = f"{record.name}: {title} {what} ahead of the break at {course.open_s:.2f} s"
    return Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=NEXT)
