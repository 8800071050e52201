"""One procedure over and over, from the command line: m of n, a record that stays small, and any way it may end."""

import json
import shutil
import signal
from importlib.resources import files
from pathlib import Path

import pytest
from command_line import boxproof, verify

from bench.loops import Loop
from bench.records.reading import load_record

TRIES = 5
AS_SHIPPED = 'repeat = { until = "event", tries = 200, bench-time = "20 min", keep-before-event = "30 s" }'


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Write the shipped plan with few tries, the captures of the last 2 s kept."""
    text = (files("test_plans") / "plans" / "intermittent.toml").read_text(encoding="utf-8")
    assert AS_SHIPPED in text
    path = tmp_path_factory.mktemp("plan") / "intermittent.toml"
    path.write_text(
        text.replace(AS_SHIPPED, f'repeat = {{ until = "event", tries = {TRIES}, keep-before-event = "2 s" }}'),
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def good(plan, tmp_path_factory):
    """Take `ground-pin` of a good unit over and over."""
    outcome = verify(tmp_path_factory.mktemp("records"), "--plan", plan, "--only", "ground-pin", "--partial-ok")
    assert outcome.code == 0
    return outcome.document()


def about_all(document, procedure="ground-pin"):
    (finding,) = (finding for finding in document["findings"] if finding["id"] == f"{procedure}.repeated")
    return finding


def test_none_of_n_passes_and_says_what_that_proves(good):
    finding = about_all(good)
    assert (finding["verdict"], finding["attempt"]) == ("pass", TRIES)
    assert (finding["trials"], finding["failures"], finding["rate_low"]) == (TRIES, 0, 0.0)
    assert finding["rate_bound"] == pytest.approx(1.0 - 0.05 ** (1 / TRIES), rel=1e-9)
    assert finding["rate_high"] == pytest.approx(1.0 - 0.025 ** (1 / TRIES), rel=1e-9)
    of_tries = [f for f in good["findings"] if f["procedure"] == "ground-pin" and f is not finding]
    assert {f["attempt"] for f in of_tries} == {1}  # of tries that passed only the first is told
    assert good["partial"]


def test_the_record_holds_the_first_try_and_the_last_ones_and_says_so(good):
    record = load_record(Path(good["record"]))
    assert record.problems == ()
    (loop,) = record.loops
    assert loop.tries == TRIES
    assert len(loop.kept) < TRIES
    assert loop.kept[0] == 1
    assert loop.kept[-1] == TRIES
    assert loop.dropped == {"passed": TRIES - len(loop.kept)}
    assert {capture.attempt for capture in record.captures_of("ground-pin")} == set(loop.kept)
    report = (record.folder / "report.html").read_text(encoding="utf-8")
    assert f"over and over: 0 of {TRIES} tries failed: rate below 46 % at 95 %" in report
    assert "tries were let go" in report


def test_judged_again_it_comes_to_the_same(good, tmp_path):
    again = boxproof("rejudge", good["record"], "--records", tmp_path, "--json").document()
    assert about_all(again) == about_all(good)
    assert [f for f in again["findings"] if f["procedure"] == "ground-pin"] == [
        f for f in good["findings"] if f["procedure"] == "ground-pin"
    ]


def test_a_run_killed_in_its_loop_still_says_how_far_it_came(good, tmp_path):
    folder = tmp_path / Path(good["record"]).name
    shutil.copytree(good["record"], folder)
    for name in ("MANIFEST", "record.json"):
        (folder / name).unlink()
    journal = folder / "journal.jsonl"
    lines = journal.read_text(encoding="ascii").splitlines(keepends=True)
    told = [json.loads(line) for line in lines]
    last = next(entry["sequence"] for entry in told if entry["kind"] == "loop-ended")
    assert told[last - 1]["kind"] == "procedure-ended"
    journal.write_text("".join(lines[: last - 1]), encoding="ascii")  # the last try entered, and no more
    again = boxproof("rejudge", folder, "--records", tmp_path / "again", "--json").document()
    finding = about_all(again)
    assert (finding["verdict"], finding["cause"], finding["trials"]) == ("inconclusive", "undecided", TRIES)
    assert finding["reasons"] == [f"ended from outside after {TRIES} whole tries"]
    assert again["verdict"] == "inconclusive"


def test_ctrl_c_in_a_loop_closes_the_record_with_m_of_n_so_far(plan, monkeypatch, tmp_path):
    real = Loop.take

    def told(self, attempt, findings, *, now_s):
        if attempt == 3:
            signal.raise_signal(signal.SIGINT)
        return real(self, attempt, findings, now_s=now_s)

    monkeypatch.setattr(Loop, "take", told)
    outcome = verify(tmp_path, "--plan", plan, "--only", "ground-pin")
    assert outcome.code == 130
    document = outcome.document()
    finding = about_all(document)
    assert (finding["trials"], finding["failures"], finding["verdict"]) == (3, 0, "inconclusive")
    assert "broken off after 3 whole tries" in finding["reasons"][0]
    assert (document["status"], document["not_known_to_be_safe"]) == ("stopped", [])
    assert load_record(Path(document["record"])).problems == ()
