"""What a soak makes of its captures: drift of the unit, drift of the bench, lost outputs and missing reports."""

import math
from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, plan_with, setup_in, setup_of, sheets, shipped_plans

from analysis.line_fit import fit_line
from analysis.measurement import Curve
from analysis.verdict import Cause, Verdict
from bench.judging import findings_of
from bench.plan_check import needs_of
from test_plans.procedure import NotForModel
from test_plans.registry import PROCEDURES
from test_plans.soak_looks import load_duration_s, names_of, watch_s

SOAK = PROCEDURES["soak"]
SHIPPED = setup_of("soak")
SETUP = replace(
    SHIPPED,
    step=replace(SHIPPED.step, conditions={**SHIPPED.step.conditions, "soak_time_s": 80.0, "points": 5}),
)
LOOKS = range(5)
APART_S = 20.0
HELD_V = (12.50, 12.47, 12.44, 12.41, 12.38)
BUS = {"set_voltage_v": 13.8, "current_limit_a": 16.0}


def load_look(place, *, held_v, reference_v=None):
    wanted = SETUP.bench.reference_v if reference_v is None else reference_v
    scene = Scene(names_of(place).load, load_duration_s(), 5000.0, **BUS)
    scene.signal("unit.voltage", 13.8).signal("unit.current.high", 4.3).signal("reference.voltage", wanted)
    scene.signal("hold-up.voltage", held_v).signal("hold-up.current", held_v / 3.125)
    return replace(scene.capture(), start_s=APART_S * place)


def quiet_look(place, current_a=0.15):
    scene = Scene(names_of(place).quiet, 0.5, 5000.0, **BUS).signal("unit.voltage", 13.8)
    return replace(scene.signal("unit.current", current_a).capture(), start_s=APART_S * place + 1.0)


def watched(place, *, period_s=1.0, held_v=12.5, without=(), sent=True, count=0):
    scene = Scene(names_of(place).watch, watch_s(SETUP), 1000.0, **BUS)
    scene.signal("unit.voltage", 13.8).signal("unit.current.high", 4.3)
    scene.signal("hold-up.voltage", held_v).signal("hold-up.current", np.asarray(held_v) / 3.125)
    late_s = np.random.Generator(np.random.Philox(key=place)).uniform(0.0, 0.001, 100)
    code = 0
    for number in range(int(watch_s(SETUP) / period_s)):
        if number not in without:
            scene.report("reset-count", 0.3 + number * period_s + late_s[number], count=count, message_code=code)
        code += number not in without or sent
    return replace(scene.capture(), start_s=APART_S * place + 2.0)


def findings(*changes, loads=HELD_V, quiets=(0.15,) * 5, periods=(1.0,) * 4):
    taken = [load_look(place, held_v=held_v) for place, held_v in enumerate(loads)]
    taken += [quiet_look(place, current_a) for place, current_a in enumerate(quiets)]
    taken += [watched(place, period_s=period_s) for place, period_s in enumerate(periods)]
    by_name = {capture.name: capture for capture in (*taken, *changes)}
    results = list(SOAK.evaluate(Shelf(*by_name.values()), SETUP))
    judged = findings_of(results, sheets().unit, procedure="soak", attempt=1)
    return {finding.id: finding for finding in judged}, {result.id: result for result in results}


def test_a_drift_is_the_change_in_per_cent_and_only_noise_is_left_of_its_uncertainty():
    found, results = findings()
    drift = found["soak.hold-up.drift"]
    assert drift.value == pytest.approx(100.0 * (12.38 / 12.50 - 1.0), abs=3e-3)
    assert drift.verdict is Verdict.PASS
    assert drift.standard_uncertainty < 5e-3  # the channel's bound alone would be 0.05 %
    slope = fit_line(np.arange(5) / 3.0, 100.0 * (np.array(HELD_V) / 12.5 - 1.0)).slope
    assert f"straight line through 5 looks: {slope:+.3g}"[:38] in results["soak.hold-up.drift"].notes[0]


def test_an_excursion_that_comes_back_is_found_too():
    found, _ = findings(loads=(12.50, 12.45, 12.25, 12.45, 12.50))
    assert found["soak.hold-up.drift"].verdict is Verdict.PASS
    assert (found["soak.hold-up.excursion"].verdict, found["soak.hold-up.excursion"].cause) == (
        Verdict.FAIL,
        Cause.UNIT,
    )
    assert found["soak.hold-up.excursion"].value == pytest.approx(-2.0, abs=0.01)


