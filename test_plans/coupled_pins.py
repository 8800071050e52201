"""Discretes whose pin moves when another one's is driven: joined in the unit, or on the bench.

Two inputs joined by some kilohm may both still answer their own switch; only their pins show it. Every line stands
behind the same resistor, so a pin that nobody drives keeps its voltage to a few millivolts.
"""

from collections.abc import Iterator

from analysis.measurement import Doubt
from analysis.power import isolation_doubt
from test_plans.driving import levels_of
from test_plans.held_pins import sound_alone, steps_of
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.sheets import Discrete, Setup
from test_plans.signals import voltage_signal

MOVES_V = 0.1  # as two pins joined by some 40 kohm would
EDGE_S = 0.010


def coupled_pins(record: Record, setup: Setup) -> Iterator[tuple[Discrete, Discrete, float]]:
    """Yield (driven, other, volts) for every pin that moved with another one's switch, in one capture that works them.

    The discretes are switched one after the other, each from its inactive level to its active one and back.
    """
    discretes = setup.unit.discretes
    for driven in discretes:
        active_v = levels_of(driven).active_v
        step = next(
            ((begin_s, end_s) for begin_s, end_s, level_v in steps_of(record, driven.name) if level_v == active_v), None
        )
        if step is None:
            continue
        begin_s, end_s = step
        for other in discretes:
            if other is driven:
                continue
            signal = voltage_signal(other.name)
            before = record.mean(signal, max(0.0, begin_s - (end_s - begin_s)), begin_s - EDGE_S)
            during = record.mean(signal, begin_s + EDGE_S, end_s - EDGE_S)
            moved_v = during.value - before.value
            if not before.doubts and not during.doubts and abs(moved_v) > MOVES_V:
                yield driven, other, moved_v


def coupling_doubts(record: Record, evidence: Evidence, setup: Setup) -> tuple[Doubt, ...]:
    """Return whose doing it is that pins move together: the unit's where their lines are sound without it."""
    return tuple(
        isolation_doubt(
            f"{record.name}: pin {other.pin} moved by {moved_v:.2f} V when {driven.name} was switched",
            gone_when_isolated=sound_alone(evidence, setup, other),
            deciding_step=f"unplug the unit and drive lines {driven.name} and {other.name} again",
        )
        for driven, other, moved_v in coupled_pins(record, setup)
    )
