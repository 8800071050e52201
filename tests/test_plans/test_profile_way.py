"""Which way a bench follows a profile, and that its stairs lie on the right side of it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.plan_check import setup_for
from bench.run_sheets import SheetNames, load_sheets
from test_plans.profile import Certainty, Profile, Segment
from test_plans.profile_shot import LEAD_S, Side, playing
from test_plans.profile_way import Means, stairs, way
from test_plans.rig import Source

SHEETS = load_sheets(SheetNames(bench="simulated", plan="brownout", model="dotterel-6"))
(STEP,) = [step for step in SHEETS.plan.steps if step.procedure == "engine-start"]
SETUP = setup_for(STEP, unit=SHEETS.unit, aircraft=SHEETS.aircraft, plan=SHEETS.plan, bench=SHEETS.bench)
W1, CHATTER = SHEETS.plan.profiles["engine-start-w1"], SHEETS.plan.profiles["engine-start-w5-2ms"]


def bench(**facts):
    return replace(SETUP, bench=replace(SETUP.bench, **facts))


def course(*segments: tuple[float, float, bool], starts_at_v: float = 12.0) -> Profile:
    return Profile(
        name="course",
        title="Course",
        origin="test",
        edition="",
        source="test",
        certainty=Certainty.COMMON_PRACTICE,
        nominal_voltage_v=14.0,
        starts_at_v=starts_at_v,
        segments=tuple(Segment(duration_s=s, voltage_v=v, level=level) for s, v, level in segments),
    )


def test_a_fall_faster_than_the_supply_needs_the_dip_source():
    assert way(W1, SETUP).means is Means.DIP_SOURCE


def test_a_slow_course_is_the_supplys_alone():
    assert way(course((0.5, 9.0, False), (1.0, 9.0, True), (0.5, 12.0, False)), SETUP).means is Means.LIST


def test_breaks_are_the_bus_switch_alone():
    assert way(CHATTER, SETUP).means is Means.OPEN


@pytest.mark.parametrize(
    ("facts", "lacking", "remedy"),
    [
        ({"dip_source": None}, "no dip source", "a dip source, or a supply of 920 V/s downwards"),
        ({"switch_break_s": 0.0}, "states no break-time", "a bus switch that breaks"),
        ({"switch_break_s": 0.002}, "breaks for 2000 us", "a bus switch that breaks"),
        ({"dip_source": replace(SETUP.bench.dip_source, list_points=0)}, "plays no LIST", "that plays LISTs"),
        ({"dip_source": replace(SETUP.bench.dip_source, list_points=8)}, "8 LIST points", "more LIST points"),
        ({"dip_source": replace(SETUP.bench.dip_source, sink_current_a=1.0)}, "sinks 1 A", "that sinks 2.4 A"),
        ({"dip_source": replace(SETUP.bench.dip_source, slew_up_v_per_s=50.0)}, "rises at 50 V/s", "of 75 V/s upwards"),
    ],
)
def test_what_is_lacking_is_said_with_the_cheapest_remedy(facts, lacking, remedy):
    found = way(W1, bench(**facts))
    assert found.means is None
    assert lacking in found.lacking
    assert remedy in found.remedy


def test_more_than_the_unit_survives_is_never_played():
    assert "survives" in way(course((1.0, 20.0, False)), SETUP).lacking


def test_the_dip_source_waits_at_the_bottom_and_stays_longer_on_the_hard_side():
    hard, soft = playing(W1, SETUP, Side.HARD), playing(W1, SETUP, Side.SOFT)
    assert hard.source is soft.source is Source.DIP_SOURCE
    assert hard.treads[0].voltage_v < 8.0 < soft.treads[0].voltage_v
    assert hard.treads[0].dwell_s - LEAD_S > 0.045  # 40 ms, and the 5 ms of the fall it leaves out
    assert soft.treads[0].dwell_s - LEAD_S < 0.040


SLOPES = st.lists(st.tuples(st.floats(0.002, 1.0), st.floats(0.0, 16.0), st.just(False)), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(slopes=SLOPES, ripple_v=st.floats(0.0, 2.0), ripple_hz=st.floats(1.0, 8.0))
def test_stairs_lie_nowhere_on_the_wrong_side_of_a_profile(slopes, ripple_v, ripple_hz):
    drawn = course(*slopes)
    rippled = Segment(
        duration_s=4 / ripple_hz,
        voltage_v=drawn.segments[-1].voltage_v,
        level=True,
        ripple_v=ripple_v,
        ripple_hz=ripple_hz,
    )
    profile = replace(drawn, segments=(*drawn.segments, rippled))
    for pick, sign in ((min, -1.0), (max, 1.0)):
        treads = stairs(profile, SETUP.bench.supply, pick)
        ends_s = np.cumsum([tread.dwell_s for tread in treads])
        times = np.linspace(0.0, profile.duration_s, 400, endpoint=False)
        at = np.minimum(np.searchsorted(ends_s, times, side="right"), len(treads) - 1)
        played = np.array([tread.voltage_v for tread in treads])[at]
        assert (sign * (played - profile.voltage_v(times)) >= -1e-2).all()
        assert len(treads) <= SETUP.bench.supply.list_points


DROP = SHEETS.plan.profiles["momentary-drop-12"]


def test_a_rise_faster_than_the_dip_sources_is_the_bus_switchs_back_to_the_supply():
    assert way(DROP, SETUP).means is Means.DIP_AND_BACK
    quick = replace(SETUP.bench.dip_source, slew_up_v_per_s=400.0)
    assert way(DROP, bench(dip_source=quick)).means is Means.DIP_SOURCE
    unit = replace(SETUP.unit, survives_voltage_v=32.0)
    assert way(SHEETS.plan.profiles["momentary-drop-24"], replace(SETUP, unit=unit)).means is Means.DIP_AND_BACK


@pytest.mark.parametrize(
    ("last", "facts"),
    [
        ((0.01, 10.0, False), {}),  # ends elsewhere than the supply stands
        ((0.01, 12.0, False), {"dip_source": None}),
        ((0.01, 12.0, False), {"switch_break_s": 0.002}),
        ((0.01, 12.0, False), {"dip_source": replace(SETUP.bench.dip_source, list_points=0)}),
    ],
)
def test_what_can_not_be_switched_back_says_what_is_missing(last, facts):
    profile = course((0.01, 5.0, False), (0.1, 5.0, True), last, (0.5, last[1], True))
    found = way(profile, bench(**facts))
    assert found.means is None
    assert found.remedy


def test_both_edges_of_a_drop_are_switched_and_the_bottom_lasts_longer_on_the_hard_side():
    for side, longest_s, bottom_v in ((Side.HARD, 0.12, 4.5), (Side.SOFT, 0.1, 4.8)):
        played = playing(DROP, SETUP, side)
        (tread,) = played.treads
        bottom_s = played.duration_s - played.switched_s
        assert played.source is Source.DIP_SOURCE
        assert tread.voltage_v < bottom_v
        assert bottom_s == pytest.approx(tread.dwell_s - LEAD_S)
        assert longest_s - 0.01 < bottom_s < longest_s
        assert played.stands_s == 1.0


@settings(max_examples=60, deadline=None)
@given(
    bottom_v=st.floats(2.0, 9.0),
    held_s=st.floats(0.02, 0.5),
    fall_s=st.floats(0.004, 0.02),
    rise_s=st.floats(0.001, 0.02),
)
def test_a_drop_is_played_longer_than_asked_and_deeper_or_shorter_and_higher(bottom_v, held_s, fall_s, rise_s):
    profile = course((1.0, 12.0, True), (fall_s, bottom_v, False), (held_s, bottom_v, True), (rise_s, 12.0, False))
    if way(profile, SETUP).means is not Means.DIP_AND_BACK:
        return
    hard, soft = playing(profile, SETUP, Side.HARD), playing(profile, SETUP, Side.SOFT)
    assert hard.treads[0].voltage_v < bottom_v < soft.treads[0].voltage_v
    assert hard.duration_s - hard.switched_s > held_s + fall_s
    assert soft.duration_s - soft.switched_s < held_s
