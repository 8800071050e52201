"""What a person tells of unit, room and complaint is kept, printed and carried on; what can't be true is refused."""

import json
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
        assert told["firmware_reported"] == ""
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
