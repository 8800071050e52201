"""A dip of a map: the profile it is played as, and what its capture shows of it. Pure.

All dips fall and rise alike, so that of two the one with the lower and longer bottom is the harder one throughout.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.dip_map import Dip
from analysis.measurement import Doubt
from analysis.survival import Achieved
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.dip_search import Aim, Taken
from test_plans.hold_up import CONDITION
from test_plans.procedure import Evidence
from test_plans.profile import Behaviour, Certainty, Profile, Segment
from test_plans.profile_readings import (
    READ_S,
    Reading,
    achieved_voltage,
    hold_up_behaved,
    logic_behaved,
    read_shot,
    tried,
)
from test_plans.profile_shot import Side, capture_name, hold_up_of
from test_plans.readings import Record
from test_plans.reset_counts import ITEM
from test_plans.sheets import Setup

HOLD_UP, LOGIC = "hold-up", "logic"
FALL_V_PER_S = 1500.0  # faster than any load could pull the bus through the unit's own capacitor
RISE_V_PER_S = 100.0
NEAR_V = 0.4  # above its lowest: a unit that lets go of its load is relieved by as much
BRING_DIPS = "see that the dip source, its leads and the bus switch bring the dip to the unit's pins"
NAMED = re.compile(r"dip-(\d+)mv-(\d+)ms\.hard(?:\.\d+)?")


def functions_of(setup: Setup) -> tuple[str, ...]:
    """Return what can be seen to survive a dip or not: hold-up output and logic, as far as the model shows them."""
    held = () if hold_up_of(setup) is None else (HOLD_UP,)
    return (*held, *((LOGIC,) if ITEM in setup.unit.bus.reports else ()))


def dip_profile(aim: Aim, setup: Setup) -> Profile:
    """Return a dip as a profile: down to a depth from the nominal voltage, there for its duration, and back."""
    nominal_v = setup.unit.nominal_voltage_v
    down_v = nominal_v - aim.depth_v
    return Profile(
        name=f"dip-{round(1e3 * aim.depth_v)}mv-{round(1e3 * aim.duration_s)}ms",
        title=f"Dip to {aim.depth_v:.2f} V for {1e3 * aim.duration_s:.0f} ms",
        origin="light aircraft",
        edition="",
        source=Certainty.COMMON_PRACTICE.value,
        certainty=Certainty.COMMON_PRACTICE,
        nominal_voltage_v=nominal_v,
        starts_at_v=nominal_v,
        segments=(
            Segment(duration_s=down_v / FALL_V_PER_S, voltage_v=aim.depth_v, level=False),
            Segment(duration_s=aim.duration_s, voltage_v=aim.depth_v, level=True),
            Segment(duration_s=down_v / RISE_V_PER_S, voltage_v=nominal_v, level=False),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DipRead:
    """A dip as read: where it belongs on the map, and why it tells nothing of a function."""

    taken: Taken
    reading: Reading
    untold: Mapping[str, tuple[Doubt, ...]]  # by function
    gone: tuple[str, ...]  # functions that were not back in the end
    at_end: tuple[Doubt, ...]  # why that says nothing of the unit


def dips_taken(evidence: Evidence, setup: Setup) -> list[DipRead]:
    """Return every dip of the evidence in the order taken."""
    named = [(name, NAMED.fullmatch(name)) for name in evidence.names()]
    return [
        read_dip(Record(evidence, name), Aim(int(found[1]) / 1e3, int(found[2]) / 1e3), setup)
        for name, found in named
        if found is not None
    ]


def name_of(aim: Aim, setup: Setup, attempt: int) -> str:
    """Return the name of a dip's capture."""
    return capture_name(dip_profile(aim, setup), Side.HARD, attempt)


def read_dip(record: Record, aim: Aim, setup: Setup) -> DipRead:
    """Return what a dip's capture shows."""
    profile = dip_profile(aim, setup)
    reading = read_shot(record, profile, setup)
    tries = tried(record, profile)
    stood = achieved_voltage(record, setup, *tries[0]) if len(tries) == 1 else _nothing()
    dips: dict[str, Dip] = {}
    untold: dict[str, tuple[Doubt, ...]] = {}
    for function in functions_of(setup):
        kept, doubts = _kept(reading, function, setup)
        found = (*reading.spoilt, *doubts, *_not_placed(reading, stood, kept=kept))
        if found:
            untold[function] = found
        else:
            dips[function] = _placed(record.name, aim, stood, kept=kept)
    return DipRead(
        taken=Taken(aim=aim, dips=dips),
        reading=reading,
        untold=untold,
        gone=tuple(name for name in functions_of(setup) if not _back(reading, name, setup)),
        at_end=supply_doubts(record, setup, CONDITION, max(0.0, record.duration_s - READ_S), record.duration_s),
    )


def _kept(reading: Reading, function: str, setup: Setup) -> tuple[bool, tuple[Doubt, ...]]:
    if function == HOLD_UP:
        kept, _, doubts = hold_up_behaved(reading, Behaviour.KEPT_WORKING, setup)
    else:
        kept, _, doubts = logic_behaved(reading, Behaviour.KEPT_WORKING)
    return kept, doubts


def _back(reading: Reading, function: str, setup: Setup) -> bool:
    if function == HOLD_UP:
        return hold_up_behaved(reading, Behaviour.LOST_AND_RECOVERED, setup)[0]
    return logic_behaved(reading, Behaviour.LOST_AND_RECOVERED)[0]


def _not_placed(reading: Reading, stood: Achieved, *, kept: bool) -> tuple[Doubt, ...]:
    """Return why a dip has no place on the map: survived, it must have been as hard as asked; lost, its depth known."""
    if not kept and math.isfinite(stood.lowest_v):
        return ()
    if kept and not reading.weaker:
        return ()
    reason = f"{reading.record.name}: not as hard as asked: {'; '.join(reading.weaker)}"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step=BRING_DIPS),)


def _placed(name: str, aim: Aim, stood: Achieved, *, kept: bool) -> Dip:
    """Return where a dip belongs, U of volts and time against it either way."""
    ordered = np.sort(stood.voltage_v)
    n = math.ceil((aim.duration_s + stood.expanded_time_s) / stood.interval_s)
    return Dip(
        name=name,
        asked_s=aim.duration_s,
        reached_v=float(ordered[min(n, ordered.size) - 1]) + stood.expanded_voltage_v,
        at_least_s=aim.duration_s if kept else stood.surely_below_s(aim.depth_v),
        lowest_v=stood.lowest_v - stood.expanded_voltage_v,
        at_most_s=stood.perhaps_below_s(stood.lowest_v + NEAR_V),
        kept=kept,
    )


def _nothing() -> Achieved:
    return Achieved(voltage_v=np.array([math.nan]), interval_s=1.0, expanded_voltage_v=0.0, expanded_time_s=0.0)
