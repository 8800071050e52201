"""The main job through the command line: a good unit passes, and its record and report say so."""

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest
from command_line import boxproof, verify
from expected_against_stated import off_by_more_than_twice

from bench.records.manifest import verify_manifest


@pytest.fixture(scope="module")
def accepted(tmp_path_factory):
    """One whole acceptance run of the demo unit."""
    outcome = verify(tmp_path_factory.mktemp("records"))
    return outcome, outcome.document()


def test_the_demo_unit_passes_and_names_what_was_not_tested(accepted):
    outcome, document = accepted
    failing = [f"{f['id']}: {f['verdict']} {f['reasons']}" for f in document["findings"] if f["verdict"] != "pass"]
    assert failing == []
    assert (outcome.code, document["verdict"], document["cause"], document["partial"]) == (0, "pass", None, False)
    assert document["not_tested"] == ["flaps", "lights"]
    assert document["simulated"] is True


def test_every_finding_has_the_fields_that_were_promised(accepted):
    _, document = accepted
    promised = {
        *("id", "procedure", "function", "title", "verdict", "cause", "value", "quantity_unit", "low", "high"),
        *("margin", "rule", "conformity_probability", "limit_source", "capture", "attempt"),
    }
    for finding in document["findings"]:
        assert promised <= set(finding)
        assert ("trials" in finding) != ("standard_uncertainty" in finding)


def test_the_record_is_whole_and_its_manifest_holds(accepted):
    _, document = accepted
    folder = Path(document["record"])
    names = {path.name for path in folder.iterdir()}
    assert names == {
        *("journal.jsonl", "captures", "findings.csv", "record.json", "report.html", "junit.xml", "MANIFEST")
    }
    assert not list((folder / "captures").glob("*.log"))
    assert verify_manifest(folder) == ()


def test_captures_report_and_memory_stay_within_what_was_promised(accepted):
    _, document = accepted
    folder = Path(document["record"])
    assert sum(path.stat().st_size for path in (folder / "captures").iterdir()) <= 80e6
    assert (folder / "report.html").stat().st_size < 3e6


SPOKEN_OF = {
    **{f"{axis.title()} trim": f"{axis}-trim" for axis in ("pitch", "roll", "yaw")},
    **dict.fromkeys(("PWM dimming", "DC dimming", "Dimming"), "dimming"),
    "Discrete": "discretes",
    "Light": "lights",
    "Flap": "flaps",
}


def test_every_finding_is_filed_under_the_function_that_it_speaks_of(accepted):
    _, document = accepted
    filed = [
        (finding["title"], finding["function"], function)
        for finding in document["findings"]
        for begin, function in SPOKEN_OF.items()
        if finding["title"].startswith(begin)
    ]
    assert {function for _, _, function in filed} == set(SPOKEN_OF.values())
    assert [place for place in filed if place[1] != place[2]] == []


def test_every_finding_about_the_unit_names_pins_except_what_it_only_reports(accepted):
    _, document = accepted
    record = json.loads((Path(document["record"]) / "record.json").read_text())
    bare = {f["id"].split(".")[1] for f in record["findings"] if f["function"] and not f["pins"]}
    assert bare == {"configuration", "setting", "no-reset"}


def test_every_uncertainty_was_foreseen_by_the_plan_check(accepted):
    _, document = accepted
    assert off_by_more_than_twice(document["record"], plan="acceptance") == {}


def test_judging_the_record_again_gives_the_same_findings_to_the_last_digit(accepted):
    _, document = accepted
    folder = Path(document["record"])
    again = boxproof("rejudge", folder, "--records", folder.parent, "--json")
    assert again.code == 0
    assert json.dumps(again.document()["findings"]) == json.dumps(document["findings"])
    assert verify_manifest(folder) == ()  # the parent stays as it was


def test_the_report_carries_the_verdict_the_cautions_and_no_script(accepted):
    _, document = accepted
    html = (Path(document["record"]) / "report.html").read_text()
    assert "pass (simulated)" in html
    assert "not tested" in html
    assert re.search(r"not an approval for return to service", html, re.IGNORECASE)
    assert "<script" not in html.lower()


