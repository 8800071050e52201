import hashlib
import json
import math
from datetime import UTC, datetime

import numpy as np
import pytest
from capture_samples import a_header, an_event, run_facts, samples

from analysis.finding import Finding
from analysis.measurement import Component, Curve, Doubt, Measurement
from analysis.verdict import Cause, Verdict
from bench.errors import RecordError, UsageError
from bench.records import record_folder
from bench.records.evidence import RecordEvidence
from bench.records.manifest import verify_manifest
from bench.records.reading import find_record, list_records, load_record
from bench.records.record import StoredResult, record_to_json
from bench.records.record_folder import check_writable
from bench.records.record_writer import RecordWriter
from bench.records.run_facts import InstrumentFacts, RunOutcome, RunStatus
from test_plans.procedure import MissingCaptureError

NOW = datetime(2026, 3, 4, 23, 59, 58, tzinfo=UTC)
OUTCOME = RunOutcome(
    status=RunStatus.COMPLETE,
    verdict=Verdict.INCONCLUSIVE,
    cause=Cause.BENCH,
    partial=True,
    not_tested=("flaps",),
    bench_time_s=314.159,
    wall_time_s=2.7,
    peak_memory_mb=123.4,
)
MEASUREMENT = Measurement(
    id="discrete-1.threshold",
    limit="discrete.threshold",
    title="Discrete 1: threshold",
    function="inputs",
    value=0.1 + 0.2,
    quantity_unit="V",
    standard_uncertainty=1 / 3,
    components=(Component(name="gain", contribution=0.1),),
    doubts=(Doubt(reason="clipped", cause=Cause.BENCH),),
)
CURVE = Curve(
    id="c", title="Ramp", function="inputs", x_label="s", y_label="V", series={"v": ((0.0, 0.1), (math.nan, 1 / 3))}
)
FINDING = Finding(
    id=MEASUREMENT.id,
    procedure="discretes",
    function="inputs",
    title=MEASUREMENT.title,
    verdict=Verdict.INCONCLUSIVE,
    cause=Cause.BENCH,
    value=MEASUREMENT.value,
    low=-math.inf,
    high=1.9,
)


def a_writer(records_dir, **facts):
    return RecordWriter(records_dir, run_facts(**facts), bench_now_s=lambda: 1.5, wall_now=lambda: NOW)


def take_capture(writer, name="ramp", **changes):
    header = a_header(name=name, **changes)
    codes, words = samples(header, 1500)
    capture = writer.open_capture(header)
    capture.event(an_event())
    capture.append(0, codes, words)
    capture.close()
    return codes


def take_procedure(writer):
    writer.instrument(
        InstrumentFacts(
            role="supply", address="sim", maker="m", model="s", serial="1", firmware="2", calibration="none"
        )
    )
    writer.procedure_started("discretes", 1, 1.0)
    writer.prompt("plug unit", "Plug the unit in.")
    writer.answer("plug unit", "Plug the unit in.", "yes")
    codes = take_capture(writer)
    writer.results("discretes", 1, [MEASUREMENT, CURVE])
    writer.keep([FINDING])
    writer.procedure_ended("discretes", 1, 2.0)
    writer.note("ambient 21 degC")
    writer.stopped("over-current", "trace", 2.5)
    return codes


def without_place(record):
    return json.dumps(record_to_json(record))


def test_a_record_reads_back_as_it_was_written(tmp_path):
    writer = a_writer(tmp_path)
    codes = take_procedure(writer)
    written = writer.end_run(OUTCOME)
    folder = writer.seal("<!doctype html><title>report</title>")
    record = load_record(folder)
    assert without_place(record) == without_place(written)
    assert record.problems == ()
    assert record.facts == run_facts()
    assert record.facts.sheet("unit").text == 'model = "dotterel-6"\r\n# \u00b5\n'
    assert record.outcome == OUTCOME
    assert record.measurements() == (MEASUREMENT,)
    assert (record.started, record.ended) == ("2026-03-04T23:59:58.000+00:00",) * 2
    assert record.prompts[0].answer == "yes"
    assert record.stops[0].reason == "over-current"
    assert np.array_equal(record.captures_of("discretes")[0].codes("unit.current"), codes[:, 0])
    assert record.captures_of("trim") == ()
    with pytest.raises(KeyError, match="no plan sheet"):
        record.facts.sheet("plan")


