"""Reading a capture log, whole or broken off: every finished chunk, and what is wrong behind them.

Opening passes once over the file, one chunk in memory at a time, and proves each; after that one channel is
read at a time by seeking.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Capture, Event, EventList, Events, Gap, name_of
from bench.errors import RecordError
from bench.records.capture_header import CaptureHeader, event_from_json, gaps_from_json, header_from_json
from bench.records.capture_log import STRETCH
from bench.records.chunks import HEAD_BYTES, Chunk, ChunkKind, DamagedChunkError, read_chunks
from bench.records.durable import reading_faults
from bench.records.event_store import FEW_EVENTS


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Consecutive samples in the file; `offset` is where the first channel's codes begin."""

    first_sample: int
    n_samples: int
    offset: int


class LogSource:
    """Samples of a log; satisfies `analysis.capture.SampleSource`. Holds no file open and no samples."""

    def __init__(self, path: Path, header: CaptureHeader, stretches: Sequence[Stretch], n_samples: int) -> None:
        self.path = path
        self.word_dtype = header.word_dtype()
        self._rows = {channel.name: row for row, channel in enumerate(header.channels)}
        self._stretches = tuple(stretches)
        self._n_samples = n_samples

    def codes(self, channel: str) -> NDArray[np.int16]:
        """Return the codes of one channel, shape (n_samples,); lost samples are 0."""
        return self.codes_between(channel, 0, self._n_samples)

    def words(self) -> NDArray[np.unsignedinteger[Any]]:
        """Return the digital words, shape (n_samples,); lost samples are 0."""
        return self.words_between(0, self._n_samples)

    def codes_between(self, channel: str, first: int, stop: int) -> NDArray[np.int16]:
        """Return the codes of one channel for samples [first, stop)."""
        codes = np.zeros(stop - first, dtype="<i2")
        self._fill(codes, first, bytes_before=2 * self._rows[channel])
        return codes

    def words_between(self, first: int, stop: int) -> NDArray[np.unsignedinteger[Any]]:
        """Return the digital words for samples [first, stop), in the type they are stored in."""
        words: NDArray[np.unsignedinteger[Any]] = np.zeros(
            stop - first, dtype="<u1" if self.word_dtype is None else self.word_dtype
        )
        if self.word_dtype is not None:
            self._fill(words, first, bytes_before=2 * len(self._rows))
        return words

    def _fill(self, samples: NDArray[np.integer[Any]], first: int, *, bytes_before: int) -> None:
        """Read one column into `samples`; `bytes_before` is what stands before it per sample of a stretch."""
        width = samples.itemsize
        with reading_faults(self.path), self.path.open("rb") as file:
            for stretch in self._stretches:
                begin = max(first, stretch.first_sample)
                end = min(first + len(samples), stretch.first_sample + stretch.n_samples)
                if begin >= end:
                    continue
                file.seek(stretch.offset + stretch.n_samples * bytes_before + (begin - stretch.first_sample) * width)
                found = file.read((end - begin) * width)
                if len(found) < (end - begin) * width:
                    raise RecordError(f"{self.path}: the log became shorter while it was read. Open the record again.")
                samples[begin - first : end - first] = np.frombuffer(found, dtype=samples.dtype)


