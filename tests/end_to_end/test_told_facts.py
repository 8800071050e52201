"""What a person tells of unit, room and complaint is kept, printed and carried on; what can't be true is refused."""

import json
from importlib.resources import files
from pathlib import Path

import pytest
from command_line import boxproof, verify

TOLD = (
    *("--part", " DT6-14 "),
    *("--modification", "B"),
    *("--firmware", "2.3"),
    *("--ambient-c", "-7.5"),
    *("--squawk", "Trim runs on <after> release"),
    *("--squawk-conditions", "cold soak, bus at 13.9 V"),
    "--not-reproduced",
)
KEPT = {
    "part": "DT6-14",
    "modification": "B",
    "firmware": "2.3",
    "ambient_c": -7.5,
    "squawk": "Trim runs on <after> release",
    "squawk_conditions": "cold soak, bus at 13.9 V",
    "squawk_reproduced": False,
}
CONFIGURATION = "1606, trim-reversal 0, dimming-selection 44"  # as the unit reports it, whoever told what


def test_what_is_told_is_kept_printed_and_carried_on(tmp_path):
    document = verify(tmp_path, "--only", "power-up", *TOLD).document()
    again = boxproof("rejudge", document["record"], "--records", tmp_path, "--json").document()
    for told in (document, again, json.loads(Path(document["record"], "record.json").read_text())["run"]):
        assert {key: told[key] for key in KEPT} == KEPT
    for told in (document, again):
        assert told["configuration_found"] == told["configuration_left"] == CONFIGURATION
        assert told["firmware_reported"] == "203"
    parent = json.loads(Path(document["record"], "record.json").read_text())["id"]
    assert (document["parent_record"], again["parent_record"]) == ("", parent)
    assert Path(document["record"]).name.endswith(f"_{parent}")
    page = tmp_path / "again.html"
    assert boxproof("report", again["record"], "--records", tmp_path, "--output", page).code == 0
    for html in (page.read_text(), Path(document["record"], "report.html").read_text()):
        for text in ("DT6-14", "2.3", "-7.5 degC", "(cold soak, bus at 13.9 V)", "Not reproduced", CONFIGURATION):
            assert text in html
        assert "Trim runs on &lt;after&gt; release" in html


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--ambient-c", "nan"), "--ambient-c nan"),
        (("--ambient-c", "inf"), "from -60 to 100"),
        (("--ambient-c", "300"), "--ambient-c 300"),
        (("--part", "A\x07"), "--part"),
        (("--firmware", "1" * 61), "61 characters"),
        (("--reproduced",), "--squawk"),
        (("--squawk-conditions", "cold"), "--squawk"),
        (("--squawk", " ", "--not-reproduced"), "--not-reproduced"),
    ],
)
def test_what_can_not_be_true_is_refused(words, said, tmp_path):
    outcome = verify(tmp_path / "records", *words)
    assert outcome.code == 2
    assert said in outcome.err
    assert not (tmp_path / "records").exists()


def test_judging_under_an_edited_sheet_says_where_a_simulated_unit_would_no_longer_do(tmp_path):
    parent = verify(tmp_path, "--only", "bench-check", "--defect", "threshold-shifted").document()["record"]
    text = files("test_plans").joinpath("units", "dotterel-6.toml").read_text()
    edited = text.replace('nominal = "0.15 A", high = "0.21 A"', 'nominal = "0.15 A", high = "0.155 A"', 1)
    edited = edited.replace('id = "threshold-shifted"', 'id = "another-name"', 1)  # the record's defect has gone
    assert edited.count("0.155 A") == edited.count("another-name") == 1
    sheet = tmp_path / "edited.toml"
    sheet.write_text(edited)
    again = boxproof("rejudge", parent, "--records", tmp_path, "--model", sheet, "--json").document()
    html = Path(again["record"], "report.html").read_text()
    assert "edited.toml: simulation.quantities.unit.quiescent_a.high" in html
    assert "a simulated run would be refused with it" in html
    assert "threshold-shifted (unit or bench, severity 1.0)" in html
    assert verify(tmp_path / "none", "--model", sheet).code == 2
