from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest
from capture_samples import a_header, an_event, samples

from analysis.capture import Event, EventList, name_of
from bench.errors import RecordError
from bench.records import capture_store, event_store
from bench.records.capture_log import CaptureWriter
from bench.records.capture_store import capture_stem, open_capture, open_captures, settle_log
from bench.records.event_store import FEW_EVENTS, write_events
from bench.records.log_reader import read_log
from bench.records.parquet_store import ROW_GROUP_SAMPLES


def a_log(path, header, n_samples, *, first=0):
    codes, words = samples(header, n_samples)
    with CaptureWriter(path, header) as writer:
        writer.event(an_event(0.4, lost=float("nan"), ohm=float("-inf")))
        writer.append(first, codes, words)
    return codes, words


def test_a_settled_capture_reads_back_equal_and_its_log_is_gone(tmp_path):
    header = a_header(signals=("unit", "unit.current", "unit.current.high"))
    codes, words = a_log(tmp_path / "1.log", header, ROW_GROUP_SAMPLES + 1234, first=10)
    settled = settle_log(tmp_path / "1.log")
    assert [entry.name for entry in tmp_path.iterdir()] == ["1.parquet"]
    opened = open_capture(tmp_path / "1.parquet")
    assert (opened.path, opened.problem) == (settled.path, "")
    assert repr(opened.capture) == repr(settled.capture)  # repr, for NaN differs from itself
    capture = settled.capture
    assert capture.gapped(0.0, 0.010)
    assert not capture.gapped(0.010)
    assert np.isnan(capture.events[0].fields["lost"])
    assert capture.events[0].fields["ohm"] == float("-inf")
    for column, name in enumerate(("unit", "unit.current", "unit.current.high")):
        assert np.array_equal(capture.codes(name)[10:], codes[:, column])
        assert not capture.codes(name).flags.writeable
    assert np.array_equal(capture.source.words()[10:], words)


@pytest.mark.parametrize(("n_lines", "width"), [(1, "uint8"), (9, "uint16"), (17, "uint32"), (33, "uint64")])
def test_digital_words_are_kept_in_the_narrowest_type(tmp_path, n_lines, width):
    header = a_header(lines=[f"line-{number}" for number in range(n_lines)])
    _, words = a_log(tmp_path / "1.log", header, 100)
    path = settle_log(tmp_path / "1.log").path
    assert str(pq.read_schema(path).field("words").type) == width
    assert np.array_equal(open_capture(path).capture.source.words(), words)


@pytest.mark.parametrize("changes", [{"lines": ()}, {"signals": ()}, {"signals": (), "lines": ()}])
def test_captures_without_lines_or_signals_or_samples_settle(tmp_path, changes):
    a_log(tmp_path / "1.log", a_header(**changes), 0)
    capture = open_capture(settle_log(tmp_path / "1.log").path).capture
    assert capture.n_samples == 0
    assert capture.source.words().size == 0


def test_one_column_is_read_at_a_time(tmp_path, monkeypatch):
    header = a_header(signals=("a", "b", "c"))
    a_log(tmp_path / "1.log", header, 1000)
    capture = open_capture(settle_log(tmp_path / "1.log").path).capture
    asked = []
    read = pq.ParquetFile.read

    def watched_read(file, columns, **options):
        asked.append(columns)
        return read(file, columns=columns, **options)

    monkeypatch.setattr(pq.ParquetFile, "read", watched_read)
    capture.channel("b")
    capture.clipped("b")
    capture.line("pitch.up")
    assert asked == [["b"], ["words"]]


@pytest.mark.parametrize("other", [{"first": 1}, {"changed": -1}, {"text": b"{}"}])
def test_a_log_that_does_not_read_back_equal_stays(tmp_path, tmp_path_factory, monkeypatch, other):
    codes, words = a_log(tmp_path / "1.log", a_header(), 50)
    elsewhere = tmp_path_factory.mktemp("other") / "1.log"
    with CaptureWriter(elsewhere, a_header()) as writer:
        writer.event(an_event(0.4, lost=float("nan"), ohm=float("-inf")))
        codes[other.get("changed", slice(0)), 0] += 1  # no sample but for that one
        writer.append(other.get("first", 0), codes, words)
    write = capture_store.write_parquet
    monkeypatch.setattr(
        capture_store,
        "write_parquet",
        lambda path, _log, metadata: write(path, read_log(elsewhere), other.get("text", metadata)),
    )
    with pytest.raises(RecordError, match=r"does not read back .* is kept"):
        settle_log(tmp_path / "1.log")
    assert [entry.name for entry in tmp_path.iterdir()] == ["1.log"]
    assert read_log(tmp_path / "1.log").problem == ""


