"""Rates of a step, the stairs in which the supply plays them, and what is read of them at the pins."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from synthetic_captures import Scene, Shelf, setup_of

from analysis.verdict import Cause
from test_plans.bus_slope import Slope, achieved, beyond_reach, rates_of, slope_doubts, treads_of
from test_plans.readings import Record

SETUP = setup_of("bus-ramp-held")


def slope(rate_v_per_s=5.0):
    return Slope(from_v=8.6, low_v=4.0, to_v=9.5, rate_v_per_s=rate_v_per_s, stands_s=0.3)


def asked(**conditions):
    return replace(SETUP, step=replace(SETUP.step, conditions=conditions))


def ramped(fall=5.0, rise=5.0, *, low_v=4.0, stair_s=0.0):
    """Return a capture at 2 kS/s: down from 8.6 V, 0.3 s below, up to 9.5 V."""
    times_s = [0.2, 0.2 + (8.6 - low_v) / fall]
    times_s += [times_s[-1] + 0.3, times_s[-1] + 0.3 + (9.5 - low_v) / rise]
    scene = Scene("ramp", times_s[-1] + 0.2, 2000.0)
    at_s = scene.times_s if not stair_s else np.floor(scene.times_s / stair_s) * stair_s
    return Record(
        Shelf(scene.signal("unit.voltage", np.interp(at_s, times_s, (8.6, low_v, low_v, 9.5))).capture()), "ramp"
    )


def test_rates_lie_equal_factors_apart_and_those_beyond_the_supply_are_left_out_and_said():
    setup = asked(first_rate_v_per_s=0.4, last_rate_v_per_s=400.0, rates=4)
    can, beyond = rates_of(setup, first=1.0, last=2.0, rates=9)
    assert (can, beyond) == ((0.4, 4.0, 40.0), (400.0,))  # the supply falls at 100 V/s
    (said,) = beyond_reach(setup, beyond)
    assert "400 V/s: the supply rises at 200 V/s and falls at 100 V/s" in said
    assert beyond_reach(setup, ()) == ()
    weak = replace(setup, bench=replace(setup.bench, supply=replace(setup.bench.supply, sink_current_a=0.02)))
    assert rates_of(weak, first=1.0, last=2.0, rates=9) == ((0.4, 4.0), (40.0, 400.0))  # 2.64 mF at 40 V/s is 0.1 A
    assert "sinks 0.02 A, too little" in beyond_reach(weak, (40.0,))[0]
    assert rates_of(asked(), first=3.0, last=3.0, rates=5) == ((3.0,), ())


@given(st.floats(min_value=0.1, max_value=100.0))
def test_a_list_of_any_rate_fits_the_supply_and_takes_as_long_as_the_rate_says(rate_v_per_s):
    supply, wanted = SETUP.bench.supply, slope(rate_v_per_s)
    treads = treads_of(wanted, SETUP)
    if not treads:
        assert (wanted.duration_s - 0.3) / (supply.list_points - 4) >= 0.0199  # the bench's own stairs are as fine
        return
    assert len(treads) <= supply.list_points
    assert min(tread.dwell_s for tread in treads) >= supply.shortest_dwell_s
    assert (min(tread.voltage_v for tread in treads), treads[-1].voltage_v) == (4.0, 9.5)
    took_s = sum(tread.dwell_s for tread in treads) - 0.3
    assert took_s * rate_v_per_s == pytest.approx(4.6 + 5.5, rel=0.05)


def test_a_supply_without_lists_plays_none():
    without = replace(SETUP, bench=replace(SETUP.bench, supply=replace(SETUP.bench.supply, list_points=0)))
    assert treads_of(slope(50.0), without) == ()


@pytest.mark.parametrize("stair_s", [0.0, 0.02])
def test_either_rate_is_read_at_the_pins_with_what_stairs_and_channel_leave_open(stair_s):
    found = achieved(ramped(5.0, 2.5, stair_s=stair_s), slope(), SETUP)
    assert found.fall_v_per_s == pytest.approx(5.0, rel=3.0 * found.relative_u)
    assert found.rise_v_per_s == pytest.approx(2.5, rel=3.0 * found.relative_u)
    step_s = treads_of(slope(), SETUP)[0].dwell_s if treads_of(slope(), SETUP) else 0.02
    assert found.relative_u >= 5.0 * step_s / math.sqrt(6.0) / (0.8 * 4.6)


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (ramped(5.0, 4.0), "5 V/s were asked for, the pins saw 5 V/s"),
        (ramped(5.0, 5.0, low_v=4.2), "the bus fell to 4.20 V only, 4.00 V was asked for"),
    ],
)
def test_a_bus_that_did_not_go_as_asked_is_the_benchs(record, said):
    (doubt,) = slope_doubts(record, slope(), achieved(record, slope(), SETUP))
    assert doubt.cause is Cause.BENCH
    assert said in doubt.reason


def test_a_bus_that_went_as_asked_leaves_no_doubt_and_a_missing_capture_the_benchs():
    assert slope_doubts(ramped(), slope(), achieved(ramped(), slope(), SETUP)) == ()
    missing = Record(Shelf(), "ramp")
    assert [doubt.cause for doubt in slope_doubts(missing, slope(), achieved(missing, slope(), SETUP))] == [Cause.BENCH]
