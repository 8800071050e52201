"""What the unit does while its bus is interrupted: how it is brought there, what is driven, what is sampled."""

from functools import partial

from test_plans.conditions import conforming_a, current_limit_a
from test_plans.dimming_bench import drive_all
from test_plans.driving import Action, apply_loads, bring_up, drop_loads, play
from test_plans.expected import through
from test_plans.hold_up import full_load, put_load
from test_plans.interruption import Break, Course, State, courses
from test_plans.procedure import CaptureNeed
from test_plans.profile_shot import CURRENT, EMPTIES_S, hold_up_of
from test_plans.rig import CaptureSession, Rig, SupplyPath
from test_plans.sheets import Setup, TrimAxis
from test_plans.signals import current_signal, idle_outputs, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import rated_load

LIMIT_A = 16.0
TRAVEL = 0.5  # of every rheostat, in the state of dimming
SETTLES_S = 0.2
CONDITIONS = {State.IDLE: "unloaded", State.TRIM: "loaded", State.DIMMING: "unloaded", State.HOLD_UP: "hold-up"}


def limit_a(setup: Setup, state: State) -> float:
    """Return the supply's current limit: wide, so that what charges the unit again is no further disturbance."""
    return current_limit_a(setup, "", max(LIMIT_A, 1.4 * conforming_a(setup, CONDITIONS[state])))


def held_axis(setup: Setup) -> TrimAxis:
    """Return the axis that is held in the state of a trim: the first that the aircraft has."""
    return next(axis for axis in setup.unit.trims if axis.name in setup.aircraft.axes)


def missing_in(setup: Setup, state: State) -> str:
    """Return what a model lacks for a state, "" for nothing."""
    unit = setup.unit
    lacking = {
        State.TRIM: "" if unit.trims and setup.aircraft.axes else "trim axis",
        State.DIMMING: "" if unit.dimming else "dimming output",
        State.HOLD_UP: "" if hold_up_of(setup) is not None else "hold-up output",
    }
    return lacking.get(state, "")


def current_of(state: State) -> str:
    """Return the signal of the supply's current: the fine one wherever what the unit draws is within it."""
    return CURRENT if state is State.HOLD_UP else "unit.current"


def resting_outputs(setup: Setup, state: State) -> tuple[str, ...]:
    """Return the outputs that may not come on in a state, by name."""
    working = {
        State.TRIM: {held_axis(setup).name} if state is State.TRIM else set(),
        State.DIMMING: {output.name for output in setup.unit.dimming},
    }.get(state, set())
    return tuple(name for name in idle_outputs(setup.unit) if name not in working)


def signals_of(setup: Setup, state: State) -> tuple[str, ...]:
    """Return bus, supply current, everything that may move, and in its own state the hold-up output."""
    output = hold_up_of(setup)
    held = () if output is None or state is not State.HOLD_UP else (output.name,)
    return (
        "unit.voltage",
        current_of(state),
        *(voltage_signal(name) for name in (*held, *idle_outputs(setup.unit))),
        *(current_signal(name) for name in held),
    )


def loads_of(setup: Setup, state: State) -> tuple[tuple[str, str], ...]:
    """Return (output, position) of what stands loaded in a state."""
    output = hold_up_of(setup)
    if state is State.HOLD_UP and output is not None:
        return ((output.name, full_load(setup)),)
    return ((held_axis(setup).name, rated_load(setup, held_axis(setup))),) if state is State.TRIM else ()


def load_current_a(setup: Setup, state: State) -> float:
    """Return what flows through each of those."""
    output = hold_up_of(setup)
    if state is State.HOLD_UP:
        return 0.0 if output is None else output.rated_current_a
    return max((through(setup, *load, setup.unit.nominal_voltage_v) for load in loads_of(setup, state)), default=0.0)


def courses_of(setup: Setup, one: Break) -> tuple[Course, ...]:
    """Return when what is done in each try of a break."""
    return courses(setup, one, cut_off_s=held_axis(setup).cut_off_s if one.state is State.TRIM else None)


def capture_need(setup: Setup, one: Break) -> CaptureNeed:
    """Return the capture of all tries of a break."""
    volts, output = setup.unit.nominal_voltage_v, hold_up_of(setup)
    highest = {"unit.voltage": volts} | {
        signal: volts for signal in signals_of(setup, one.state) if signal.endswith("voltage")
    }
    if output is not None and one.state is State.HOLD_UP:
        highest[current_signal(output.name)] = output.rated_current_a
    return CaptureNeed(
        name=one.name,
        signals=signals_of(setup, one.state),
        lines=trim_lines(setup.unit),
        sample_rate_hz=one.rate_hz,
        duration_s=courses_of(setup, one)[-1].end_s,
        highest_v=highest,
    )


def make_ready(rig: Rig, setup: Setup, state: State, *, afresh: bool = False) -> None:
    """Have the unit powered and in its state but for what each try drives; `afresh`: after it was without power."""
    if afresh:
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        rig.wait(EMPTIES_S)
    bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup, state))
    if state is State.TRIM:
        apply_loads(rig, loads_of(setup, state))
    elif state is State.HOLD_UP:
        put_load(rig, setup, full_load(setup))
    elif state is State.DIMMING:
        drive_all(rig, setup, TRAVEL)
    rig.wait(SETTLES_S)


def leave(rig: Rig, setup: Setup, state: State) -> None:
    """Take loads off and put wipers back."""
    if state is State.TRIM:
        drop_loads(rig, (held_axis(setup).name,))
    elif state is State.HOLD_UP:
        put_load(rig, setup, "open")
    elif state is State.DIMMING:
        drive_all(rig, setup, 0.0)
        rig.wait(SETTLES_S)


def interrupt(rig: Rig, setup: Setup, one: Break) -> None:
    """Interrupt the bus in one capture as often as there are tries."""
    planned = courses_of(setup, one)
    with rig.capture(
        one.name,
        signals_of(setup, one.state),
        sample_rate_hz=one.rate_hz,
        lines=trim_lines(setup.unit),
        asked_s=one.duration_s,
        state=one.state.value,
        side=one.side.value,
    ) as session:
        play(session, [action for course in planned for action in _actions(session, setup, one, course)])
        session.wait_until(planned[-1].end_s)


def _actions(session: CaptureSession, setup: Setup, one: Break, course: Course) -> list[Action]:
    """Return what is done in one try, each for its instant."""
    found: list[Action] = [
        (course.open_s, partial(session.switch_bus, SupplyPath.OPEN, at_s=course.open_s)),
        (course.close_s, partial(session.switch_bus, SupplyPath.RUN, at_s=course.close_s)),
    ]
    if one.state is State.TRIM:
        switch = held_axis(setup).switches[0].name
        found += [
            (at_s, partial(act, switch, at_s=at_s))
            for at_s, act in (
                (course.pressed_s, session.press),
                (course.released_s, session.release),
                (course.again_s, session.press),
                (course.let_go_s, session.release),
            )
        ]
    return found
