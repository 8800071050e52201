"""What holds for every procedure alike."""

import pytest
from synthetic_captures import judged, setup_of, sheets

from analysis.verdict import Cause, Verdict
from bench.plan_check import Ability, check_plan
from test_plans.registry import PROCEDURES

NAMES = (
    "bench-check",
    "bench-leads",
    "unpowered",
    "power-up",
    "discrete-levels",
    "discrete-debounce",
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


def test_the_registry_holds_the_plan_in_order_of_work():
    assert tuple(PROCEDURES) == NAMES
    assert tuple(step.procedure for step in sheets().plan.steps) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_without_captures_nothing_passes_and_nobody_but_the_bench_is_blamed(name):
    findings = judged(name)
    assert findings
    assert {finding.verdict for finding in findings.values()} == {Verdict.INCONCLUSIVE}
    assert {finding.cause for finding in findings.values()} <= {Cause.BENCH, Cause.UNDECIDED}


@pytest.mark.parametrize("name", NAMES)
def test_needs_name_signals_the_bench_has_and_limits_the_unit_has(name):
    needs = PROCEDURES[name].needs(setup_of(name))
    wired = sheets().bench
    for capture in needs.captures:
        assert set(capture.signals) <= set(wired.signals)
        assert set(capture.lines) <= set(wired.lines)
        assert len(set(capture.signals)) * capture.sample_rate_hz * capture.duration_s * 2 <= 32e6
    assert {key for key, _ in needs.limits} <= set(sheets().unit.limits)
    assert set(PROCEDURES[name].functions(setup_of(name))) <= {f.name for f in sheets().unit.functions}


def test_the_shipped_bench_can_do_all_of_it_in_under_six_minutes():
    loaded = sheets()
    check = check_plan(loaded.plan, PROCEDURES, unit=loaded.unit, aircraft=loaded.aircraft, bench=loaded.bench)
    assert {step.ability for step in check.steps} == {Ability.CAN}
    assert check.bench_time_s < 360.0
