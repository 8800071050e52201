"""What the procedures on discretes ask of the bench alike: the unit awake, pins sampled, stimuli, the bus."""

from collections.abc import Sequence

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import bring_up, levels_of
from test_plans.procedure import CaptureNeed, Needs
from test_plans.receive_line import LINE
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import voltage_signal

CONDITION = "inputs"
CURRENT_LIMIT_A = 0.5
PIN_LINES = (LINE,)  # sampled beside the pins: where the host hears nothing, it says whether there was anything to hear
REPORTED_S = 1.3  # a periodic report of every discrete comes in it


def of_sense(setup: Setup, sense: Sense) -> tuple[Discrete, ...]:
    """Return the discretes of one kind."""
    return tuple(discrete for discrete in setup.unit.discretes if discrete.sense is sense)


def pins_of(discretes: Sequence[Discrete]) -> tuple[str, ...]:
    """Return the voltage signals at these discretes' pins."""
    return tuple(voltage_signal(discrete.name) for discrete in discretes)


def pin_capture(
    name: str,
    discretes: Sequence[Discrete],
    *,
    sample_rate_hz: float,
    duration_s: float,
    highest_v: float = 0.0,
    lines: tuple[str, ...] = PIN_LINES,
) -> CaptureNeed:
    """Return the need of a capture of these discretes' pins; `highest_v` where it is beyond their usual levels."""
    return CaptureNeed(
        name=name,
        signals=pins_of(discretes),
        lines=lines,
        sample_rate_hz=sample_rate_hz,
        duration_s=duration_s,
        highest_v={
            voltage_signal(discrete.name): max(levels_of(discrete).active_v, levels_of(discrete).inactive_v, highest_v)
            for discrete in discretes
        },
    )


def discrete_needs(
    setup: Setup,
    *captures: CaptureNeed,
    limits: tuple[tuple[str, float], ...] = (),
    stimulus_v: float = 0.0,
    untested: tuple[str, ...] = (),
) -> Needs:
    """Return the needs of a procedure that drives discretes one capture after the other."""
    unit = setup.unit
    return Needs(
        bench_time_s=sum(need.duration_s for need in captures) + 1.0,
        captures=captures,
        highest_voltage_v=bus_voltage_v(setup),
        supply_current_a=conforming_a(setup, CONDITION),
        current_limit_a=current_limit_a(setup, CONDITION, CURRENT_LIMIT_A),
        stimuli=tuple(discrete.name for discrete in unit.discretes),
        stimulus_v=stimulus_v,
        bus=True,
        limits=limits,
        untested=untested,
    )


def wake(rig: Rig, setup: Setup) -> None:
    """Have the unit awake at the step's bus voltage, its discretes inactive."""
    limit_a = current_limit_a(setup, CONDITION, CURRENT_LIMIT_A)
    bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=limit_a)


def did_not_move(name: str, discrete: Discrete, found: int, asked: int) -> Doubt:
    """Return the doubt that a pin showed other edges than were driven."""
    return Doubt(
        reason=f"{name}: pin {discrete.pin} showed {found} edges where {asked} were driven",
        cause=Cause.UNDECIDED,
        next_step="see discrete-levels: whether the pin follows its stimulus without the unit",
        pin=discrete.pin,
    )
