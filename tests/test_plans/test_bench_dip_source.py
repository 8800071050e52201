"""What the plug shows of the dip source and the bus switch, from captures made of arrays."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, judged, setup_of

from analysis.verdict import Cause, Verdict
from test_plans import bench_dip_source as dip
from test_plans.bench_dip_source import BenchDipSource

PLUG_OHM, LEADS_OHM, SUPPLY_V = 1.4, 0.018, 7.35
THERE_S = dip.BEFORE_S + dip.LEAD_S
BACK_S = THERE_S + 3 * dip.STEP_S


def scene(*, off_v=0.0, more_ohm=0.0, rate=1.0, breaks=((0.0, 50e-6),), back_v=SUPPLY_V):
    """Return the capture of a bench whose dip source or switch may be wrong; `breaks` are (begin, duration)."""
    made = Scene("dip", dip._duration_s(), dip.RATE_HZ, set_voltage_v=SUPPLY_V, current_limit_a=9.8)
    times = made.times_s
    low_v, high_v = 4.9, 9.8
    up_s, down_s = (high_v - low_v) / (200.0 * rate), (high_v - low_v) / (100.0 * rate)
    corners = [
        (THERE_S + dip.STEP_S, low_v),
        (THERE_S + dip.STEP_S + up_s, high_v),
        (THERE_S + 2 * dip.STEP_S, high_v),
        (THERE_S + 2 * dip.STEP_S + down_s, low_v),
    ]
    source_v = np.interp(times, [at for at, _ in corners], [volts for _, volts in corners]) + off_v
    at_dip = (times >= THERE_S) & (times < BACK_S)
    volts = np.where(at_dip, source_v * PLUG_OHM / (PLUG_OHM + LEADS_OHM + more_ohm), SUPPLY_V)
    volts = np.where(times >= BACK_S, back_v, volts)
    for at_s in (THERE_S, BACK_S):
        for begin_s, lasts_s in breaks:
            volts = np.where((times >= at_s + begin_s) & (times < at_s + begin_s + lasts_s), 0.0, volts)
    made.event("stimulus", THERE_S, line="bus switch", path="dip source")
    made.event("stimulus", BACK_S, line="bus switch", path="run")
    return made.signal("unit.voltage", volts).signal("unit.current.high", volts / PLUG_OHM).capture()


def wrong(**changes):
    """Return what does not pass, by the last word of its id, with its reasons."""
    found = judged("bench-dip-source", scene(**changes))
    bad = {id_.removeprefix("bench-dip-source."): one for id_, one in found.items() if one.verdict is not Verdict.PASS}
    assert {(one.verdict, one.cause) for one in bad.values()} <= {(Verdict.INCONCLUSIVE, Cause.BENCH)}
    return {name: " ".join(one.reasons) for name, one in bad.items()}


def test_a_sound_dip_source_passes():
    assert wrong() == {}


@pytest.mark.parametrize(
    ("changes", "names"),
    [
        ({"off_v": 0.1}, {"level"}),
        ({"off_v": -0.1}, {"level"}),
        ({"more_ohm": 0.03}, {"level"}),
        ({"rate": 0.5}, {"slew"}),
        ({"breaks": ((0.0, 200e-6),)}, {"switch"}),
        ({"breaks": ((0.0, 40e-6), (0.001, 40e-6))}, {"switch"}),
        ({"back_v": 7.25}, {"back"}),
        ({"breaks": ((0.0, 2.0),)}, {"level", "slew", "switch", "back"}),
    ],
    ids=range(8),
)
def test_what_is_wrong_is_the_benchs_and_named(changes, names):
    assert wrong(**changes).keys() == names


def test_two_currents_part_a_resistance_from_a_setting():
    assert "100 milliohm more than expected, and +0.00 V of setting" in wrong(more_ohm=0.1)["level"]
    assert "0 milliohm more than expected, and +0.30 V of setting" in wrong(off_v=0.3)["level"]


def test_nothing_captured_proves_nothing():
    found = judged("bench-dip-source")
    assert len(found) == 4
    assert {(one.verdict, one.cause) for one in found.values()} == {(Verdict.INCONCLUSIVE, Cause.BENCH)}


def test_a_bench_without_a_dip_source_that_plays_is_not_asked():
    setup = setup_of("bench-dip-source")
    assert BenchDipSource().not_for_model(setup) is None
    for source in (None, replace(setup.bench.dip_source, list_points=0)):
        left_out = BenchDipSource().not_for_model(replace(setup, bench=replace(setup.bench, dip_source=source)))
        assert "no dip source that plays a course" in left_out.reason
