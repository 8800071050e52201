"""Expected uncertainties come out of the bench sheet: a worse bench gives a worse answer of the plan check."""

import math

import pytest
from sheet_texts import changed
from synthetic_captures import setup_of, sheets

from bench.plan_check import Ability, check_plan
from bench.planning import plan_check
from bench.run_sheets import SheetNames, load_sheets
from test_plans.expected import as_current, load_of, reading, through, timed
from test_plans.registry import PROCEDURES

VOLTS = 'volts = { accuracy = "0.05 % + 10 mV" }'
SETUP = setup_of("trim-loaded")
COVERED = (
    "unpowered",
    "power-up",
    "discrete-levels",
    "discrete-latency",
    "dimming-curve",
    "trim-light",
    "trim-loaded",
    "trim-cut-off",
    "ground-pin",
    "bus-ramp",
    "final-repeat",
    "discharge",
)


def limits_on(bench, procedure):
    loaded = load_sheets(SheetNames(bench=bench, plan="acceptance", model="dotterel-6"))
    (step,) = (step for step in plan_check(loaded).steps if step.procedure == procedure)
    return step, dict(step.needs.limits)


def test_a_reading_is_as_good_as_its_probe_says():
    # 0.05 % of 13.8 V and 10 mV are 16.9 mV; u is that over the square root of three
    assert reading(SETUP, "unit.voltage", 13.8).standard_uncertainty == pytest.approx(0.0169 / math.sqrt(3.0), rel=1e-3)
    assert reading(SETUP, "unit.current", 0.21).standard_uncertainty == pytest.approx(
        (0.003 * 0.21 + 0.003) / math.sqrt(3.0), rel=1e-2
    )


def test_what_is_not_wired_is_exact_and_a_load_that_is_not_there_is_open():
    assert reading(SETUP, "flap.current", 12.0).standard_uncertainty == 0.0
    assert math.isinf(load_of(SETUP, "pitch", "7 ohm").resistance_ohm)
    assert through(SETUP, "pitch", "7 ohm", 13.8) == 0.0
    assert as_current(SETUP, reading(SETUP, "pitch.voltage", 1.0), "pitch", "7 ohm").value == 0.0


def test_a_load_gets_the_current_its_own_resistance_lets_through():
    assert through(SETUP, "pitch", "1 kohm", 13.8) == pytest.approx(0.0138)
    assert through(SETUP, "pitch", "9.0 ohm", 13.8) == pytest.approx(13.8 / 9.0)


def test_a_duration_is_as_good_as_the_sample_clock():
    assert timed(SETUP, 4.0).standard_uncertainty == pytest.approx(4.0 * 50e-6 / math.sqrt(3.0))


@pytest.mark.parametrize(
    ("procedure", "limit", "u"),
    [
        # figures that the demo units' paper works out, and sums that can be done by hand
        ("trim-loaded", "trim-drop", 0.014),
        ("discrete-levels", "low-threshold-active", math.hypot(0.0108 / math.sqrt(3.0), 0.5 * 0.0051 / math.sqrt(3.0))),
        ("trim-cut-off", "trim-cut-off", math.hypot(0.25e-3, 0.25e-3, 4.0 * 50e-6) / math.sqrt(3.0)),
        ("discrete-latency", "discrete-latency", math.hypot(10e-6, 30e-6, 0.045 * 50e-6) / math.sqrt(3.0)),
        ("power-up", "quiescent-current", 0.00363 / math.sqrt(3.0)),
        ("discharge", "discharge-voltage", 0.0105 / math.sqrt(3.0)),
        ("bus-ramp", "release-voltage", math.hypot(0.1 / math.sqrt(12.0), 0.01 / math.sqrt(12.0), 0.0086)),
    ],
)
def test_expected_uncertainties_of_the_shipped_bench(procedure, limit, u):
    _, limits = limits_on("simulated", procedure)
    assert limits[limit] == pytest.approx(u, rel=0.04)


def test_a_bench_with_bad_volts_cannot_tell_or_says_how_little(tmp_path):
    bad = changed(tmp_path, "bench", (VOLTS, 'volts = { accuracy = "5 % + 1 V" }'))
    loaded = load_sheets(SheetNames(bench=bad, plan="acceptance", model="dotterel-6"))
    checked = check_plan(loaded.plan, PROCEDURES, unit=loaded.unit, aircraft=loaded.aircraft, bench=loaded.bench)
    unable = {step.procedure for step in checked.steps if step.ability is Ability.CANT}
    assert {"power-up", "discrete-levels", "dimming-curve", "trim-loaded", "bus-ramp"} <= unable
    assert "no reading could pass" in next(s for s in checked.steps if s.procedure == "bus-ramp").obstacle


def test_a_bench_with_poor_volts_can_with_larger_uncertainty(tmp_path):
    poor = changed(tmp_path, "bench", (VOLTS, 'volts = { accuracy = "0.5 % + 60 mV" }'))
    step, limits = limits_on(poor, "trim-loaded")
    assert step.ability is Ability.WITH_LARGER_UNCERTAINTY
    assert limits["trim-drop"] > 0.05
    assert "trim-drop-difference" in step.remarks[0]


@pytest.mark.parametrize("procedure", COVERED)
def test_a_worse_bench_never_expects_a_smaller_uncertainty(procedure, tmp_path):
    worse = changed(
        tmp_path,
        "bench",
        (VOLTS, 'volts = { accuracy = "0.1 % + 20 mV" }'),
        ('input-current = { accuracy = "0.3 % + 3 mA"', 'input-current = { accuracy = "0.6 % + 6 mA"'),
        ('sample-clock = "50 ppm"', 'sample-clock = "5000 ppm"'),
    )
    shipped, expected = limits_on("simulated", procedure)[1], limits_on(worse, procedure)[1]
    assert expected.keys() == shipped.keys()
    assert all(expected[limit] > u > 0.0 for limit, u in shipped.items())


def test_light_loads_current_follows_the_load_that_the_plan_names():
    needs = PROCEDURES["trim-light"].needs(setup_of("trim-light"))
    assert needs.load_current_a == pytest.approx(sheets().unit.nominal_voltage_v / 1000.0)