def test_a_closed_folder_holds_what_it_should_and_proves_it(tmp_path):
    writer = a_writer(tmp_path)
    take_procedure(writer)
    assert writer.findings == (FINDING,)
    writer.end_run(OUTCOME)
    folder = writer.seal("report \ud800")
    assert folder.name == f"2026-03-04_dotterel-6_SIM-0147_{writer.id}"
    assert sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()) == [
        "MANIFEST",
        "captures/0001-discretes-1-ramp.parquet",
        "findings.csv",
        "journal.jsonl",
        "junit.xml",
        "record.json",
        "report.html",
    ]
    assert verify_manifest(folder) == ()
    document = json.loads((folder / "record.json").read_text(), parse_constant=pytest.fail)
    assert document["schema_version"] == 1
    assert document["run"]["software_version"] == "0.1.0"
    assert document["findings"][0]["low"] == "-inf"


def test_nothing_is_added_after_the_end_and_nothing_is_sealed_twice(tmp_path):
    writer = a_writer(tmp_path)
    with pytest.raises(RecordError, match="has not ended"):
        writer.seal("")
    writer.end_run(OUTCOME)
    with pytest.raises(RecordError, match="note can't be added"):
        writer.note("late")
    with pytest.raises(RecordError, match="capture late can't be added"):
        writer.open_capture(a_header(name="late"))
    with pytest.raises(RecordError, match="has ended"):
        writer.end_run(OUTCOME)
    folder = writer.seal("")
    with pytest.raises(RecordError, match="judge it again"):
        writer.seal("")
    assert verify_manifest(folder) == ()


def test_a_killed_run_is_read_from_its_journal_and_logs(tmp_path):
    writer = a_writer(tmp_path)
    take_procedure(writer)
    writer.procedure_started("trim", 1, 3.0)
    header = a_header(name="hold", procedure="trim")
    codes, words = samples(header, 1500)
    killed = writer.open_capture(header)
    killed.append(0, codes, words)  # a chunk is on the disk; nothing closes it
    journal = writer.folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes() + b'{"sequence": 99, "ki')
    record = load_record(writer.folder)
    killed.abandon()
    assert record.outcome is None
    assert repr(record.findings) == repr((FINDING,))
    assert record.measurements() == (MEASUREMENT,)
    assert record.facts == run_facts()
    assert record.prompts[0].text == "Plug the unit in."
    assert record.notes == ("ambient 21 degC",)
    assert [capture.name for capture in record.captures] == ["ramp", "hold"]
    assert record.captures[1].gapped()
    said = "\n".join(record.problems)
    for part in ("never closed", "no outcome", "is cut short", "trim, attempt 1, was begun and not ended"):
        assert part in said
    assert "capture hold of trim is not whole" in said


def test_a_capture_still_running_at_the_end_is_kept_as_a_part(tmp_path):
    writer = a_writer(tmp_path)
    header = a_header()
    capture = writer.open_capture(header)
    capture.append(0, *samples(header, 30))
    record = writer.end_run(OUTCOME)
    assert [found.name for found in record.captures] == ["ramp"]
    assert "capture ramp of discretes is not whole" in record.problems[0]
    assert without_place(load_record(writer.seal(""))) == without_place(record)


def test_an_altered_record_is_read_and_the_alteration_said(tmp_path):
    writer = a_writer(tmp_path)
    writer.end_run(OUTCOME)
    folder = writer.seal("")
    text = (folder / "record.json").read_text()
    (folder / "record.json").write_text(text.replace("SIM-0147", "SIM-0148"))
    record = load_record(folder)
    assert record.facts.serial == "SIM-0148"
    assert record.problems == ("record.json: was altered after the record was closed",)


def test_a_record_whose_document_is_spoilt_is_read_from_its_journal(tmp_path):
    writer = a_writer(tmp_path)
    take_procedure(writer)
    written = writer.end_run(OUTCOME)
    folder = writer.seal("")
    (folder / "record.json").write_text("{")
    record = load_record(folder)
    assert without_place(record) == without_place(written)
    assert "record.json: can't be read as a record" in record.problems[0]


