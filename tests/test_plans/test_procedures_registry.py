"""What holds for every procedure alike."""

from dataclasses import replace

import pytest
from synthetic_captures import judged, setup_of, sheets, shipped_plans

from analysis.verdict import Cause, Verdict
from bench.plan_check import Ability, check_plan
from test_plans.registry import PROCEDURES

NAMES = tuple(name for name in PROCEDURES if name != "discrete-lamps")  # which the demo unit gives nothing to do


def test_every_plan_takes_its_procedures_in_the_registrys_order_of_work():
    for loaded in shipped_plans().values():
        planned = tuple(step.procedure for step in loaded.plan.steps)
        assert planned == tuple(name for name in PROCEDURES if name in planned)


def test_every_procedure_stands_in_a_shipped_plan():
    planned = {step.procedure for loaded in shipped_plans().values() for step in loaded.plan.steps}
    assert planned == set(PROCEDURES)


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


@pytest.mark.parametrize(("name", "most_s"), [("acceptance", 25 * 60.0), ("discretes", 16 * 60.0)])
def test_the_shipped_bench_can_do_all_of_a_plan_in_time(name, most_s):
    loaded = shipped_plans()[name]
    check = check_plan(loaded.plan, PROCEDURES, unit=loaded.unit, aircraft=loaded.aircraft, bench=loaded.bench)
    other = {step.procedure: step.ability for step in check.steps if step.ability is not Ability.CAN}
    assert other == OTHERWISE[name]
    assert check.bench_time_s < most_s
    assert sum(step.bench_time_s for step in check.steps if step.stage == "brownout") < 6 * 60.0


OTHERWISE = {
    "acceptance": {"dimming-flicker": Ability.WITH_LARGER_UNCERTAINTY},  # modulation: 2.8:1, and the check says so
    "discretes": {"discrete-lamps": Ability.NOT_FOR_MODEL},  # asked of a person where nothing can be read
}


def test_acceptance_tries_every_axis_of_the_model():
    loaded = shipped_plans()["acceptance"]
    every = {axis.name for axis in loaded.unit.trims}
    for step in loaded.plan.steps:
        if step.procedure.startswith("trim-"):
            assert set(step.conditions.get("axes", loaded.aircraft.axes)) == every, step.procedure


@pytest.mark.parametrize(
    ("name", "limit", "of"),
    [
        ("discrete-contacts", "low-leakage", "discretes"),
        ("discrete-open-line", "high-open-voltage", "discretes"),
        ("discrete-pulse-width", "longest-rejected", "discretes"),
        ("discrete-overvoltage", "high-input-current", "discretes"),
        ("trim-legs", "trim-leg-difference", "outputs"),
        ("trim-motor", "trim-stop-time", "outputs"),
        ("trim-over-current", "trim-trip-time", "outputs"),
    ],
)
def test_a_procedure_whose_limit_a_sheet_may_lack_is_left_out_and_what_that_leaves_untested_is_said(name, limit, of):
    setup = setup_of(name)
    assert PROCEDURES[name].not_for_model(setup) is None
    limits = {key: value for key, value in setup.unit.limits.items() if key != limit}
    left_out = PROCEDURES[name].not_for_model(replace(setup, unit=replace(setup.unit, limits=limits)))
    assert f"gives no {limit}" in left_out.reason
    assert left_out.untested == f"{limit} of its {of}"
