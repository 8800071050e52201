"""A closed capture as Parquet: one column a signal, one for the digital words, the rest in the file's metadata.

Where events are many they stand in a file of their own beside it (`event_store`).

Codes are written with BYTE_STREAM_SPLIT and zstd: converter noise lives in the low byte, so keeping like
bytes together saves over a third against plain zstd and is faster. Digital words hardly change, so a
dictionary serves them best. Any reader of Parquet opens the file; pages carry checksums, so an altered one is
refused and never read as other samples.
"""

import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.capture import Capture, EventList, Events
from bench.errors import RecordError
from bench.records.capture_header import (
    WORDS_COLUMN,
    event_from_json,
    event_to_json,
    gaps_from_json,
    gaps_to_json,
    header_from_json,
    header_of,
    header_to_json,
)
from bench.records.durable import disk_faults
from bench.records.event_store import EVENTS_SUFFIX, EventsDigest, StoredEvents
from bench.records.kept_columns import KeptColumns
from bench.records.log_reader import CaptureLog
from bench.records.parquet_faults import parquet_faults

PARQUET_SUFFIX = ".parquet"
METADATA_KEY = b"boxproof.capture"
METADATA_VERSION = 1
KEPT_BYTES = 32_000_000
ROW_GROUP_SAMPLES = 262_144  # half a megabyte of codes a column: what is in memory while writing


_kept_columns = KeptColumns(KEPT_BYTES)


class ParquetSource:
    """Samples of a Parquet file; satisfies `analysis.capture.SampleSource`. Reads one column at a time.

    The columns asked for last, of whatever capture, are kept. `path` may follow a file that is given another name.
    """

    def __init__(self, path: Path, n_samples: int, *, has_words: bool) -> None:
        self.path = path
        self._n_samples = n_samples
        self._has_words = has_words

    def codes(self, channel: str) -> NDArray[np.int16]:
        """Return the codes of one channel, shape (n_samples,), read-only.

        Raises:
            RecordError: the file is not as it was written.
        """
        codes: NDArray[np.int16] = self.column(channel)
        return codes

    def words(self) -> NDArray[np.unsignedinteger[Any]]:
        """Return the digital words, shape (n_samples,), read-only; zeros where there are no lines.

        Raises:
            RecordError: the file is not as it was written.
        """
        if not self._has_words:
            return np.zeros(self._n_samples, dtype=np.uint8)
        words: NDArray[np.unsignedinteger[Any]] = self.column(WORDS_COLUMN)
        return words

    def column(self, name: str, file: pq.ParquetFile | None = None) -> NDArray[Any]:
        """Return one column, read-only; read from `file`, this one opened, or from one opened for it."""
        return _kept_columns.get((self, name), 2 * self._n_samples, partial(self._read, name, file))

    def _read(self, name: str, file: pq.ParquetFile | None) -> NDArray[Any]:
        if file is None:
            with parquet_faults(self.path), pq.ParquetFile(self.path, page_checksum_verification=True) as opened:
                return self._read(name, opened)
        samples: NDArray[Any] = file.read(columns=[name], use_threads=False).column(name).to_numpy()
        return samples


def write_parquet(path: Path, log: CaptureLog, metadata: bytes) -> None:
    """Write a capture log as Parquet beside its `metadata_text`, one row group in memory at a time.

    Raises:
        RecordError: the disk refuses.
    """
    header = header_of(log.capture)
    signals = list(log.capture.channels)
    columns = [pa.field(signal, pa.int16()) for signal in signals]
    word_dtype = header.word_dtype()
    if word_dtype is not None:
        columns.append(pa.field(WORDS_COLUMN, pa.from_numpy_dtype(word_dtype)))
    schema = pa.schema(columns, metadata={METADATA_KEY: metadata})
    with (
        disk_faults(path),
        pq.ParquetWriter(
            path,
            schema,
            compression="zstd",
            compression_level=1,  # higher levels take twice the time and save nothing on noise
            use_dictionary=[WORDS_COLUMN] if word_dtype is not None else False,
            column_encoding=dict.fromkeys(signals, "BYTE_STREAM_SPLIT"),
            write_page_checksum=True,
            write_statistics=False,  # nobody looks samples up by their size
        ) as writer,
    ):
        for first in range(0, log.capture.n_samples, ROW_GROUP_SAMPLES):
            stop = min(first + ROW_GROUP_SAMPLES, log.capture.n_samples)
            arrays = [pa.array(log.source.codes_between(signal, first, stop)) for signal in signals]
            if word_dtype is not None:
                arrays.append(pa.array(log.source.words_between(first, stop)))
            writer.write_table(pa.table(arrays, schema=schema))


