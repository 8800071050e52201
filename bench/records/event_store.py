"""The events of a long capture: a Parquet file of their own beside its samples, read one kind at a time.

A few events stand in the metadata of the capture's file. A great many would make that text, and everything that turns
them to and fro at once, grow with the length of the capture. One row an event, in the order they were logged: its time,
uncertainty and kind, what it is about (`analysis.capture.name_of`, by which rows are found), and its fields as JSON.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.capture import Event, name_of
from bench.errors import RecordError
from bench.records.durable import disk_faults
from bench.records.json_values import Scalar, fields_from_json, fields_to_json
from bench.records.parquet_faults import parquet_faults

EVENTS_SUFFIX = ".events.parquet"
FEW_EVENTS = 2000  # so many stand in a capture's own metadata, in memory with it
ROW_GROUP_EVENTS = 16_384
_SCHEMA = pa.schema(
    [
        pa.field("time_s", pa.float64()),
        pa.field("uncertainty_s", pa.float64()),
        pa.field("kind", pa.string()),
        pa.field("name", pa.string()),
        pa.field("fields", pa.string()),
    ]
)
_NAMES = ["kind", "name"]


class StoredEvents:
    """Events of a Parquet file of theirs; satisfies `analysis.capture.Events`. Holds no file open and no events.

    `path` may follow a file that is given another name.
    """

    def __init__(self, path: Path, n_events: int) -> None:
        self.path = path
        self._n_events = n_events

    def __iter__(self) -> Iterator[Event]:
        """Yield every event, in order of time.

        Raises:
            RecordError: the file is not as it was written.
        """
        return iter(self._chosen(None, None))

    def __len__(self) -> int:
        """Return how many there are."""
        return self._n_events

    def of(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        """Return those of one kind, or those of them that are about `name`, in order of time.

        Raises:
            RecordError: the file is not as it was written.
        """
        return self._chosen(kind, name)

    def times_s(self, kind: str) -> NDArray[np.float64]:
        """Return when those of one kind were, shape (n,), ascending.

        Raises:
            RecordError: the file is not as it was written.
        """
        found = [
            group.column("time_s").to_numpy()[_places(group, kind, None)] for group in self._groups(["time_s", *_NAMES])
        ]
        return np.sort(np.concatenate(found)) if found else np.empty(0)

    def digest(self) -> "EventsDigest":
        """Return what the events in the file add up to, one row group in memory at a time.

        Raises:
            RecordError: the file is not as it was written.
        """
        digest = EventsDigest()
        for group in self._groups(_SCHEMA.names):
            digest.take(group)
        return digest

    def _chosen(self, kind: str | None, name: str | None) -> tuple[Event, ...]:
        found: list[Event] = []
        with parquet_faults(self.path):
            for group in self._groups(_SCHEMA.names):
                found += _events_at(group, _places(group, kind, name))
        return tuple(sorted(found, key=lambda event: event.time_s))

    def _groups(self, columns: list[str]) -> Iterator[pa.Table]:
        """Yield the row groups of the file, one in memory at a time."""
        with (
            parquet_faults(self.path),
            pq.ParquetFile(self.path, page_checksum_verification=True, read_dictionary=_NAMES) as file,
        ):
            if file.schema_arrow.names != _SCHEMA.names or file.metadata.num_rows != self._n_events:
                raise RecordError(f"{self.path}: not the events of its capture. The file was altered.")
            for number in range(file.num_row_groups):
                yield file.read_row_group(number, columns=columns, use_threads=False).combine_chunks()


def write_events(path: Path, events: Iterable[Event]) -> "EventsDigest":
    """Write events, in the order logged, one row group in memory at a time; return what they add up to.

    Raises:
        RecordError: the disk refuses.
    """
    digest = EventsDigest()
    rest = iter(events)
    with (
        disk_faults(path),
        pq.ParquetWriter(
            path, _SCHEMA, compression="zstd", compression_level=1, use_dictionary=_NAMES, write_page_checksum=True
        ) as writer,
    ):
        while group := list(islice(rest, ROW_GROUP_EVENTS)):
            table = pa.table(
                [
                    pa.array([event.time_s for event in group], pa.float64()),
                    pa.array([event.uncertainty_s for event in group], pa.float64()),
                    pa.array([event.kind for event in group], pa.string()),
                    pa.array([name_of(event) for event in group], pa.string()),
                    pa.array([_text(event.fields) for event in group], pa.string()),
                ],
                schema=_SCHEMA,
            )
            digest.take(table)
            writer.write_table(table)
    return digest


@dataclass(slots=True)
class EventsDigest:
    """What events add up to, row by row: what is read back is held against what was written."""

    n_events: int = 0
    _sum: "hashlib._Hash" = field(default_factory=hashlib.sha256)

    def take(self, table: pa.Table) -> None:
        """Add some rows."""
        self.n_events += table.num_rows
        for name in ("time_s", "uncertainty_s"):
            self._sum.update(table.column(name).to_numpy().tobytes())
        for name in (*_NAMES, "fields"):
            self._sum.update("\n".join(table.column(name).to_pylist()).encode())

    def hex(self) -> str:
        """Return the SHA-256 of all rows so far, in hexadecimal."""
        return self._sum.hexdigest()


def _text(fields: Mapping[str, Any]) -> str:
    return json.dumps(fields_to_json(fields), allow_nan=False)


def _places(group: pa.Table, kind: str | None, name: str | None) -> NDArray[np.intp]:
    """Return at which rows of a group an event is of this kind and about this name; None is any."""
    wanted = np.ones(group.num_rows, dtype=np.bool_)
    for column, value in (("kind", kind), ("name", name)):
        if value is not None:
            wanted &= _equals(group.column(column), value)
    return np.flatnonzero(wanted)


def _equals(column: pa.ChunkedArray, value: str) -> NDArray[np.bool_]:
    """Return where a column of dictionary-encoded texts holds a value, shape (n_rows,)."""
    found = []
    for chunk in column.chunks:
        texts = chunk.dictionary.to_pylist()
        code = texts.index(value) if value in texts else -1
        found.append(chunk.indices.to_numpy(zero_copy_only=False) == code)
    return np.concatenate(found) if found else np.empty(0, dtype=np.bool_)


def _events_at(group: pa.Table, places: NDArray[np.intp]) -> list[Event]:
    if not places.size:
        return []
    rows = group.take(pa.array(places))
    return [
        Event(time_s=time_s, uncertainty_s=uncertainty_s, kind=kind, fields=_fields(text))
        for time_s, uncertainty_s, kind, text in zip(
            *(rows.column(name).to_pylist() for name in ("time_s", "uncertainty_s", "kind", "fields")), strict=True
        )
    ]


@lru_cache(maxsize=1024)
def _fields(text: str) -> Mapping[str, Scalar]:
    """Return the fields of an event; those of a stimulus come again and again."""
    return fields_from_json(json.loads(text))
