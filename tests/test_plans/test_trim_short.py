"""A trim output shorted while it drives: what is the unit's, what the bench's, and what nobody can tell."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, judged, setup_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans import trim_over_current, trim_short
from test_plans.driving import LEAD_S
from test_plans.registry import PROCEDURES
from test_plans.signals import voltage_signal
from test_plans.switch_lines import watched_lines

UNIT = sheets().unit
PITCH = UNIT.trims[0]
UP = PITCH.switches[0]
SETUP = setup_of("trim-short")
LATENCY_S = 0.025
TOLD_S = LEAD_S + trim_short.ON_S  # the relay closes
GONE_S = TOLD_S + trim_short.SHORT_S
RELEASED_S = GONE_S + trim_short.HELD_S
ANEW_S = RELEASED_S + trim_short.REST_S


def shorted(*, lasts_s=0.0002, closes=True, drives=1.0, again=False, anew=True, bus_a=None, beside_v=0.0):
    scene = Scene(
        f"{UP.name}-short", trim_short._duration_s(), trim_short.RATE_HZ, set_voltage_v=13.8, current_limit_a=48.0
    )
    times_s = scene.times_s
    short = (times_s >= TOLD_S) & (times_s < TOLD_S + lasts_s) & closes
    first = (times_s >= LEAD_S + LATENCY_S) & (times_s < (TOLD_S if closes else RELEASED_S + LATENCY_S))
    second = (times_s >= ANEW_S + LATENCY_S) & (times_s < ANEW_S + trim_short.ANEW_S + LATENCY_S) & anew
    third = (times_s >= GONE_S + 0.05) & (times_s < RELEASED_S + LATENCY_S) & again
    volts = drives * (13.75 * (first | second | third) + 6.9 * short)
    amps = drives * (0.014 * (first | second | third) + 34.5 * short)
    scene.signal("unit.voltage", 13.8).signal("pitch.voltage", volts).signal("pitch.current", amps)
    scene.signal("unit.current.high", 0.15 + np.where(short, 34.5 if bus_a is None else bus_a, 0.0))
    if bus_a is not None:
        scene.signal("unit.voltage", np.where(short, 11.0, 13.8))
    for name in trim_short._others(SETUP, PITCH):
        scene.signal(voltage_signal(name), beside_v * short)
    closed = np.zeros(scene.n, dtype=bool)
    for pressed_s, released_s in ((LEAD_S, RELEASED_S), (ANEW_S, ANEW_S + trim_short.ANEW_S)):
        closed |= (times_s >= pressed_s) & (times_s < released_s)
        scene.drive(UP.name, pressed_s, True).drive(UP.name, released_s, False)
    for line in watched_lines(UNIT):
        scene.line(line, closed if line == UP.name else False)
    scene.event("note", TOLD_S + 0.003, shorted="pitch")
    found = judged("trim-short", scene.capture())
    return {name.removeprefix("pitch.left.up."): finding for name, finding in found.items() if ".left.up." in name}


def said(finding):
    return finding.verdict, finding.cause


def test_a_short_that_is_over_at_once_passes_in_every_respect():
    found = shorted()
    assert set(found) == {"short-time", "short-holds-off", "short-lets-go", "short-others-idle"}
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["short-time"].value == pytest.approx(0.0002, abs=3e-5)


def test_what_flows_is_read_across_the_short():
    scene = Scene("any", 0.01, trim_short.RATE_HZ).signal("pitch.voltage", 6.9)
    record = trim_short.Record(_One(scene.capture()), "any")
    peak = trim_short._peak(record, SETUP, PITCH, trim_short.Shorted(told_s=0.0, began_s=0.0, ended_s=0.005))
    assert peak.value == pytest.approx(34.5, abs=0.1)
    assert peak.standard_uncertainty == pytest.approx(0.05 * 34.5 / 3.0**0.5, rel=0.05)


class _One:
    def __init__(self, capture):
        self._capture = capture

    def capture(self, name):
        del name
        return self._capture


@pytest.mark.parametrize(
    ("how", "failed"),
    [
        ({"lasts_s": 0.100}, "short-time"),
        ({"again": True}, "short-holds-off"),
        ({"anew": False}, "short-lets-go"),
        ({"lasts_s": 0.02, "beside_v": 4.0}, "short-others-idle"),
    ],
)
def test_one_that_lasts_comes_back_stays_off_or_moves_another_is_the_units(how, failed):
    assert said(shorted(**how)[failed]) == (Verdict.FAIL, Cause.UNIT)


@pytest.mark.parametrize(
    ("how", "cause"),
    [
        ({"closes": False}, Cause.BENCH),  # a relay that never closes, or a blown fuse
        ({"drives": 0.0}, Cause.UNDECIDED),  # trim-light says whose that is
        ({"lasts_s": 0.02, "bus_a": 47.9}, Cause.UNDECIDED),  # the supply limits: nobody knows what the unit would do
    ],
)
def test_no_short_no_drive_and_a_supply_that_limits_never_blame_the_unit(how, cause):
    assert said(shorted(**how)["short-time"]) == (Verdict.INCONCLUSIVE, cause)


def test_the_supply_is_not_what_limits():
    needs = PROCEDURES["trim-short"].needs(SETUP)
    assert needs.current_limit_a > 1.3 * needs.load_current_a


def test_a_bench_without_a_short_says_so_for_both_procedures():
    loads = {**SETUP.bench.loads, "pitch": {k: v for k, v in SETUP.bench.loads["pitch"].items() if k != "0.2 ohm"}}
    without = replace(SETUP.bench, loads=loads)
    assert ("pitch", "0.25 ohm") in PROCEDURES["trim-short"].needs(replace(SETUP, bench=without)).loads
    drawn = setup_of("trim-over-current")
    untested = PROCEDURES["trim-over-current"].needs(replace(drawn, bench=without)).untested
    assert f"{trim_over_current.SHORT} Pitch trim" in untested
    assert not any("short" in words for words in PROCEDURES["trim-over-current"].needs(drawn).untested)