def read_parquet(path: Path) -> Capture:
    """Open a capture's Parquet file; no samples are read yet.

    Raises:
        RecordError: it is no capture of ours, or damaged.
    """
    with parquet_faults(path), pq.ParquetFile(path) as file:
        metadata = file.schema_arrow.metadata or {}
        n_rows = file.metadata.num_rows
        names = set(file.schema_arrow.names)
    if METADATA_KEY not in metadata:
        raise RecordError(f"{path}: this Parquet file is no capture: it has no {METADATA_KEY.decode()} metadata.")
    try:
        document = json.loads(metadata[METADATA_KEY])
        header = header_from_json(document["header"])
        source = ParquetSource(path, document["n_samples"], has_words=bool(header.lines))
        capture = header.capture(
            n_samples=document["n_samples"],
            gaps=gaps_from_json(document["gaps"]),
            events=_events_of(path, document["events"]),
            source=source,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: its metadata can't be read: {error!r}.") from error
    wanted = set(capture.channels) | ({WORDS_COLUMN} if capture.lines else set())
    if names != wanted or (names and n_rows != capture.n_samples):
        raise RecordError(f"{path}: its columns are not those its metadata names. The file was altered.")
    return capture


def events_path(path: Path) -> Path:
    """Return where the events of a capture's Parquet file stand, if they are many."""
    return path.with_suffix(EVENTS_SUFFIX)


def _events_of(path: Path, told: list[Any] | dict[str, Any]) -> Events:
    """Return the events that a capture's metadata holds, or says that there are in the file beside it."""
    if isinstance(told, list):
        return EventList(event_from_json(event) for event in told)
    beside = events_path(path)
    if not beside.is_file():
        raise RecordError(f"{path}: the {told['n_events']} events of this capture are missing: fetch {beside.name}.")
    return StoredEvents(beside, told["n_events"])


def proved_source(path: Path, log: CaptureLog, metadata: bytes) -> ParquetSource | None:
    """Return the samples of a Parquet file where it reads back as the log says; else None.

    The same text stands beside the samples, and the same columns are there. They are kept for who evaluates next.

    Raises:
        RecordError: the file can't be read.
    """
    capture = log.capture
    source = ParquetSource(path, capture.n_samples, has_words=bool(capture.lines))
    names = [*capture.channels, *([WORDS_COLUMN] if capture.lines else [])]
    with parquet_faults(path), pq.ParquetFile(path, page_checksum_verification=True) as file:
        if file.schema_arrow.names != names or file.schema_arrow.metadata != {METADATA_KEY: metadata}:
            return None
        for name in names:
            told = log.source.codes(name) if name in capture.channels else log.source.words()
            if not np.array_equal(source.column(name, file), told):
                return None
    return source


def metadata_text(capture: Capture, many: EventsDigest | None = None) -> bytes:
    """Return the text of everything but the samples; of `many` events in a file of their own what they add up to."""
    told: list[dict[str, Any]] | dict[str, Any]
    if many is None:
        told = [event_to_json(event) for event in capture.events]
    else:
        told = {"n_events": many.n_events, "sha256": many.hex()}
    document = {
        "version": METADATA_VERSION,
        "header": header_to_json(header_of(capture)),
        "n_samples": capture.n_samples,
        "gaps": gaps_to_json(capture.gaps),
        "events": told,
    }
    return json.dumps(document, allow_nan=False).encode("ascii")
