"""Every catalogued defect is caught by the plan, by the findings named for it, and put down to the right cause."""

import pytest
from command_line import boxproof, verify
from injected_faults import a_minute_of_soak
from named_findings import unproved
from sheet_texts import engine_starts
from synthetic_captures import plan_with, setup_in, shipped_plans

from bench.plan_check import needs_of
from bench.run_sheets import RunSheets, SheetNames, load_sheets
from bench.sheets.bench_file import FEED_DEFECTS
from test_plans.registry import PROCEDURES


def sheets() -> RunSheets:
    return load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6"))


SHEETS = sheets()
assert SHEETS.unit_simulation is not None
assert SHEETS.bench_simulation is not None
UNIT_DEFECTS = SHEETS.unit_simulation.defects
BENCH_DEFECTS = SHEETS.bench_simulation.defects
CHEAP_S = 40.0  # on the bench: what a procedure may take to be run beside the first that catches a defect


def proved_by(defect, plan):
    """Return the first procedure that catches a defect, and the later ones of the same plan that cost little.

    One that waits for the first is not run where that fails.
    """
    loaded = shipped_plans()[plan]
    gates = {step.procedure: step.gated_by for step in loaded.plan.steps}
    first, *later = defect.caught_by
    free = (name for name in later if name in gates and first not in gates[name])
    return (first, *(name for name in free if is_cheap(name, loaded, defect.function)))


def is_cheap(procedure, loaded, function):
    setup = setup_in(loaded, procedure)
    touches = function in PROCEDURES[procedure].functions(setup)
    return touches and needs_of(PROCEDURES[procedure], setup).bench_time_s <= CHEAP_S


@pytest.mark.parametrize("defect", UNIT_DEFECTS, ids=lambda defect: defect.id)
def test_a_defect_of_the_unit_is_its_fail_where_the_catalogue_says(defect, tmp_path):
    plan = defect.caught_in or plan_with(defect.caught_by[0], defect.function)
    procedures = proved_by(defect, plan)
    only = (word for name in procedures for word in ("--only", name))
    shown = a_minute_of_soak(tmp_path) if plan == "soak" else plan
    outcome = verify(tmp_path, "--plan", shown, "--defect", defect.id, *only)
    document = outcome.document()
    failed = [finding for finding in document["findings"] if finding["verdict"] == "fail"]
    assert (outcome.code, document["verdict"], document["cause"]) == (3, "fail", "unit")
    assert set(procedures) <= {finding["procedure"] for finding in failed}
    assert defect.function in {finding["function"] for finding in failed}
    caught = [finding for finding in failed if finding["procedure"] in procedures]
    assert unproved(defect.findings, caught, "fail", "unit") == []
    assert not [finding for finding in document["findings"] if finding["cause"] == "bench"]


def disturbed(defect, folder):
    """Return words for the plan and the steps that a defect of the bench disturbs; none: the whole of `acceptance`."""
    steps: tuple[str, ...] = ()
    if defect.kind in {"load-weak", "load-oscillates"}:
        steps = ("bench-load",)
    elif defect.kind.startswith("load-"):
        steps = ("bench-load", "trim-drop-sweep", "trim-over-current")
    elif defect.kind.startswith("motor-") or defect.kind == "clamp-open":
        steps = ("trim-motor",)
    elif defect.id == "supply-sinks-nothing":  # shows where a fall ends with next to no load
        steps = ("bus-ramp",)
    only = tuple(word for name in steps for word in ("--only", name))
    if only or defect.kind not in {"sense-at-supply", "supply-limit", *FEED_DEFECTS}:
        return only
    if defect.id == "dip-source-sinks-nothing":  # shows where a fall is faster than the load makes it
        return ("--plan", engine_starts(folder, "engine-start-w3"), "--only", "engine-start")
    if defect.target == "dip source" or defect.kind in {"switch-late", "switch-bounces"}:
        return ("--plan", "brownout", "--only", "bench-dip-source")
    return ("--plan", "brownout", *(("--only", "inrush") if defect.target == "0.5 ohm" else ()))


@pytest.mark.parametrize("defect", BENCH_DEFECTS, ids=lambda defect: defect.id)
def test_a_defect_of_the_bench_is_never_the_units(defect, tmp_path):
    outcome = verify(tmp_path, "--defect", defect.id, *disturbed(defect, tmp_path))
    document = outcome.document()
    assert (outcome.code, document["verdict"], document["cause"]) == (4, "inconclusive", "bench")
    assert unproved(defect.findings, document["findings"], "inconclusive", "bench") == []
    assert not [finding for finding in document["findings"] if finding["cause"] == "unit"]


def test_once_isolation_proved_the_unit_nothing_about_that_pin_is_left_undecided(tmp_path):
    names = ("discrete-levels", "discrete-debounce", "discrete-open-line")
    only = (word for name in names for word in ("--only", name))
    document = verify(tmp_path, "--defect", "discrete-shorted", *only).document()
    not_passed = [finding for finding in document["findings"] if finding["verdict"] != "pass"]
    assert {finding["procedure"] for finding in not_passed} == set(names)
    assert {finding["cause"] for finding in not_passed} == {"unit"}
    untested = [finding for finding in not_passed if finding["verdict"] == "inconclusive"]
    assert {finding["id"] for finding in untested} >= {"discrete-4.rejects-short", "discrete-4.open-voltage"}
    assert all("finding discrete-4.truth" in reason for finding in untested for reason in finding["reasons"])
    assert not [f for f in not_passed for reason in f["reasons"] if "series resistance" in reason]
    again = boxproof("rejudge", document["record"], "--records", tmp_path, "--json").document()
    assert again["findings"] == document["findings"]


def test_severity_zero_is_a_unit_at_its_nominal_value_which_passes(tmp_path):
    document = verify(tmp_path, "--defect", "threshold-shifted:0", "--only", "discrete-levels").document()
    assert (document["verdict"], document["partial"]) == ("pass", True)


def test_unit_defects_and_bench_defects_may_come_together(tmp_path):
    words = ("--defect", "quiescent-high", "--defect", "stimulus-dead", "--only", "power-up")
    document = verify(tmp_path, *words).document()
    assert document["verdict"] == "inconclusive"  # the bench is found out first, and nothing is judged on it
    assert document["cause"] == "bench"


def test_what_is_known_and_not_found_is_listed_with_its_reason_and_can_not_be_injected(tmp_path):
    checked = boxproof("check", "--bench", "simulated", "--json").document()
    told = {entry["id"]: entry for entry in checked["defects_not_caught"]}
    assert told.keys() & {entry["id"] for entry in checked["defects"]} == set()
    assert {"external-trim-contact", "discrete-noise-coupled"} <= told.keys()
    assert all(entry["because"] and entry["function"] for entry in told.values())
    refused = verify(tmp_path, "--defect", "external-trim-contact")
    assert refused.code == 2
    assert told["external-trim-contact"]["because"] in refused.err
    assert list(tmp_path.iterdir()) == []
