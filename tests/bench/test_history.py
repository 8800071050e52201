"""Runs of a serial, a model, an instrument, told from record folders alone."""

import json
from dataclasses import replace

import pytest
from command_line import boxproof

from analysis.finding import Finding
from analysis.verdict import Cause, Verdict
from bench.errors import UsageError
from bench.history import Wanted, changes, history, history_document, history_lines
from bench.records.record import RECORD_NAME, Record, record_text
from bench.records.run_facts import InstrumentFacts, RunFacts, RunOutcome, RunStatus

FACTS = RunFacts(
    software_version="0.1.0",
    serial="SIM-1",
    model="dotterel-6",
    aircraft="whimbrel",
    plan="acceptance",
    bench="simulated",
    simulated=True,
)
OUTCOME = RunOutcome(
    status=RunStatus.COMPLETE,
    verdict=Verdict.PASS,
    cause=None,
    partial=False,
    not_tested=(),
    bench_time_s=1.0,
    wall_time_s=1.0,
    peak_memory_mb=1.0,
)
DROP = Finding(
    id="pitch.drop",
    procedure="trim-loaded",
    function="pitch-trim",
    title="Pitch trim: drop",
    verdict=Verdict.PASS,
    cause=None,
    value=0.310,
    quantity_unit="V",
    expanded_uncertainty=0.03,
    high=0.6,
    margin=0.29,
)
SUPPLY = InstrumentFacts(
    role="supply", address="x", maker="m", model="s", serial="PSU-7", firmware="1", calibration="due 2027-01-01"
)


def keep(records, run_id, started, **changed):
    """Write the record of one run; `facts`, `outcome`, `findings` and `instruments` may differ from the sample's."""
    record = Record(
        id=run_id,
        folder=records / f"{started[:10]}_dotterel-6_SIM-1_{run_id}",
        facts=FACTS,
        started=started,
        ended=started,
        outcome=OUTCOME,
        findings=(DROP,),
        instruments=(SUPPLY,),
    )
    record = replace(record, **changed)
    record.folder.mkdir()
    (record.folder / RECORD_NAME).write_text(record_text(record))


def test_runs_stand_in_order_of_time_whatever_the_folders_and_zones_are_called(tmp_path):
    keep(tmp_path, "b", "2026-11-25T10:00:00+00:00")
    keep(tmp_path, "a", "2026-11-25T10:30:00+01:00")  # half an hour earlier
    assert [run.id for run in history(tmp_path, Wanted()).runs] == ["a", "b"]


def test_a_serial_a_model_and_an_instrument_choose_runs_capitals_aside(tmp_path):
    keep(tmp_path, "a", "2026-11-25T10:00:00+00:00")
    other = replace(FACTS, serial="SIM-2", model="sanderling-2")
    keep(tmp_path, "b", "2026-11-25T11:00:00+00:00", facts=other, instruments=(replace(SUPPLY, serial="PSU-8"),))
    for wanted, ids in (
        (Wanted(serial="sim-2"), ["b"]),
        (Wanted(model="Dotterel-6"), ["a"]),
        (Wanted(instrument="psu-8"), ["b"]),
        (Wanted(instrument="supply"), ["a", "b"]),
    ):
        assert [run.id for run in history(tmp_path, wanted).runs] == ids


def test_what_did_not_pass_stands_under_its_run(tmp_path):
    failed = replace(DROP, verdict=Verdict.FAIL, cause=Cause.UNIT)
    outcome = replace(OUTCOME, verdict=Verdict.FAIL, cause=Cause.UNIT)
    facts = replace(FACTS, squawk="trim slow", parent="earlier")
    keep(tmp_path, "a", "2026-11-25T10:00:00+00:00", findings=(failed,), outcome=outcome, facts=facts)
    lines = list(history_lines(history(tmp_path, Wanted()), Wanted()))
    assert "fail (simulated), cause: unit, judged again from earlier" in lines[0]
    assert lines[1:] == ["    squawk: trim slow", "    fail: pitch.drop", "1 run."]


def test_a_finding_is_followed_run_by_run_and_its_change_held_against_what_both_values_are_worth(tmp_path):
    for hour, value in (("10", 0.310), ("11", 0.36), ("12", 0.35)):
        found = (replace(DROP, value=value, margin=0.6 - value),)
        keep(tmp_path, f"r{hour}", f"2026-11-25T{hour}:00:00+00:00", findings=found)
    wanted = Wanted(finding="pitch.drop")
    found = history(tmp_path, wanted)
    (change,) = changes(found.runs, "pitch.drop")
    assert change.value == pytest.approx(0.04)
    assert change.expanded_uncertainty == pytest.approx(0.03 * 2**0.5)  # GUM 5.1.2, independent values
    assert not change.shown
    assert list(history_lines(found, wanted))[-2:] == [
        "SIM-1: +40 mV from the first to the last of 3 runs, +/- 42 mV: no change is shown",
        "3 runs.",
    ]
    document = history_document(found, wanted)
    assert [run["findings"][0]["value"] for run in document["runs"]] == [0.310, 0.36, 0.35]
    assert document["changes"][0]["shown"] is False


def test_a_change_beyond_both_uncertainties_is_said_and_logical_findings_have_none(tmp_path):
    counted = Finding(
        id="pitch.drives",
        procedure="trim-light",
        function="pitch-trim",
        title="Pitch trim drives",
        verdict=Verdict.PASS,
        cause=None,
        trials=6,
        failures=0,
    )
    for hour, value in (("10", 0.310), ("11", 0.40)):
        keep(tmp_path, f"r{hour}", f"2026-11-25T{hour}:00:00+00:00", findings=(replace(DROP, value=value), counted))
    runs = history(tmp_path, Wanted()).runs
    assert changes(runs, "pitch.drop")[0].shown
    assert changes(runs, "pitch.drives") == ()


def test_a_record_that_cannot_be_read_is_said_and_the_others_are_told(tmp_path):
    keep(tmp_path, "a", "2026-11-25T10:00:00+00:00")
    broken = tmp_path / "2026-11-25_dotterel-6_SIM-1_broken"
    broken.mkdir()
    (broken / RECORD_NAME).write_text("{")
    found = history(tmp_path, Wanted())
    assert [run.id for run in found.runs] == ["a"]
    assert "broken" in found.unreadable[0]


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (Wanted(serial="SIM-9"), "serial SIM-9: no run of it among the records. Nearest: SIM-1."),
        (Wanted(instrument="scope"), "--instrument scope: no run"),
        (Wanted(finding="roll.drop"), "Nearest: pitch.drop."),
    ],
)
def test_what_no_run_has_is_refused_with_what_there_is(tmp_path, wanted, said):
    keep(tmp_path, "a", "2026-11-25T10:00:00+00:00")
    with pytest.raises(UsageError) as refused:
        history(tmp_path, wanted)
    assert said in str(refused.value)


def test_the_command_prints_json_and_refuses_a_folder_without_records(tmp_path):
    refused = boxproof("history", "--records", tmp_path)
    assert (refused.code, "holds no records" in refused.err) == (2, True)
    keep(tmp_path, "a", "2026-11-25T10:00:00+00:00")
    printed = boxproof("history", "--records", tmp_path, "--json")
    assert printed.code == 0
    (run,) = json.loads(printed.out)["runs"]
    assert (run["serial"], run["verdict"], run["counts"]["pass"]) == ("SIM-1", "pass", 1)
