"""The same code, another model: 28 V, other functions, nothing readable on a bus. Nothing about a model is in code."""

from pathlib import Path

import pytest
from command_line import boxproof, verify
from named_findings import unproved

import bench.assembly
from bench.operator import SimulatedOperator
from bench.run_sheets import SheetNames, load_sheets
from bench.sheets import list_aircraft, list_models
from bench.sheets.bench_file import FEED_DEFECTS

SECOND = ("--model", "sanderling-2")
SHEETS = load_sheets(SheetNames(bench="simulated", model="sanderling-2"))
assert SHEETS.unit_simulation is not None
ROOT = Path(__file__).parents[2]


def second(records, *words, serial="SIM-S2-001"):
    return verify(records, *SECOND, *words, serial=serial)


def not_passed(document):
    return [f"{f['id']}: {f['verdict']} {f['reasons']}" for f in document["findings"] if f["verdict"] != "pass"]


@pytest.fixture(scope="module")
def accepted(tmp_path_factory):
    return second(tmp_path_factory.mktemp("records"))


def test_the_second_model_passes_under_the_plan_its_own_sheet_names(accepted):
    document = accepted.document()
    assert not_passed(document) == []
    assert (accepted.code, document["verdict"], document["partial"]) == (0, "pass", False)
    assert (document["model"], document["plan"]) == ("sanderling-2", "general-acceptance")


def test_a_function_the_model_has_not_got_is_neither_tested_nor_not_tested(accepted):
    document = accepted.document()
    assert document["not_tested"] == ["lights"]
    ran = {finding["procedure"] for finding in document["findings"]}
    assert "discrete-lamps" in ran
    assert not ran & {"ground-pin", "discrete-levels", "discrete-debounce", "discrete-latency"}


def test_what_the_model_does_not_show_stands_on_page_one_and_every_question_in_the_record(accepted):
    html = (Path(accepted.document()["record"]) / "report.html").read_text()
    for words in ("Not testable on this model", "Latency of the discretes", "Debounce of the discretes"):
        assert words in html
    assert "lamp 2 on the unit&#39;s front" in html


@pytest.mark.parametrize("seed", range(1, 3))
def test_other_good_units_of_the_second_model_pass_too(seed, tmp_path):
    assert not_passed(second(tmp_path, "--seed", str(seed)).document()) == []


@pytest.mark.parametrize("defect", SHEETS.unit_simulation.defects, ids=lambda defect: defect.id)
def test_a_defect_of_the_second_model_is_its_fail_where_the_catalogue_says(defect, tmp_path):
    outcome = second(tmp_path, "--defect", defect.id, "--only", defect.caught_by[0])
    document = outcome.document()
    failed = [finding for finding in document["findings"] if finding["verdict"] == "fail"]
    assert (outcome.code, document["verdict"], document["cause"]) == (3, "fail", "unit")
    assert {finding["procedure"] for finding in failed} & set(defect.caught_by)
    assert defect.function in {finding["function"] for finding in failed}
    assert unproved(defect.findings, failed, "fail", "unit") == []
    assert not [finding for finding in document["findings"] if finding["cause"] == "bench"]


# Its plan runs no motor and no dip, so what is wrong with these stays where nobody looks. What feeds and loads a unit
# the bench's own steps prove before any model is plugged in; the first model's test runs them all.
BENCH_DEFECTS = [
    defect
    for defect in SHEETS.bench_simulation.defects
    if not defect.kind.startswith("motor-") and defect.kind not in {*FEED_DEFECTS, "load-weak", "load-oscillates"}
]


@pytest.mark.parametrize("defect", BENCH_DEFECTS, ids=lambda defect: defect.id)
def test_a_defect_of_the_bench_is_never_the_second_models(defect, tmp_path):
    # the whole plan, but of a motor and of the electronic load, which touch nothing else, the steps they serve
    steps = {"motor": ("trim-motor",), "load": ("bench-load", "trim-drop-sweep", "trim-over-current")}
    only = [word for name in steps.get(defect.kind.split("-")[0], ()) for word in ("--only", name)]
    document = second(tmp_path, "--defect", defect.id, *only).document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert unproved(defect.findings, document["findings"], "inconclusive", "bench") == []
    assert not [finding for finding in document["findings"] if finding["cause"] == "unit"]