def test_a_sheet_whose_text_was_changed_is_said(tmp_path):
    sheet = run_facts().sheets[0]
    writer = a_writer(tmp_path, sheets=(type(sheet)(role="unit", file="x.toml", digest=sheet.digest, text="other"),))
    writer.end_run(OUTCOME)
    assert "unit sheet x.toml" in load_record(writer.seal("")).problems[0]


def test_a_later_schema_is_not_read_as_this_one(tmp_path):
    writer = a_writer(tmp_path)
    writer.end_run(OUTCOME)
    folder = writer.seal("")
    text = (folder / "record.json").read_text().replace('"schema_version": 1', '"schema_version": 2')
    (folder / "record.json").write_text(text)
    assert "schema_version 2" in load_record(folder).problems[0]


def test_a_folder_that_is_no_record_is_refused(tmp_path):
    with pytest.raises(RecordError, match="no record"):
        load_record(tmp_path)
    (tmp_path / "journal.jsonl").write_bytes(b"")
    with pytest.raises(RecordError, match="nothing is known"):
        load_record(tmp_path)


def test_records_begun_in_the_same_second_have_folders_of_their_own(tmp_path, monkeypatch):
    tokens = iter(["probe", "aaaaaa", "probe", "aaaaaa", "bbbbbb"])
    monkeypatch.setattr(record_folder.secrets, "token_hex", lambda _: next(tokens))
    assert [a_writer(tmp_path).id, a_writer(tmp_path).id] == ["235958-aaaaaa", "235958-bbbbbb"]


def test_a_model_with_path_characters_makes_no_path(tmp_path):
    writer = a_writer(tmp_path, model="../../x y_z")
    assert writer.folder.parent == tmp_path
    assert writer.folder.name == f"2026-03-04_..-..-x-y-z_SIM-0147_{writer.id}"


def test_a_records_folder_that_can_not_be_written_is_said_with_its_mend(tmp_path):
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(UsageError, match="Choose another folder with --records"):
            check_writable(place)
    check_writable(tmp_path / "new" / "below")
    assert list((tmp_path / "new" / "below").iterdir()) == []


def test_one_name_is_taken_once_an_attempt(tmp_path):
    writer = a_writer(tmp_path)
    take_capture(writer)
    with pytest.raises(ValueError, match="capture ramp was taken already"):
        writer.open_capture(a_header())
    open_one = writer.open_capture(a_header(attempt=2))
    with pytest.raises(ValueError, match="capture ramp was taken already"):
        writer.open_capture(a_header(attempt=2))
    open_one.close()
    open_one.close()


def test_evidence_is_of_one_procedure_and_earlier_measurements_of_the_others(tmp_path):
    writer = a_writer(tmp_path)
    take_capture(writer, "zeta")
    take_capture(writer, "alpha")
    take_capture(writer, "drop", procedure="trim")
    writer.results("bench-check", 1, [MEASUREMENT])
    evidence = writer.evidence("discretes")
    assert evidence.names() == ("zeta", "alpha")
    assert evidence.has("alpha")
    assert not evidence.has("drop")
    assert evidence.capture("zeta").name == "zeta"
    with pytest.raises(MissingCaptureError, match="discretes: capture drop is not there; there are: zeta, alpha"):
        evidence.capture("drop")
    assert evidence.earlier(MEASUREMENT.id) == MEASUREMENT
    assert evidence.earlier("other") is None
    assert writer.evidence("bench-check").earlier(MEASUREMENT.id) is None


def test_of_two_attempts_the_later_capture_counts():
    class Named:
        def __init__(self, attempt):
            self.name, self.procedure, self.attempt = "ramp", "discretes", attempt

    stored = StoredResult(procedure="trim", attempt=1, result=CURVE)
    evidence = RecordEvidence("discretes", [Named(1), Named(2)], [stored])
    assert evidence.capture("ramp").attempt == 2


def test_a_record_is_found_by_folder_by_id_and_by_a_part_of_its_name(tmp_path):
    one, two = a_writer(tmp_path), a_writer(tmp_path, serial="SIM-0200")
    (tmp_path / "other").mkdir()
    assert find_record(str(one.folder), tmp_path / "nowhere") == one.folder
    assert find_record(one.id, tmp_path) == one.folder
    assert find_record("sim-02", tmp_path) == two.folder
    assert list_records(tmp_path) == tuple(sorted([one.folder.name, two.folder.name]))


