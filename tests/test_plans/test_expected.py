"""Expected uncertainties come out of the bench sheet: a worse bench gives a worse answer of the plan check."""

import math
import re
from dataclasses import replace

import pytest
from sheet_texts import changed, shipped_text
from synthetic_captures import setup_of, sheets

from bench.plan_check import Ability, check_plan, check_step, setup_for
from bench.planning import plan_check
from bench.run_sheets import SheetNames, load_sheets
from test_plans.dimming_expected import level
from test_plans.expected import as_current, load_of, reading, through, timed, typical
from test_plans.registry import PROCEDURES

VOLTS = 'volts = { accuracy = "0.05 % + 10 mV" }'
SETUP = setup_of("trim-loaded")
PLANS = ("acceptance", "trim", "dimming", "discretes")
# What the sample rate decides and no accuracy of a channel: duties by their pulses, and a difference of equal times.
BY_SAMPLING = {
    "dimming-hysteresis",
    *("dimming-cross-talk", "dimming-bus-dependence", "dimming-linearity", "dimming-modulation"),
    *("pwm-step", "pwm-full-level", "trim-speed-curve", "trim-speed-gap", "trim-tap-transfer", "trim-stop-time"),
}
ACCURACIES = ("accuracy", "noise", "tolerance", "sample-clock", "report-time", "bound")


OPTIONAL = {
    "low-pull-current",
    "reset-voltage",
    "hold-up-overshoot",
    "hold-up-load-regulation",
    "reset-duration",
    "dimming-hysteresis",
}  # a sheet without them has nothing measured against them


def twice_as_bad(folder):
    """Write the shipped bench sheet with every accuracy in it doubled."""
    text = shipped_text("bench")
    for key in ACCURACIES:
        quoted = re.compile(rf'({key} = ")([^"]*)(")')
        text = quoted.sub(lambda found: found[1] + re.sub(r"[0-9.]+", doubled, found[2]) + found[3], text)
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def doubled(number):
    return f"{2.0 * float(number[0]):g}"


def expected_on(bench, plan, model="dotterel-6"):
    """Return every limit's expected standard uncertainty, by procedure."""
    checked = plan_check(load_sheets(SheetNames(bench=bench, plan=plan, model=model)))
    return {(step.procedure, limit): u for step in checked.steps for limit, u in step.needs.limits}


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
        ("power-up", "quiescent-current", 0.00345 / math.sqrt(3.0)),
        ("discharge", "discharge-voltage", 0.010 / math.sqrt(3.0)),
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
    assert [remark.partition(":")[0] for remark in step.remarks] == ["trim-drop", "trim-drop-difference"]


@pytest.mark.parametrize("plan", PLANS)
def test_a_bench_twice_as_bad_expects_more_uncertainty_of_everything_it_reads(plan, tmp_path):
    shipped, bad = expected_on("simulated", plan), expected_on(twice_as_bad(tmp_path), plan)
    assert bad.keys() == shipped.keys()
    assert all(1.0 <= bad[place] / u <= 2.0 + 1e-9 for place, u in shipped.items())
    assert {limit for (procedure, limit), u in shipped.items() if bad[procedure, limit] == u} == {
        limit for _, limit in shipped if limit in BY_SAMPLING
    } | (
        {"pwm-curve"} if plan in {"acceptance", "dimming"} else set()
    )  # with an open wiper nothing is read but the duty


def test_every_procedure_of_a_shipped_plan_says_what_all_its_readings_are_worth():
    silent = {
        procedure
        for plan in PLANS
        for step in plan_check(load_sheets(SheetNames(bench="simulated", plan=plan, model="dotterel-6"))).steps
        if not step.needs.limits and step.left_out is None  # what is not for this model has no needs
        for procedure in (step.procedure,)
    }
    assert silent == {
        *("bench-check", "bench-leads", "bench-load", "discrete-debounce", "discrete-bounce", "discrete-patterns"),
        *(
            "discrete-toggles",
            "trim-opposing",
            "trim-stuck-switch",
            "trim-repeated-taps",
            "engine-start",
            "trim-motor-held",
        ),
        *("bench-dip-source", "bus-ramp-held", "ramp-scan", "power-cycles"),
    }


def test_a_nominal_value_is_typical_else_the_limit_itself_else_nothing():
    assert typical(SETUP, "trim-drop") == 0.3
    assert typical(SETUP, "dimming-dead-travel") == 5.0  # no nominal value stands in the sheet
    assert typical(SETUP, "nonesuch") == 0.0


def test_pulses_average_as_those_of_half_of_all_conforming_units_do():
    output = next(one for one in sheets().unit.dimming if one.name == "pwm-1")
    few, many = (
        level(SETUP, output, 50.0, rate_hz=49_960.0, stretch_s=periods / 240.0).standard_uncertainty
        for periods in (24, 1000)
    )
    assert few == pytest.approx(100.0 * 0.5 * 240.0 / 49_960.0, rel=0.15)  # one period's worst case
    assert many < 0.2 * few


def test_what_is_taken_again_at_a_rate_of_its_own_averages():
    output = next(one for one in sheets().unit.dimming if one.name == "pwm-1")
    at = {"rate_hz": 49_960.0, "stretch_s": 73 / 240.0}
    once, again = (level(SETUP, output, 50.0, **at, retaken=retaken).standard_uncertainty for retaken in (False, True))
    assert again < 0.2 * once
    assert level(SETUP, output, 100.0, rate_hz=50_000.0, stretch_s=1.0).standard_uncertainty == pytest.approx(0.24)


def test_light_loads_current_follows_the_load_that_the_plan_names():
    needs = PROCEDURES["trim-light"].needs(setup_of("trim-light"))
    assert needs.load_current_a == pytest.approx(sheets().unit.nominal_voltage_v / 1000.0)


@pytest.mark.parametrize("plan", PLANS)
def test_a_limit_that_the_sheet_lacks_is_an_obstacle_and_never_a_fault_of_the_check(plan):
    loaded = load_sheets(SheetNames(bench="simulated", plan=plan, model="dotterel-6"))
    for step, checked in zip(loaded.plan.steps, plan_check(loaded).steps, strict=True):
        for key, _ in checked.needs.limits:
            limits = {name: limit for name, limit in loaded.unit.limits.items() if name != key}
            unit = replace(loaded.unit, limits=limits)
            setup = setup_for(step, unit=unit, aircraft=loaded.aircraft, plan=loaded.plan, bench=loaded.bench)
            found = check_step(PROCEDURES[step.procedure], setup, loaded.bench)
            known = f"limits.{key}" in {obstacle.key for obstacle in found.obstacles}
            assert known or found.left_out is not None or key in OPTIONAL, (step.procedure, key)