def test_a_supply_current_that_creeps_up_fails():
    found, _ = findings(quiets=(0.150, 0.152, 0.155, 0.158, 0.160))
    assert found["soak.quiescent.drift"].verdict is Verdict.FAIL
    assert found["soak.hold-up.drift"].verdict is Verdict.PASS


def test_a_clock_that_runs_slow_as_it_warms_fails_and_jitter_does_not():
    found, _ = findings(periods=(1.0, 1.003, 1.006, 1.009))
    assert found["soak.clock.drift"].value == pytest.approx(0.9, abs=0.02)
    assert found["soak.clock.drift"].verdict is Verdict.FAIL
    steady, _ = findings()
    assert steady["soak.clock.drift"].verdict is Verdict.PASS
    assert abs(steady["soak.clock.drift"].value) < 2.0 * steady["soak.clock.drift"].expanded_uncertainty


def test_where_the_bench_itself_moved_no_drift_is_the_units():
    moved = load_look(4, held_v=12.2, reference_v=SETUP.bench.reference_v * 0.995)
    found, _ = findings(moved)
    assert (found["soak.bench"].verdict, found["soak.bench"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "its reference seems to have moved by -0.50 %" in found["soak.bench"].reasons[0]
    for name in ("hold-up", "quiescent", "pitch.drop"):
        assert (found[f"soak.{name}.drift"].verdict, found[f"soak.{name}.drift"].cause) == (
            Verdict.INCONCLUSIVE,
            Cause.BENCH,
        )


def test_an_output_that_is_lost_for_10_ms_is_found_between_two_looks():
    volts = np.full(round(1000.0 * watch_s(SETUP)), 12.5)
    volts[5000:5010] = 0.0
    found, _ = findings(watched(2, held_v=volts))
    stays = found["soak.hold-up.stays"]
    assert (stays.verdict, stays.trials, stays.failures) == (Verdict.FAIL, 4, 1)
    assert "watch-3: down to 0.0" in stays.reasons[0]


def test_a_report_that_was_never_sent_is_the_units_and_one_lost_on_the_way_the_benchs():
    lost, _ = findings(watched(1, without=(7,)))
    assert (lost["soak.reports"].verdict, lost["soak.reports"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    missing, _ = findings(watched(1, without=(7,), sent=False))
    assert (missing["soak.reports"].verdict, missing["soak.reports"].cause) == (Verdict.FAIL, Cause.UNIT)
    assert "watch-2: none for 2.0" in missing["soak.reports"].reasons[0]


def test_a_reset_is_left_to_the_watch_and_spoils_no_clock():
    found, _ = findings(watched(3, count=1))
    assert "soak.no-reset" not in found
    assert found["soak.clock.drift"].verdict is Verdict.PASS
    steady, _ = findings()
    assert steady["soak.no-reset"].verdict is Verdict.PASS


def test_what_was_not_captured_is_the_benchs_and_the_curve_holds_what_is_known():
    found, results = findings()
    for name in ("pitch.drop.drift", "pwm-1.drift", "pwm-1.frequency.excursion"):
        assert (found[f"soak.{name}"].verdict, found[f"soak.{name}"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    curve = results["soak.curve"]
    assert isinstance(curve, Curve)
    minutes, percent = curve.series["hold-up"]
    assert minutes == pytest.approx([place * APART_S / 60.0 for place in LOOKS])
    assert percent[0] == 0.0
    assert all(math.isnan(value) for value in curve.series["pwm-1"][1])


def test_how_long_it_lasts_and_what_it_keeps_is_the_plans():
    needs = needs_of(SOAK, SHIPPED)
    assert needs.bench_time_s == pytest.approx(600.0, abs=10.0)
    assert sum(need.name.startswith("watch") for need in needs.captures) == 10
    assert sum(need.name.startswith("load") for need in needs.captures) == 11
    assert plan_with("soak") == "soak"


def test_too_short_a_soak_is_refused_for_what_its_clock_would_be_worth():
    short = replace(SETUP, step=replace(SETUP.step, conditions={**SETUP.step.conditions, "soak_time_s": 10.0}))
    worth = dict(needs_of(SOAK, short).limits)["soak-clock-drift"]
    assert worth > sheets().unit.limits["soak-clock-drift"].high


def test_a_model_without_a_hold_up_output_has_no_soak():
    setup = setup_in(shipped_plans()["soak"], "soak")
    without = replace(setup, unit=replace(setup.unit, outputs=()))
    assert isinstance(SOAK.not_for_model(without), NotForModel)
    assert SOAK.not_for_model(setup) is None