def test_a_report_is_rendered_again_outside_the_record(accepted, tmp_path):
    _, document = accepted
    folder = Path(document["record"])
    again = boxproof("report", folder, "--output", tmp_path / "again.html")
    assert again.code == 0
    assert (tmp_path / "again.html").read_text() == (folder / "report.html").read_text()
    inside = boxproof("report", folder, "--output", folder / "x.html")
    assert (inside.code, "closed" in inside.err) == (2, True)


@pytest.mark.parametrize("words", [("--seed", "1"), ("--seed", "2", "--plan", "quick")], ids=["whole", "quick"])
def test_other_good_units_pass_too(words, tmp_path):
    document = verify(tmp_path, *words).document()
    assert [f["id"] for f in document["findings"] if f["verdict"] != "pass"] == []


def test_a_good_unit_passes_on_a_bench_whose_sample_clock_is_far_off(tmp_path):
    outcome = verify(tmp_path, "--seed", "13", "--only", "discrete-latency", serial="SIM-9")  # 43 ppm fast
    assert [f["id"] for f in outcome.document()["findings"] if f["verdict"] != "pass"] == []


def test_a_partial_run_never_reads_as_acceptance(tmp_path):
    outcome = verify(tmp_path, "--only", "power-up")
    assert (outcome.code, outcome.document()["partial"]) == (4, True)
    allowed = verify(tmp_path, "--only", "power-up", "--partial-ok")
    assert allowed.code == 0


def test_only_draws_the_same_unit_and_the_same_noise(accepted, tmp_path):
    _, document = accepted
    part = verify(tmp_path, "--only", "power-up").document()
    whole = {finding["id"]: finding["value"] for finding in document["findings"]}
    alike = {
        f["id"]: f["value"] for f in part["findings"] if f["procedure"] in {"unpowered", "power-up"} and f["value"]
    }
    assert len(alike) > 10
    assert alike == {name: whole[name] for name in alike}


@pytest.mark.parametrize(
    "only", [("--only", "power-up"), ("--only", "discrete-levels", "--defect", "threshold-shifted")]
)
def test_a_partial_record_judged_again_says_the_same(only, tmp_path):
    first = verify(tmp_path, *only)
    document = first.document()
    again = boxproof("rejudge", document["record"], "--records", tmp_path, "--json")
    assert again.code == first.code
    assert json.dumps(again.document()["findings"]) == json.dumps(document["findings"])
    assert again.document()["verdict"] == document["verdict"]


def test_a_run_of_the_bench_alone_says_nothing_of_the_unit(tmp_path):
    outcome = verify(tmp_path, "--only", "bench-check", "--partial-ok")
    assert (outcome.code, outcome.document()["verdict"]) == (4, "inconclusive")


def test_an_altered_record_is_named_as_such(tmp_path):
    folder = Path(verify(tmp_path, "--only", "unpowered").document()["record"])
    record = folder / "record.json"
    record.write_text(record.read_text().replace('"pass"', '"fail"', 1))
    again = boxproof("report", folder, "--output", tmp_path / "again.html")
    assert "record.json" in again.err
    assert "record.json" in (tmp_path / "again.html").read_text()


def test_a_record_is_judged_under_other_limits(tmp_path):
    document = verify(tmp_path, "--only", "trim-cut-off").document()
    text = files("test_plans").joinpath("units", "dotterel-6.toml").read_text()
    sheet = tmp_path / "other.toml"
    moved = text.replace(
        'trim-cut-off = { low = "3.8 s", nominal = "4.0 s", high = "4.2 s"',
        'trim-cut-off = { low = "4.3 s", nominal = "4.5 s", high = "4.7 s"',
    )
    assert moved != text
    sheet.write_text(moved)
    again = boxproof("rejudge", document["record"], "--records", tmp_path, "--model", sheet, "--json")
    failed = {finding["procedure"] for finding in again.document()["findings"] if finding["verdict"] == "fail"}
    assert again.code == 3
    assert "trim-cut-off" in failed
