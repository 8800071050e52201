"""The quick plan: four minutes, the gates of acceptance, and never a word that reads as acceptance."""

from importlib.resources import files
from pathlib import Path

import pytest
from command_line import boxproof, verify

from bench.plan_check import Ability
from bench.planning import plan_check
from bench.run_sheets import SheetNames, load_sheets
from test_plans.registry import PROCEDURES

LONGEST_S = 240.0
QUICK = ("--plan", "quick")
MODELS = ("dotterel-6", "sanderling-2")


def checked(model, plan="quick"):
    return plan_check(load_sheets(SheetNames(bench="simulated", plan=plan, model=model)))


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    outcome = verify(tmp_path_factory.mktemp("records"), *QUICK)
    return outcome, outcome.document()


@pytest.mark.parametrize("model", MODELS)
def test_it_takes_four_minutes_at_most_of_either_model_and_the_bench_can_do_all_of_it(model):
    check = checked(model)
    assert check.bench_time_s <= LONGEST_S
    assert {step.ability.value for step in check.steps} <= {"can", "not for this model"}


@pytest.mark.parametrize("model", MODELS)
def test_it_touches_every_function_that_acceptance_touches(model):
    full = load_sheets(SheetNames(bench="simulated", model=model)).plan.name
    assert set(checked(model).not_tested) <= {*checked(model, full).not_tested}


def test_its_gates_are_those_of_acceptance():
    quick, full = (load_sheets(SheetNames(bench="simulated", plan=name)).plan for name in ("quick", "acceptance"))
    gates = {step.procedure: step.gated_by for step in full.steps}
    for step in quick.steps:
        if step.procedure in gates:
            assert set(gates[step.procedure]) <= set(step.gated_by), step.procedure


def test_what_it_leaves_out_is_listed_to_the_last_procedure():
    left_out = checked("dotterel-6").left_out
    planned = {step.procedure for step in load_sheets(SheetNames(bench="simulated", plan="quick")).plan.steps}
    assert not planned & set(left_out)
    assert set(PROCEDURES) == planned | set(left_out) | {
        "bench-load",
        "bench-dip-source",
    }  # the bench's own, for steps that use them
    assert "discrete-lamps" not in checked("sanderling-2").left_out  # it is in the plan
    assert "trim-priority" not in checked("sanderling-2").left_out  # the model has no second seat


# Breaks under the hold-up load stand in engine-start too; the rest takes longer than an acceptance has.
OF_OTHER_PLANS = ("bus-interruptions-hold-up", "soak", "dip-map", "reset-ladder")


@pytest.mark.parametrize(
    ("plan", "model", "left_out"),
    [
        ("acceptance", "dotterel-6", OF_OTHER_PLANS),
        ("general-acceptance", "dotterel-6", ("trim-motor-held", *OF_OTHER_PLANS)),
        ("general-acceptance", "sanderling-2", ("trim-motor-held",)),  # no brake holds its motor on the shipped bench
    ],
)
def test_acceptance_leaves_out_next_to_nothing_of_the_functions_it_tests(plan, model, left_out):
    check = checked(model, plan)
    assert (check.left_out, check.partial) == (left_out, False)


def test_a_plan_that_leaves_out_a_step_names_it_and_is_not_partial_for_it(tmp_path):
    steps = files("test_plans").joinpath("plans", "acceptance.toml").read_text().split("[[steps]]\n")
    plan = tmp_path / "own.toml"
    plan.write_text("[[steps]]\n".join(step for step in steps if '"dimming-flicker"' not in step))
    said = boxproof("check", "--bench", "simulated", "--plan", plan).out
    assert f"Left out by this plan: dimming-flicker, {', '.join(OF_OTHER_PLANS)}." in said
    partial = boxproof("check", "--bench", "simulated", "--plan", "quick").out
    assert "Left out by this plan, so its runs are partial: " in partial


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(
    ("plan", "kind", "telling"), [("discretes", "discretes", 8), ("dimming", "dimming", 6), ("trim", "pitch-trim", 10)]
)
def test_a_plan_of_one_function_tests_it_on_either_model(plan, kind, telling, model):
    check = checked(model, plan)
    able = [step for step in check.steps if step.ability in {Ability.CAN, Ability.WITH_LARGER_UNCERTAINTY}]
    looking = [step.procedure for step in able if kind in step.functions and step.procedure.startswith(plan[:4])]
    assert len(looking) >= (1 if (model, plan) == ("sanderling-2", "discretes") else telling)
    assert check.not_tested == () or kind not in check.not_tested


def test_a_good_unit_passes_it_within_four_minutes_and_is_still_not_accepted(run):
    outcome, document = run
    assert [f["id"] for f in document["findings"] if f["verdict"] != "pass"] == []
    assert (outcome.code, document["verdict"], document["partial"]) == (4, "pass", True)
    assert document["bench_time_s"] <= LONGEST_S
    assert "trim-contact-gaps" in document["left_out_procedures"]


def test_its_first_page_says_that_it_is_partial_and_offers_no_line_for_the_log(run):
    _, document = run
    html = (Path(document["record"]) / "report.html").read_text()
    for words in ("Does not read as acceptance", "partial run: does not read as acceptance", "the run is partial"):
        assert words in html
    assert f"Left out by the plan: {len(document['left_out_procedures'])} procedures, see " in html
    for name in document["left_out_procedures"]:
        title = PROCEDURES[name].title.replace("'", "&#39;")
        assert f"{title}</td><td>not tested: left out by plan quick" in html


def test_the_command_line_says_what_was_left_out_and_the_record_judged_again_does_too(run, tmp_path):
    _, document = run
    again = boxproof("rejudge", document["record"], "--records", tmp_path)
    assert again.code == 4
    assert "partial run: does not read as acceptance; pass (simulated)" in again.out
    assert f"Left out by plan quick: {', '.join(document['left_out_procedures'])}." in again.out
    assert f"Judged again from record {Path(document['record']).name.rpartition('_')[2]}." in again.out


@pytest.mark.parametrize(
    ("defect", "procedure"),
    [("debounce-late", "discrete-debounce"), ("cut-off-late-yaw", "trim-cut-off"), ("dc-gain-low", "dimming-map")],
)
def test_what_its_procedures_look_at_they_find(defect, procedure, tmp_path):
    document = verify(tmp_path, *QUICK, "--defect", defect, "--only", procedure).document()
    assert (document["verdict"], document["cause"]) == ("fail", "unit")


def test_what_it_does_not_look_at_it_names(tmp_path):
    document = verify(tmp_path, *QUICK, "--defect", "gaps-restart-cut-off", "--only", "pitch-trim").document()
    assert document["verdict"] == "pass"  # a real defect, and in the list of what was left out
    assert "trim-contact-gaps" in document["left_out_procedures"]
