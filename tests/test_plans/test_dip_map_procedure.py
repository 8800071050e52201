"""What the map of dips asks of a bench and of a unit sheet, and what it says where it could show nothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_captures import Scene, Shelf, setup_of

from analysis.verdict import Cause
from test_plans.dip_findings import LIMITS
from test_plans.dip_readings import HOLD_UP, LOGIC, dip_profile, name_of, read_dip
from test_plans.dip_search import Aim
from test_plans.profile_shot import Side, playing, signals_of
from test_plans.profile_way import Means, way
from test_plans.readings import Record
from test_plans.registry import PROCEDURES
from test_plans.rig import BUS_SWITCH, SupplyPath

MAP = PROCEDURES["dip-map"]


def observed(setup):
    return [one for one in MAP.evaluate(Shelf(), setup) if hasattr(one, "statement")]


def bounded(setup):
    found = [one for one in MAP.evaluate(Shelf(), setup) if one.id.endswith("ms")]
    assert len(found) == 8
    return found


def test_it_takes_a_minute_and_a_half_on_the_bench():
    assert 60.0 <= MAP.needs(setup_of("dip-map")).bench_time_s <= 110.0


def test_what_was_not_taken_is_the_benchs_debt():
    setup = setup_of("dip-map")
    assert all(one.trials == 0 and {doubt.cause for doubt in one.doubts} == {Cause.BENCH} for one in observed(setup))
    assert all({doubt.cause for doubt in one.doubts} == {Cause.BENCH} for one in bounded(setup))


def test_a_bench_without_a_dip_source_can_not_and_every_result_says_what_lacks():
    setup = setup_of("dip-map")
    bare = replace(setup, bench=replace(setup.bench, dip_source=None))
    need = MAP.needs(bare)
    (told,) = need.ways
    assert (need.captures, told.means) == ((), None)
    assert "the supply falls at 100 V/s, 1500 V/s asked, and there is no dip source" in told.sentence
    assert "cheapest thing missing: a dip source" in told.sentence
    for one in (*observed(bare), *bounded(bare)):
        (doubt,) = one.doubts
        assert doubt.cause is Cause.BENCH
        assert "there is no dip source" in doubt.reason
        assert doubt.next_step.startswith("get a dip source")


def test_a_sheet_without_limits_for_it_has_its_boundaries_measured_and_not_judged():
    setup = setup_of("dip-map")
    limits = {name: limit for name, limit in setup.unit.limits.items() if name not in LIMITS.values()}
    without = replace(setup, unit=replace(setup.unit, limits=limits))
    assert MAP.needs(without).limits == ()
    assert {one.limit for one in bounded(without)} == {""}
    assert {one.limit for one in bounded(setup)} == {LIMITS[HOLD_UP], LIMITS[LOGIC]}


def test_a_model_that_shows_nothing_of_it_is_left_out():
    setup = setup_of("dip-map")
    outputs = tuple(output for output in setup.unit.outputs if not output.held_up)
    silent = replace(setup, unit=replace(setup.unit, outputs=outputs, bus=replace(setup.unit.bus, reports={})))
    left = MAP.not_for_model(silent)
    assert left is not None
    assert left.untested
    assert MAP.not_for_model(setup) is None


@pytest.mark.parametrize("depth_v", [4.0, 6.0, 9.8, 12.5])
def test_a_dip_is_played_from_the_dip_source_and_lies_below_what_was_asked_for_as_long(depth_v):
    setup = setup_of("dip-map")
    profile = dip_profile(Aim(depth_v, 0.037), setup)
    assert way(profile, setup).means is Means.DIP_SOURCE
    bottom, *_ = playing(profile, setup, Side.HARD).treads
    assert bottom.voltage_v < depth_v
    assert bottom.dwell_s > 0.037


AIM = Aim(6.0, 0.037)


def dipped(lowest_v, lasts_s, *, held_v=12.5, resets=0, starts_at_v=13.8):
    """Return a dip's capture: as deep and long as said, whatever was asked."""
    setup = setup_of("dip-map")
    name = name_of(AIM, setup, 0)
    scene = Scene(name, 5.7, rate_hz=5000.0, set_voltage_v=starts_at_v, current_limit_a=16.0)
    times_s, from_s = scene.times_s, 1.6
    inside = (times_s >= from_s) & (times_s < from_s + lasts_s)
    for signal in signals_of(setup):
        scene.signal(signal, 0.0)
    scene.signal("unit.voltage", np.where(inside, lowest_v, starts_at_v))
    scene.signal("unit.current.high", 4.3)
    scene.signal("hold-up.voltage", np.where(inside, held_v, 12.5))
    scene.signal("hold-up.current", np.where(inside, held_v, 12.5) / 3.125)
    for at_s, path in ((from_s, SupplyPath.DIP_SOURCE), (2.2, SupplyPath.RUN)):
        scene.event("stimulus", at_s, line=BUS_SWITCH, path=path.value)
    for at_s, count in ((0.5, 0), (3.0, resets), (5.0, resets)):
        scene.report("reset-count", at_s, count=count)
    return read_dip(Record(Shelf(scene.capture()), name), AIM, setup)


def test_a_dip_is_placed_where_the_pins_show_it_to_have_been():
    read = dipped(5.8, 0.050)
    hold_up = read.taken.dips[HOLD_UP]
    assert (hold_up.kept, hold_up.asked_s, hold_up.at_least_s) == (True, 0.037, 0.037)
    assert hold_up.reached_v == pytest.approx(5.82, abs=0.02)
    assert hold_up.lowest_v == pytest.approx(5.78, abs=0.02)
    assert hold_up.at_most_s == pytest.approx(0.050, abs=0.002)
    assert (read.gone, read.at_end) == ((), ())


@given(lowest_v=st.floats(3.0, 9.0), lasts_s=st.floats(0.005, 0.3))
@settings(max_examples=25, deadline=None)
def test_a_survived_dip_that_was_not_as_hard_as_asked_has_no_place_on_the_map(lowest_v, lasts_s):
    read = dipped(lowest_v, lasts_s)
    for function in (HOLD_UP, LOGIC):
        if function in read.taken.dips:
            assert lowest_v < AIM.depth_v
            assert lasts_s > AIM.duration_s
            assert read.taken.dips[function].lowest_v <= lowest_v <= read.taken.dips[function].reached_v
        else:
            (doubt,) = read.untold[function]
            assert doubt.cause is Cause.BENCH
            assert "not as hard as asked" in doubt.reason
            assert lowest_v > AIM.depth_v - 0.05 or lasts_s < AIM.duration_s + 0.001


def test_what_was_lost_in_it_is_told_of_each_function_alone():
    lost = dipped(5.2, 0.050, held_v=3.0).taken.dips
    assert (lost[HOLD_UP].kept, lost[LOGIC].kept) == (False, True)
    reset = dipped(4.4, 0.050, resets=1).taken.dips
    assert (reset[HOLD_UP].kept, reset[LOGIC].kept) == (True, False)


def test_a_dip_whose_capture_is_missing_tells_nothing():
    read = read_dip(Record(Shelf(), "dip-6000mv-37ms.hard"), AIM, setup_of("dip-map"))
    assert read.taken.dips == {}
    assert all({doubt.cause for doubt in doubts} == {Cause.BENCH} for doubts in read.untold.values())
