import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from capture_samples import a_header, an_event, samples
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.capture import Gap
from bench.errors import RecordError
from bench.records.capture_log import CaptureWriter
from bench.records.log_reader import read_log

REPOSITORY = Path(__file__).parents[2]
N_SAMPLES = 60  # four chunks at 20 samples a second
HEADER = a_header(sample_rate_hz=20.0)
CODES, WORDS = samples(HEADER, N_SAMPLES)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A log of three data chunks; with it, (length of the file, samples in it) after each chunk that was finished."""
    path = tmp_path_factory.mktemp("log") / "whole.log"
    writer = CaptureWriter(path, HEADER)
    finished = [(path.stat().st_size, 0)]
    writer.event(an_event(0.25))
    for first in range(0, N_SAMPLES, 20):
        writer.append(first, CODES[first : first + 20], WORDS[first : first + 20])
        finished.append((path.stat().st_size, first + 20))
    writer.close()
    return path.read_bytes(), finished


def assert_exact_prefix(log, n_good):
    capture = log.capture
    assert log.problem
    assert capture.n_samples == n_good + 1
    assert capture.gaps == (Gap(first_sample=n_good, n_samples=1),)
    for column, name in enumerate(capture.channels):
        assert np.array_equal(capture.codes(name), np.append(CODES[:n_good, column], 0))
    assert np.array_equal(capture.source.words(), np.append(WORDS[:n_good], 0))


def test_a_closed_log_reads_back_as_it_was_written(tmp_path):
    event = an_event(
        0.4, line="pitch.up", volts=0.1 + 0.2, lost=float("nan"), ohm=float("inf"), word="inf", n=np.int64(3)
    )
    writer = CaptureWriter(tmp_path / "a.log", HEADER)
    writer.event(an_event(2.0))
    writer.event(event)
    for first in (0, 7, 41):
        stop = {0: 7, 7: 41, 41: N_SAMPLES}[first]
        writer.append(first, CODES[first:stop], WORDS[first:stop])
    writer.close()
    log = read_log(tmp_path / "a.log")
    assert log.problem == ""
    assert log.capture.n_samples == N_SAMPLES
    assert log.capture.gaps == ()
    assert tuple(log.capture.channels.values()) == HEADER.channels
    assert log.capture.settings == HEADER.settings
    assert log.capture.start_s == HEADER.start_s
    for column, name in enumerate(log.capture.channels):
        assert np.array_equal(log.capture.codes(name), CODES[:, column])
    assert np.array_equal(log.capture.source.words(), WORDS)
    assert [found.time_s for found in log.capture.events] == [0.4, 2.0]
    fields = dict(log.capture.events[0].fields)
    assert np.isnan(fields.pop("lost"))
    assert fields == {"line": "pitch.up", "volts": 0.1 + 0.2, "ohm": float("inf"), "word": "inf", "n": 3}


def test_a_jump_of_the_sample_index_becomes_a_gap_of_zeros(tmp_path):
    writer = CaptureWriter(tmp_path / "a.log", HEADER)
    writer.append(5, CODES[5:10], WORDS[5:10])
    writer.append(10, CODES[10:12], WORDS[10:12])
    writer.append(30, CODES[30:40], WORDS[30:40])
    writer.close(n_samples=45)
    capture = read_log(tmp_path / "a.log").capture
    lost = np.ones(45, dtype=bool)
    lost[5:12] = lost[30:40] = False
    assert capture.gaps == tuple(Gap(first_sample=first, n_samples=n) for first, n in ((0, 5), (12, 18), (40, 5)))
    assert np.array_equal(capture.codes("unit.current"), np.where(lost, 0, CODES[:45, 0]))
    assert np.array_equal(capture.source.words(), np.where(lost, 0, WORDS[:45]))


@pytest.mark.parametrize("n_lines", [0, 1, 8, 9, 33, 64])
def test_words_of_any_width_come_back(tmp_path, n_lines):
    header = a_header(signals=(), lines=[f"line-{number}" for number in range(n_lines)])
    words = np.array([0, (1 << n_lines) - 1, (1 << n_lines) // 2], dtype=np.uint64)
    with CaptureWriter(tmp_path / "a.log", header) as writer:
        writer.append(0, np.zeros((3, 0), dtype=np.int16), words)
    assert np.array_equal(read_log(tmp_path / "a.log").capture.source.words(), words)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_log_cut_at_any_byte_gives_every_finished_chunk_and_says_that_it_is_cut(whole, tmp_path, data):
    content, finished = whole
    length = data.draw(st.integers(0, len(content) - 1))
    path = tmp_path / "cut.log"
    path.write_bytes(content[:length])
    if length < finished[0][0]:
        with pytest.raises(RecordError, match="nothing of this capture can be read"):
            read_log(path)
    else:
        data_ends = [(size_after_data(content, size, n), n) for size, n in finished]
        assert_exact_prefix(read_log(path), max(n for end, n in data_ends if end <= length))


def size_after_data(content, size, n):
    """Where the data chunk ends after whose flush the file was `size` long: an events chunk may have followed it."""
    return size if n != 20 else content.index(b"BPL1\x03", 0, size)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_flipped_bit_anywhere_is_found_and_nothing_behind_it_is_trusted(whole, tmp_path, data):
    content, finished = whole
    bit = data.draw(st.integers(0, 8 * len(content) - 1))
    altered = bytearray(content)
    altered[bit // 8] ^= 1 << bit % 8
    path = tmp_path / "flipped.log"
    path.write_bytes(altered)
    if bit // 8 < finished[0][0]:
        with pytest.raises(RecordError, match="chunk 0 at byte 0"):
            read_log(path)
    else:
        log = read_log(path)
        assert "chunk" in log.problem
        assert_exact_prefix(log, max(n for size, n in finished if size_after_data(content, size, n) <= bit // 8))


def test_bytes_after_the_closing_chunk_are_said_and_change_nothing(whole, tmp_path):
    path = tmp_path / "longer.log"
    path.write_bytes(whole[0] + b"\0" * 40)
    log = read_log(path)
    assert "does not begin as a chunk does" in log.problem
    assert (log.capture.n_samples, log.capture.gaps) == (N_SAMPLES, ())


def test_a_chunk_left_out_is_found(whole, tmp_path):
    content, finished = whole
    path = tmp_path / "shorter.log"
    path.write_bytes(content[: finished[1][0]] + content[finished[2][0] :])
    log = read_log(path)
    assert "out of place" in log.problem
    assert_exact_prefix(log, 20)


def test_a_broken_off_capture_is_gapped_at_its_end_and_only_there(whole, tmp_path):
    content, finished = whole
    path = tmp_path / "cut.log"
    path.write_bytes(content[: finished[2][0]])
    capture = read_log(path).capture
    assert capture.gapped()
    assert capture.gapped(1.5, 3.0)
    assert not capture.gapped(0.0, 2.0)


WRITER = """
import sys
sys.path[:0] = [{repository!r}, {tests!r}]
from pathlib import Path
from capture_samples import a_header, samples
from bench.records.capture_log import CaptureWriter
header = a_header(sample_rate_hz=500.0)
codes, words = samples(header, 500)
writer = CaptureWriter(Path({path!r}), header)
for first in range(0, 10_000_000, 500):
    writer.append(first, codes, words)
    print(first + 500, flush=True)
