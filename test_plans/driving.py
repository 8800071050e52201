"""What several procedures drive alike: bring-up, levels of a stimulus, timed actions, random phase.

Everything here talks to a `Rig` or prepares what is told to one; nothing evaluates.
"""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from test_plans.conditions import names
from test_plans.rig import CaptureSession, PromptAction, Rig, SupplyPath
from test_plans.sheets import Discrete, Sense, Setup, TrimAxis

POWER_UP_RATE_V_PER_S = 5.0
READY_WAIT_S = 2.5  # longer than any ready time that could still pass
STIMULUS_MAX_V = 10.0
ACTIVE_HIGH_DRIVE_V = 8.0  # well above any threshold, inside the stimulus range
LEAD_S = 0.150  # how far ahead of its sample a stimulus is handed to the bench
LOOK_AHEAD_S = 0.400
BUNCH_S = 0.250


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLevels:
    """Volts behind the stimulus resistor that put a discrete surely inactive and surely active."""

    inactive_v: float
    active_v: float


def levels_of(discrete: Discrete) -> DriveLevels:
    """Return the drive levels of a discrete: its own pull voltage and ground, or ground and 8 V."""
    if discrete.sense is Sense.ACTIVE_LOW:
        return DriveLevels(inactive_v=discrete.pull_voltage_v, active_v=0.0)
    return DriveLevels(inactive_v=0.0, active_v=ACTIVE_HIGH_DRIVE_V)


def axes_under_test(setup: Setup) -> tuple[TrimAxis, ...]:
    """Return the trim axes of condition `axes`, in the unit sheet's order; without it all that the aircraft has.

    Raises:
        LookupError: the model has no such axis.
    """
    wanted = names(setup, "axes", setup.aircraft.axes)
    unknown = [name for name in wanted if name not in {axis.name for axis in setup.unit.trims}]
    if unknown:
        raise LookupError(
            f"step {setup.step.procedure}: model {setup.unit.model} has no trim axis {', '.join(unknown)}"
        )
    return tuple(axis for axis in setup.unit.trims if axis.name in wanted)


def generator(*key: str) -> np.random.Generator:
    """Return random numbers that depend on the text of `key` alone, never on call order."""
    digest = hashlib.sha256("/".join(key).encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "little")))


def spaced_instants(n: int, *, first_s: float, shortest_s: float, longest_s: float, key: str) -> NDArray[np.float64]:
    """Return n instants from `first_s` on, evenly random between the shortest and longest distance, shape (n,)."""
    steps = generator(key).uniform(shortest_s, longest_s, max(0, n - 1))
    return np.asarray(first_s + np.concatenate(([0.0], np.cumsum(steps))), dtype=np.float64)


Action = tuple[float, Callable[[], None]]


def drive_at(session: CaptureSession, stimulus: str, voltage_v: float, at_s: float) -> Action:
    """Return the action that sets an analogue stimulus at capture time `at_s`."""
    return at_s, partial(session.drive, stimulus, voltage_v, at_s=at_s)


def ramp_at(session: CaptureSession, stimulus: str, to_voltage_v: float, at_s: float, duration_s: float) -> Action:
    """Return the action that ramps an analogue stimulus from capture time `at_s` on."""
    return at_s, partial(session.ramp, stimulus, to_voltage_v, at_s=at_s, duration_s=duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """One press of a switch, by name, in capture time."""

    switch: str
    closed_s: float
    opened_s: float


def in_turn(switches: Iterable[str], *, first_s: float, hold_s: float, pause_s: float) -> tuple[Touch, ...]:
    """Return one press of each of these switches, one after the other."""
    return tuple(
        Touch(
            switch=switch,
            closed_s=first_s + place * (hold_s + pause_s),
            opened_s=first_s + place * (hold_s + pause_s) + hold_s,
        )
        for place, switch in enumerate(switches)
    )


def play_touches(session: CaptureSession, touches: Iterable[Touch]) -> None:
    """Hand over presses, in order of time whichever switches they are on."""
    actions: list[Action] = []
    for touch in touches:
        actions.append((touch.closed_s, partial(session.press, touch.switch, at_s=touch.closed_s)))
        actions.append((touch.opened_s, partial(session.release, touch.switch, at_s=touch.opened_s)))
    play(session, actions)


def play(session: CaptureSession, actions: Iterable[Action]) -> None:
    """Hand over actions, each made for an instant of capture time, in order of time: see `play_in_order`."""
    play_in_order(session, sorted(actions, key=lambda action: action[0]))


def play_in_order(session: CaptureSession, actions: Iterable[Action]) -> None:
    """Hand over actions that come in order of time, each a little ahead of its instant; they may be made on the way.

    What follows shortly goes with it, so that a thousand of them take few waits. The bench then never holds more than
    two thirds of a second of schedule, and no action comes late.
    """
    bunch_ends_s = 0.0
    for time_s, act in actions:
        if time_s > bunch_ends_s:
            if time_s - session.now_s > LOOK_AHEAD_S:
                session.wait_until(time_s - LOOK_AHEAD_S)
            bunch_ends_s = session.now_s + LOOK_AHEAD_S + BUNCH_S
        act()


def is_powered(rig: Rig, voltage_v: float) -> bool:
    """Say whether the supply is on and stands at `voltage_v`."""
    reading = rig.read_supply()
    return abs(reading.set_voltage_v - voltage_v) < 0.005 and reading.voltage_v > 0.9 * voltage_v


def bring_up(rig: Rig, setup: Setup, *, voltage_v: float, current_limit_a: float) -> None:
    """Have the unit powered, awake, inputs idle, airspeed coming; what is so already stays untouched."""
    rig.idle_inputs()
    if is_powered(rig, voltage_v):
        rig.set_supply(voltage_v, current_limit_a)
        return
    rig.arm(False)
    rig.set_supply(0.0, current_limit_a)
    rig.connect(SupplyPath.RUN)
    rig.set_output(True)
    rig.start_airspeed(setup.plan.airspeed_kt)
    rig.ramp_supply(voltage_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
    rig.wait(READY_WAIT_S)


def ready_within_s(setup: Setup) -> float:
    """Return how long after its start a unit is ready that may still pass."""
    limit = setup.unit.limits.get("ready-time")
    return READY_WAIT_S if limit is None else limit.high


def unplug(rig: Rig, why: str) -> None:
    """Make safe and have the unit unplugged."""
    rig.make_safe()
    rig.ask(PromptAction.UNPLUG_UNIT, f"Take both connectors off the unit: {why}.")


def plug(rig: Rig) -> None:
    """Have the unit plugged in; the bench is safe then."""
    rig.ask(PromptAction.PLUG_UNIT, "Plug the unit in: both connectors, until they lock.")


def apply_loads(rig: Rig, loads: Iterable[tuple[str, str]]) -> None:
    """Put loads on motor outputs, switched cold, then arm."""
    rig.arm(False)
    for output, position in loads:
        rig.set_load(output, position)
    rig.arm(True)
    rig.wait(0.050)


def drop_loads(rig: Rig, outputs: Iterable[str]) -> None:
    """Disarm, then take the loads off."""
    rig.arm(False)
    for output in outputs:
        rig.set_load(output, "open")