class LogEvents:
    """Events of a log, by the chunks they stand in; satisfies `analysis.capture.Events`. Holds no file open.

    Args:
        path: the log.
        chunks: (offset, bytes) of the payload of each chunk of events.
        n_events: in all of them.
    """

    def __init__(self, path: Path, chunks: Sequence[tuple[int, int]], n_events: int) -> None:
        self.path = path
        self._chunks = tuple(chunks)
        self._n_events = n_events

    def __iter__(self) -> Iterator[Event]:
        """Yield every event, in order of time."""
        return iter(_in_time(self.logged()))

    def __len__(self) -> int:
        """Return how many there are."""
        return self._n_events

    def of(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        """Return those of one kind, or those of them that are about `name`, in order of time."""
        return _in_time(event for event in self.logged() if event.kind == kind and name in {None, name_of(event)})

    def times_s(self, kind: str) -> NDArray[np.float64]:
        """Return when those of one kind were, shape (n,), ascending."""
        return np.sort(np.array([event.time_s for event in self.logged() if event.kind == kind], dtype=np.float64))

    def logged(self) -> Iterator[Event]:
        """Yield every event in the order logged, one chunk in memory at a time.

        Raises:
            RecordError: the log can't be read any more.
        """
        with reading_faults(self.path), self.path.open("rb") as file:
            for offset, n_bytes in self._chunks:
                file.seek(offset)
                payload = file.read(n_bytes)
                if len(payload) < n_bytes:
                    raise RecordError(f"{self.path}: the log became shorter while it was read. Open the record again.")
                for document in json.loads(payload):
                    yield event_from_json(document)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureLog:
    """A log as far as it can be trusted.

    `problem` is "" for a log that was closed. Otherwise it says where the log breaks off, and `capture` ends
    with one lost sample that stands for all that would have followed: whatever looks at the end of the record
    finds a gap there and can't take the part for the whole.
    """

    capture: Capture
    source: LogSource
    problem: str


def read_log(path: Path) -> CaptureLog:
    """Open a capture log, whole or broken off.

    Raises:
        RecordError: the file can't be opened, or not even its header chunk can be trusted.
    """
    contents = _Contents()
    problem = ""
    with reading_faults(path), path.open("rb") as file:
        try:
            for chunk in read_chunks(file, path.stat().st_size):
                contents.take(chunk)
        except DamagedChunkError as damage:
            problem = str(damage)
        except (KeyError, TypeError, ValueError) as error:
            raise RecordError(
                f"{path}: its chunks are whole but say what this version can't read: {error!r}."
            ) from error
    if contents.header is None:
        raise RecordError(f"{path}: nothing of this capture can be read: {problem or 'the file is empty'}.")
    n_samples = contents.n_samples
    if contents.closing is None:
        problem = problem or "it was never closed: the run ended while this capture was taken"
        n_samples += 1  # lost: it stands for all that would have followed
    source = LogSource(path, contents.header, contents.stretches, n_samples)
    events: Events = EventList(_in_time(contents.events))
    if contents.n_events > FEW_EVENTS:
        events = LogEvents(path, contents.event_chunks, contents.n_events)
    capture = contents.header.capture(
        n_samples=n_samples, gaps=_gaps(contents.stretches, n_samples), events=events, source=source
    )
    return CaptureLog(capture=capture, source=source, problem=problem)


class _Contents:
    """What the chunks said, in the order they came."""

    def __init__(self) -> None:
        self.header: CaptureHeader | None = None
        self.stretches: list[Stretch] = []
        self.events: list[Event] = []  # while they are few
        self.event_chunks: list[tuple[int, int]] = []  # (offset, bytes)
        self.n_events = 0
        self.closing: Mapping[str, Any] | None = None
        self.n_samples = 0

    def take(self, chunk: Chunk) -> None:
        """Take one chunk whose CRC held.

        Raises:
            DamagedChunkError: it contradicts the chunks before it.
        """
        where = f"chunk {chunk.sequence} at byte {chunk.offset - HEAD_BYTES}"
        if self.closing is not None:
            raise DamagedChunkError(f"{where} comes after the closing chunk")
        if (chunk.kind is ChunkKind.HEADER) is not (self.header is None):
            raise DamagedChunkError(f"{where} is out of place: a log has one header, and it comes first")
        if self.header is None:
            self.header = header_from_json(json.loads(chunk.payload))
        elif chunk.kind is ChunkKind.DATA:
            self._take_data(chunk, self.header, where)
        elif chunk.kind is ChunkKind.EVENTS:
            self._take_events(chunk)
        else:
            self._take_closing(json.loads(chunk.payload), where)

    def _take_events(self, chunk: Chunk) -> None:
        documents = json.loads(chunk.payload)
        self.n_events += len(documents)
        self.event_chunks.append((chunk.offset, len(chunk.payload)))
        if self.n_events <= FEW_EVENTS:
            self.events.extend(event_from_json(document) for document in documents)
        else:
            self.events.clear()  # a great many stay in the file

    def _take_data(self, chunk: Chunk, header: CaptureHeader, where: str) -> None:
        first, count = STRETCH.unpack_from(chunk.payload)
        if first < self.n_samples or len(chunk.payload) != STRETCH.size + count * header.sample_bytes():
            raise DamagedChunkError(f"{where} does not fit the samples before it or the header's channels")
        self.stretches.append(Stretch(first_sample=first, n_samples=count, offset=chunk.offset + STRETCH.size))
        self.n_samples = first + count

    def _take_closing(self, closing: Mapping[str, Any], where: str) -> None:
        n_samples: int = closing["n_samples"]
        if (
            n_samples < self.n_samples
            or gaps_from_json(closing["gaps"]) != _gaps(self.stretches, n_samples)
            or closing["n_events"] != self.n_events
        ):
            raise DamagedChunkError(f"{where} closes the log with other counts than its chunks hold")
        self.n_samples = n_samples
        self.closing = closing


def _in_time(events: Iterable[Event]) -> tuple[Event, ...]:
    return tuple(sorted(events, key=lambda event: event.time_s))


def _gaps(stretches: Sequence[Stretch], n_samples: int) -> tuple[Gap, ...]:
    """Return what the stretches leave out of [0, n_samples)."""
    gaps = []
    expected = 0
    for first, count in (*((stretch.first_sample, stretch.n_samples) for stretch in stretches), (n_samples, 0)):
        if first > expected:
            gaps.append(Gap(first_sample=expected, n_samples=first - expected))
        expected = first + count
    return tuple(gaps)