@pytest.mark.parametrize("text", ["SIM-0417", "", "n" * 5000, "\x00", "../..", "a\nb"])
def test_an_unknown_record_gets_the_nearest_names(tmp_path, text):
    writer = a_writer(tmp_path)
    with pytest.raises(UsageError, match=f"Nearest: {writer.folder.name}") as caught:
        find_record(text, tmp_path)
    assert str(caught.value).isprintable()


def test_a_part_that_fits_several_records_lists_them(tmp_path):
    names = sorted(a_writer(tmp_path).folder.name for _ in range(7))
    with pytest.raises(UsageError, match=f"fits 7 records.*{names[-1]} and 2 more. Give more of the name"):
        find_record("SIM-0147", tmp_path)


def test_a_folder_without_records_is_said(tmp_path):
    with pytest.raises(UsageError, match="holds no records"):
        find_record("x", tmp_path / "nowhere")


def test_a_sheet_copy_carries_the_digest_of_the_files_bytes():
    sheet = run_facts().sheets[0]
    assert sheet.digest == hashlib.sha256(b'model = "dotterel-6"\r\n# \xc2\xb5\n').hexdigest()
    assert sheet.intact()


PASSED, FAILED = "passed", "failed"  # what tries of a loop come to


def take_try(writer, attempt, outcome):
    writer.procedure_started("discretes", attempt, 1.0)
    take_capture(writer, attempt=attempt)
    writer.results("discretes", attempt, [MEASUREMENT], passing=outcome == PASSED and attempt > 1)
    writer.tried("discretes", attempt, outcome, [] if outcome == PASSED else ["Drop"])
    writer.procedure_ended("discretes", attempt, 2.0)


def take_loop(writer):
    """Four tries: the second and third are dropped, the last fails."""
    for attempt, outcome in enumerate((PASSED, PASSED, PASSED, FAILED), start=1):
        take_try(writer, attempt, outcome)
        if attempt in {2, 3}:
            writer.drop_captures("discretes", attempt)
    writer.keep([FINDING])


def test_dropped_tries_leave_no_capture_and_no_result_but_are_counted(tmp_path):
    writer = a_writer(tmp_path)
    take_loop(writer)
    writer.loop_ended("discretes", "ended by an event", early=False, spoilt=False)
    writer.end_run(OUTCOME)
    record = load_record(writer.seal("<!doctype html>"))
    assert record.problems == ()
    assert [capture.attempt for capture in record.captures] == [1, 4]
    assert [stored.attempt for stored in record.results] == [1, 4]
    (loop,) = record.loops
    assert (loop.tries, loop.kept, loop.dropped, loop.ended) == (4, (1, 4), {PASSED: 2}, "ended by an event")


def test_a_killed_run_still_says_how_many_tries_there_were(tmp_path):
    writer = a_writer(tmp_path)
    take_loop(writer)
    writer.procedure_started("discretes", 5, 3.0)
    take_capture(writer, attempt=5)
    record = load_record(writer.folder)
    (loop,) = record.loops
    assert (loop.tries, loop.kept, loop.dropped, loop.ended) == (4, (1, 4), {PASSED: 2}, "")
    assert record.unfinished == (("discretes", 5),)


def test_an_earlier_try_is_earlier_and_its_captures_are_its_own(tmp_path):
    writer = a_writer(tmp_path)
    take_try(writer, 1, PASSED)
    take_try(writer, 2, PASSED)
    assert writer.evidence("discretes", 1).earlier(MEASUREMENT.id) is None
    evidence = writer.evidence("discretes", 3)
    assert evidence.earlier(MEASUREMENT.id) == MEASUREMENT
    assert evidence.names() == ()


def test_nothing_is_let_go_once_the_run_has_ended(tmp_path):
    writer = a_writer(tmp_path)
    take_try(writer, 1, PASSED)
    writer.end_run(OUTCOME)
    with pytest.raises(RecordError, match="the run has ended"):
        writer.drop_captures("discretes", 1)


def test_a_capture_taken_after_the_evidence_was_asked_for_is_seen():
    class Named:
        name, procedure, attempt = "dip", "dip-map", 1

    taken = []
    evidence = RecordEvidence("dip-map", taken, [])
    assert (evidence.has("dip"), evidence.names()) == (False, ())
    taken.append(Named())
    assert evidence.has("dip")
    assert evidence.capture("dip") is taken[0]
    assert evidence.names() == ("dip",)