"""


@pytest.mark.parametrize("n_chunks", [1, 7, 40])
def test_a_writer_killed_in_the_middle_leaves_every_chunk_it_finished(tmp_path, n_chunks):
    path = tmp_path / "killed.log"
    script = WRITER.format(repository=str(REPOSITORY), tests=str(REPOSITORY / "tests"), path=str(path))
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as process:
        for _ in range(n_chunks):
            finished = int(process.stdout.readline())
        process.kill()
    log = read_log(path)
    header = a_header(sample_rate_hz=500.0)
    codes, _ = samples(header, 500)
    n_good = log.capture.n_samples - 1
    assert log.problem
    assert n_good >= finished
    assert n_good % 500 == 0
    for column, name in enumerate(log.capture.channels):
        assert np.array_equal(log.capture.codes(name)[:n_good], np.tile(codes[:, column], n_good // 500))


def test_one_channel_is_read_without_reading_the_others(whole, tmp_path, monkeypatch):
    path = tmp_path / "a.log"
    path.write_bytes(whole[0])
    log = read_log(path)
    n_read = count_bytes_read(monkeypatch)
    log.capture.codes("unit.current")
    assert sum(n_read) == 2 * N_SAMPLES


def count_bytes_read(monkeypatch):
    n_read = []
    path_open = Path.open

    def counting_open(path, *args, **kwargs):
        file = path_open(path, *args, **kwargs)

        class Counting:
            def __enter__(self):
                return self

            def __exit__(self, *exc):
                file.close()

            def seek(self, offset):
                file.seek(offset)

            def read(self, size):
                content = file.read(size)
                n_read.append(len(content))
                return content

        return Counting()

    monkeypatch.setattr(Path, "open", counting_open)
    return n_read


@pytest.mark.parametrize(
    ("first", "codes", "words", "message"),
    [
        (0, CODES[:5, :1], WORDS[:5], "codes are int16"),
        (0, CODES[:5].astype(np.int32), WORDS[:5], "codes are int32"),
        (0, CODES[:5], WORDS[:5].astype(np.uint8), "words are uint8"),
        (0, CODES[:5], np.full(5, 4, dtype=np.uint64), "beyond its 2 lines"),
        (-1, CODES[:5], WORDS[:5], "sample -1 came again"),
    ],
)
def test_a_block_that_does_not_fit_is_refused_and_nothing_of_it_stays(tmp_path, first, codes, words, message):
    writer = CaptureWriter(tmp_path / "a.log", HEADER)
    with pytest.raises(ValueError, match=message):
        writer.append(first, codes, words)
    writer.close()
    assert read_log(tmp_path / "a.log").capture.n_samples == 0


def test_a_sample_count_that_jumps_beyond_all_measure_is_refused(tmp_path):
    with CaptureWriter(tmp_path / "a.log", HEADER) as writer, pytest.raises(RecordError, match="sample count jumped"):
        writer.append(2**31, CODES, WORDS)


def test_nothing_is_added_to_a_closed_log_and_no_log_is_written_over(tmp_path):
    writer = CaptureWriter(tmp_path / "a.log", HEADER)
    writer.close()
    writer.close()
    with pytest.raises(RecordError, match="closed"):
        writer.append(0, CODES, WORDS)
    with pytest.raises(RecordError, match="exists"):
        CaptureWriter(tmp_path / "a.log", HEADER)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"signals": ("a", "a")}, "named twice"),
        ({"signals": ("words",)}, "no signal may be called 'words'"),
        ({"lines": [str(number) for number in range(65)]}, "a word holds 64"),
    ],
)
def test_a_header_that_can_not_be_kept_is_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        a_header(**changes)