def test_judging_its_record_again_gives_the_same_findings(accepted):
    document = accepted.document()
    folder = Path(document["record"])
    again = boxproof("rejudge", folder, "--records", folder.parent, "--json")
    assert again.code == 0
    assert again.document()["findings"] == document["findings"]


def test_the_first_model_passes_under_the_general_plan_too(tmp_path):
    # what its defaults decide, and of each function a part: the trim plan's test and acceptance take the rest of it
    names = ("power", "dimming", "ground", "bus-monitor", "discrete-levels", "trim-loaded", "trim-bus-voltage")
    only = [word for name in names for word in ("--only", name)]
    document = verify(tmp_path, "--plan", "general-acceptance", *only).document()
    assert not_passed(document) == []
    assert document["model"] != "sanderling-2"  # the bench sheet names the model of a run that names none
    assert "discrete-lamps" not in {finding["procedure"] for finding in document["findings"]}


class Blinded(SimulatedOperator):
    """An operator who answers as a script says: `answers` by the number of the look, the plant's truth otherwise."""

    def __init__(self, connector, answers):
        super().__init__(connector)
        self._answers = answers
        self._looks = 0

    def look(self, question, shown):
        truth = super().look(question, shown)
        self._looks += 1
        if self._looks not in self._answers:
            return truth
        return None if self._answers[self._looks] is None else frozenset(shown) - truth


def judged(monkeypatch, tmp_path, answers):
    monkeypatch.setattr(bench.assembly, "SimulatedOperator", lambda plant: Blinded(plant, answers))
    document = second(tmp_path, "--only", "discrete-lamps").document()
    return document, {f["id"]: f for f in document["findings"] if f["verdict"] != "pass"}


def test_a_person_who_can_not_say_leaves_it_undecided(monkeypatch, tmp_path):
    document, doubtful = judged(monkeypatch, tmp_path, {16: None})
    assert (document["verdict"], document["cause"]) == ("inconclusive", "undecided")
    assert "discrete-1.threshold-active" in doubtful
    assert "could not say" in doubtful["discrete-1.threshold-active"]["reasons"][0]
    assert "discrete-2.threshold-active" not in doubtful


def test_one_wrong_answer_contradicts_the_second_look_and_blames_nobody(monkeypatch, tmp_path):
    for look in (14, 17, 20):
        document, doubtful = judged(monkeypatch, tmp_path / str(look), {look: "wrong"})
        assert (document["verdict"], document["cause"]) == ("inconclusive", "undecided"), look
        assert set(doubtful) == {"discrete-1.threshold-active", "discrete-1.hysteresis"}


def test_one_slip_in_reading_the_lamps_is_asked_again_and_blames_nobody(monkeypatch, tmp_path):
    document, doubtful = judged(monkeypatch, tmp_path, {3: "wrong"})
    assert (document["verdict"], document["cause"]) == ("inconclusive", "undecided")
    assert set(doubtful) == {"discrete-1.truth", "discrete-2.truth", "discrete-3.truth", "discretes.independence"}


def test_only_of_a_procedure_that_is_not_for_the_model_says_why(tmp_path):
    outcome = second(tmp_path, "--only", "discrete-latency")
    assert outcome.code == 2
    assert "reports no state of its discretes" in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_the_plan_check_says_what_is_left_out_and_what_stays_untested():
    checked = boxproof("check", "--bench", "simulated", *SECOND, "--json").document()
    left_out = {step["procedure"]: step for step in checked["procedures"] if step["ability"] == "not for this model"}
    assert left_out["discrete-latency"]["untested"] == "Latency of the discretes"
    assert left_out["ground-pin"]["untested"] == ""
    assert checked["not_tested"] == ["lights"]
    plain = boxproof("check", "--bench", "simulated", *SECOND).out
    assert "not tested by that: Debounce of the discretes" in plain


def test_no_module_names_a_model_or_an_aircraft():
    words = {name for sheet in (*list_models(), *list_aircraft()) for name in (sheet, sheet.split("-")[0])}
    assert {"sanderling", "dotterel", "whimbrel", "turnstone"} <= words
    for house in ("analysis", "bench", "instruments", "test_plans"):
        for module in (ROOT / house).rglob("*.py"):
            text = module.read_text(encoding="utf-8").lower()
            assert not [word for word in words if word in text], module
