import json
import math
from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.errors import RecordError
from bench.records import journal as journal_module
from bench.records.journal import EntryKind, Journal, read_journal

NOW = datetime(2026, 3, 4, 5, 6, 7, 891_000, tzinfo=timezone(timedelta(hours=-3, minutes=-30)))


@pytest.fixture(scope="module")
def content(tmp_path_factory):
    path = tmp_path_factory.mktemp("journal") / "journal.jsonl"
    journal = Journal(path, wall_now=lambda: NOW)
    journal.write(EntryKind.RUN_STARTED, {"serial": 'SIM-1", "crc32": "00000000"}'}, bench_time_s=0.0)
    journal.write(EntryKind.NOTE, {"text": "µ <b>"}, bench_time_s=0.1 + 0.2)
    journal.write(EntryKind.NOTE, {"text": ""}, bench_time_s=math.nan)
    journal.close()
    return path.read_bytes()


def test_every_line_is_one_json_object_with_sequence_bench_time_and_wall_time_with_its_offset(content):
    lines = [json.loads(line) for line in content.decode().splitlines()]
    assert [line["sequence"] for line in lines] == [0, 1, 2]
    assert [line["kind"] for line in lines] == ["run-started", "note", "note"]
    assert [line["bench_time_s"] for line in lines] == [0.0, 0.1 + 0.2, None]
    assert {line["wall_time"] for line in lines} == {"2026-03-04T05:06:07.891-03:30"}
    assert lines[1]["fields"] == {"text": "µ <b>"}


def test_what_was_written_reads_back(content, tmp_path):
    reading = read(tmp_path, content)
    assert reading.problem == ""
    assert reading.entries[1].bench_time_s == 0.1 + 0.2
    assert math.isnan(reading.entries[2].bench_time_s)
    assert [entry.fields["text"] for entry in reading.of_kind(EntryKind.NOTE)] == ["µ <b>", ""]


def read(folder, content):
    (folder / "journal.jsonl").write_bytes(content)
    return read_journal(folder / "journal.jsonl")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_journal_cut_at_any_byte_gives_its_whole_lines_and_says_when_one_is_cut(content, tmp_path, data):
    length = data.draw(st.integers(0, len(content)))
    reading = read(tmp_path, content[:length])
    n_lines = content[:length].count(b"\n")
    assert [entry.sequence for entry in reading.entries] == list(range(n_lines))
    cut = length > 0 and not content[:length].endswith(b"\n")
    assert reading.problem == (f"journal.jsonl: line {n_lines + 1} is cut short and left out" if cut else "")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_flipped_bit_ends_what_is_trusted_of_a_journal(content, tmp_path, data):
    bit = data.draw(st.integers(0, 8 * len(content) - 1))
    altered = bytearray(content)
    altered[bit // 8] ^= 1 << bit % 8
    reading = read(tmp_path, altered)
    assert reading.problem
    assert len(reading.entries) == content[: bit // 8].count(b"\n")


def test_a_line_left_out_ends_what_is_trusted(content, tmp_path):
    first, _, third = content.splitlines(keepends=True)
    reading = read(tmp_path, first + third)
    assert len(reading.entries) == 1
    assert "line 2 is altered" in reading.problem


def test_an_entry_is_on_the_disk_before_the_next_thing_happens(tmp_path):
    journal = Journal(tmp_path / "journal.jsonl")
    journal.write(EntryKind.NOTE, {"text": "one"}, bench_time_s=1.0)
    assert len(read_journal(tmp_path / "journal.jsonl").entries) == 1
    assert datetime.fromisoformat(read_journal(tmp_path / "journal.jsonl").entries[0].wall_time).tzinfo is not None
    journal.close()


@pytest.mark.parametrize("force", [True, False])
def test_only_what_cannot_be_made_again_waits_for_the_disk(tmp_path, monkeypatch, force):
    forced = []
    monkeypatch.setattr(journal_module.os, "fsync", forced.append)
    journal = Journal(tmp_path / "journal.jsonl", force=force)
    journal.write_all(EntryKind.NOTE, [{"text": "one"}, {"text": "two"}], bench_time_s=1.0)
    assert len(forced) == int(force)
    assert len(read_journal(tmp_path / "journal.jsonl").entries) == 2


def test_a_closed_journal_takes_nothing_and_none_is_written_over(tmp_path):
    journal = Journal(tmp_path / "journal.jsonl")
    journal.close()
    with pytest.raises(RecordError, match="note can't be added"):
        journal.write(EntryKind.NOTE, {}, bench_time_s=0.0)
    with pytest.raises(RecordError, match="exists"):
        Journal(tmp_path / "journal.jsonl")


def test_a_number_that_is_not_finite_never_reaches_a_line(tmp_path):
    journal = Journal(tmp_path / "journal.jsonl")
    with pytest.raises(ValueError, match="not JSON compliant"):
        journal.write(EntryKind.NOTE, {"value": math.inf}, bench_time_s=0.0)
    journal.close()
    assert read_journal(tmp_path / "journal.jsonl").entries == ()


def test_a_missing_journal_says_what_to_do(tmp_path):
    with pytest.raises(RecordError, match="Check that it is there"):
        read_journal(tmp_path / "journal.jsonl")