def test_a_log_that_is_not_whole_stays_a_log(tmp_path):
    a_log(tmp_path / "1.log", a_header(), 50)
    content = (tmp_path / "1.log").read_bytes()
    (tmp_path / "1.log").write_bytes(content[:-1])
    settled = settle_log(tmp_path / "1.log")
    assert settled.path == tmp_path / "1.log"
    assert "cut short" in settled.problem


def test_an_altered_parquet_file_is_refused_and_never_read_as_other_samples(tmp_path):
    header = a_header()
    codes, _ = a_log(tmp_path / "1.log", header, 5000)
    path = settle_log(tmp_path / "1.log").path
    content = path.read_bytes()
    generator = np.random.Generator(np.random.Philox(5))
    n_refused = 0
    for position in generator.integers(0, len(content) // 2, 20):
        altered = bytearray(content)
        altered[position] ^= 0x10
        path.write_bytes(altered)
        try:
            found = open_capture(path).capture.codes("unit.current")
        except RecordError:
            n_refused += 1
        else:
            assert np.array_equal(found, codes[:, 0])  # the flip lay outside this column
    assert n_refused > 0


def test_a_parquet_file_of_another_kind_is_refused(tmp_path):
    import pyarrow as pa

    pq.write_table(pa.table({"a": [1]}), tmp_path / "1.parquet")
    with pytest.raises(RecordError, match="is no capture"):
        open_capture(tmp_path / "1.parquet")


def test_captures_come_in_the_order_taken_and_what_can_not_be_read_is_said(tmp_path):
    for number, name in enumerate(("zeta", "alpha"), start=1):
        stem = capture_stem(number, "discretes", 1, name)
        a_log(tmp_path / f"{stem}.log", a_header(name=name), 20)
    settle_log(tmp_path / "0001-discretes-1-zeta.log")
    (tmp_path / "0003-discretes-1-cut.log").write_bytes(b"BPL1")
    (tmp_path / "0004-discretes-1-cut.parquet.part").write_bytes(b"PAR1")
    captures, problems = open_captures(tmp_path)
    assert [capture.name for capture in captures] == ["zeta", "alpha"]
    assert len(problems) == 1
    assert "0003-discretes-1-cut.log: nothing of this capture can be read" in problems[0]


def test_where_a_kill_left_log_and_parquet_the_capture_counts_once(tmp_path, monkeypatch):
    a_log(tmp_path / "1.log", a_header(), 20)
    content = (tmp_path / "1.log").read_bytes()
    settle_log(tmp_path / "1.log")
    (tmp_path / "1.log").write_bytes(content)
    monkeypatch.setattr(capture_store, "read_log", None)  # the proved Parquet file is taken
    captures, problems = open_captures(tmp_path)
    assert (len(captures), problems) == (1, ())


def test_a_file_name_carries_nothing_a_file_system_refuses():
    stem = capture_stem(7, "../x", 2, 'a/b\\c:d*"<>|' + "n" * 300)
    assert stem.startswith("0007-.._x-2-a_b_c_d_n")
    assert len(stem) <= 105


MANY = FEW_EVENTS + 500


def many_events(path, *, closed=True):
    """A log of many events, logged in another order than they happened in."""
    events = []
    writer = CaptureWriter(path, a_header())
    codes, words = samples(a_header(), 10 * 1000)
    for second in range(10):
        for place in range(MANY // 10):
            time_s = second + ((place * 7) % 1000) / 1000
            stimulus = place % 3 == 0
            about = {"line": f"line-{place % 2}"} if stimulus else {"item": f"item-{place % 5}", "counter": place}
            event = Event(
                time_s=time_s,
                uncertainty_s=0.1 + 0.2,
                kind="stimulus" if stimulus else "report",
                fields={**about, "value": float("nan") if place == 0 else 1.1 * place},
            )
            writer.event(event)
            events.append(event)
        writer.append(1000 * second, codes[1000 * second : 1000 * second + 1000], words[:1000])
    writer.close() if closed else writer.abandon()
    return sorted(events, key=lambda event: event.time_s)


def chosen(events, kind, name=None):
    return [event for event in events if event.kind == kind and name in {None, name_of(event)}]


@pytest.mark.parametrize("settled", [True, False])
def test_many_events_stand_in_a_file_and_are_read_one_kind_at_a_time(tmp_path, monkeypatch, settled):
    monkeypatch.setattr(event_store, "ROW_GROUP_EVENTS", 700)  # several
    told = many_events(tmp_path / "1.log")
    if settled:
        settle_log(tmp_path / "1.log")
        assert sorted(entry.name for entry in tmp_path.iterdir()) == ["1.events.parquet", "1.parquet"]
        assert "counter" not in str(pq.read_schema(tmp_path / "1.parquet").metadata)
    ((capture,), problems) = open_captures(tmp_path)
    assert problems == ()
    assert not isinstance(capture.events, EventList)
    assert len(capture.events) == MANY
    assert repr(list(capture.events)) == repr(told)
    for kind, name in (("stimulus", None), ("report", None), ("stimulus", "line-1"), ("report", "item-4")):
        wanted = chosen(told, kind, name)
        assert wanted
        assert repr(list(capture.events_of(kind, name))) == repr(wanted)
    assert capture.events.times_s("report").tolist() == [event.time_s for event in chosen(told, "report")]
    assert capture.events_of("answer") == ()
    assert capture.events_of("report", "item-9") == ()


def test_of_a_killed_run_every_finished_chunk_of_many_events_is_kept(tmp_path):
    told = many_events(tmp_path / "1.log", closed=False)
    content = (tmp_path / "1.log").read_bytes()
    (tmp_path / "1.log").write_bytes(content[:-10])  # the last chunk is one of events
    ((capture,), problems) = open_captures(tmp_path)
    assert len(problems) == 1
    assert len(capture.events) == MANY - MANY // 10
    assert repr(list(capture.events)) == repr([event for event in told if event.time_s < 9.0])


def test_many_events_that_are_missing_or_altered_are_refused(tmp_path):
    many_events(tmp_path / "1.log")
    settle_log(tmp_path / "1.log")
    beside = tmp_path / "1.events.parquet"
    content = beside.read_bytes()
    beside.write_bytes(content[:2000] + bytes([content[2000] ^ 1]) + content[2001:])
    ((capture,), _) = open_captures(tmp_path)
    with pytest.raises(RecordError, match=r"1\.events\.parquet: the capture can't be read"):
        list(capture.events)
    write_events(beside, [an_event()])
    with pytest.raises(RecordError, match=r"1\.events\.parquet: not the events of its capture"):
        capture.events_of("report")
    beside.unlink()
    captures, (problem,) = open_captures(tmp_path)
    assert captures == ()
    assert f"the {MANY} events of this capture are missing: fetch 1.events.parquet" in problem


def test_many_events_that_do_not_read_back_equal_leave_the_log(tmp_path, monkeypatch):
    many_events(tmp_path / "1.log")
    write = capture_store.write_events

    def one_digit_off(path, events):
        digest = write(path, events)
        write(path, (replace(event, time_s=event.time_s + 1e-12) for event in events))
        return digest

    monkeypatch.setattr(capture_store, "write_events", lambda path, events: one_digit_off(path, list(events)))
    with pytest.raises(RecordError, match=r"events\.parquet\.part: does not read back .* is kept"):
        settle_log(tmp_path / "1.log")
    assert [entry.name for entry in tmp_path.iterdir()] == ["1.log"]


def test_events_that_a_kill_left_beside_a_log_count_once(tmp_path):
    many_events(tmp_path / "1.log")
    content = (tmp_path / "1.log").read_bytes()
    settle_log(tmp_path / "1.log")
    (tmp_path / "1.log").write_bytes(content)
    (tmp_path / "1.parquet").unlink()
    ((capture,), problems) = open_captures(tmp_path)
    assert (len(capture.events), problems) == (MANY, ())
