"""The journal of a run: one JSON object a line, written entry by entry, each line proving itself.

A line holds `sequence` (from 0), `kind`, `bench_time_s`, `wall_time` (with its UTC offset), the entry's own
`fields`, and last `crc32` of the line's text before it. What stands in the journal happened; a line that is
cut or altered ends what is trusted.
"""

import json
import os
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.records.durable import disk_faults, reading_faults
from bench.records.json_values import number_from_json, number_to_json

JOURNAL_NAME = "journal.jsonl"
_PROVED_LINE = re.compile(r'(?P<text>\{.*), "crc32": "(?P<crc>[0-9a-f]{8})"\}')


class EntryKind(StrEnum):
    """What a journal entry tells."""

    RUN_STARTED = "run-started"
    INSTRUMENT = "instrument"
    PROCEDURE_STARTED = "procedure-started"
    CAPTURE_CLOSED = "capture-closed"
    PROMPT = "prompt"
    ANSWER = "answer"
    RESULTS = "results"
    FINDING = "finding"
    PROCEDURE_ENDED = "procedure-ended"
    TRY = "try"
    CAPTURES_DROPPED = "captures-dropped"
    LOOP_ENDED = "loop-ended"
    ABORT = "abort"
    NOTE = "note"
    RUN_CLOSED = "run-closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """One entry as read back; `fields` are plain JSON."""

    sequence: int
    kind: EntryKind
    bench_time_s: float
    wall_time: str
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalReading:
    """A journal as far as it can be trusted; `problem` is "" when that is all of it."""

    entries: tuple[JournalEntry, ...]
    problem: str

    def of_kind(self, kind: EntryKind) -> tuple[JournalEntry, ...]:
        """Return the entries of one kind, in order."""
        return tuple(entry for entry in self.entries if entry.kind is kind)


def local_now() -> datetime:
    """Return wall time with its UTC offset; for the record only, never for a decision."""
    return datetime.now().astimezone()


class Journal:
    """Appends entries to a new journal; each is in the file when `write` returns, whatever becomes of the process.

    Args:
        path: file to be made; must not exist.
        wall_now: returns wall time with its UTC offset.
        force: whether each is forced to disk, against a power failure; a simulated run can be made again.

    Raises:
        RecordError: the file exists, or the disk refuses.
    """

    def __init__(self, path: Path, *, wall_now: Callable[[], datetime] = local_now, force: bool = True) -> None:
        self.path = path
        self._force = force
        self._wall_now = wall_now
        self._sequence = 0
        self._closed = False
        with disk_faults(path):
            path.touch(exist_ok=False)

    def write(self, kind: EntryKind, fields: Mapping[str, Any], *, bench_time_s: float) -> str:
        """Append one entry and return the wall time it carries; see `write_all`."""
        return self.write_all(kind, [fields], bench_time_s=bench_time_s)

    def write_all(self, kind: EntryKind, entries: Sequence[Mapping[str, Any]], *, bench_time_s: float) -> str:
        """Append entries of one kind, together, and return the wall time they carry.

        Args:
            kind: what they tell.
            entries: the fields of each: JSON without NaN or infinity (see `json_values`).
            bench_time_s: bench time since the run began.

        Raises:
            RecordError: the journal is closed, or the disk refuses.
            ValueError: a number in the fields is not finite.
        """
        if self._closed:
            raise RecordError(f"{self.path}: the journal is closed; {kind.value} can't be added")
        wall_time = self._wall_now().isoformat(timespec="milliseconds")
        lines = []
        for sequence, fields in enumerate(entries, start=self._sequence):
            body = {
                "sequence": sequence,
                "kind": kind.value,
                "bench_time_s": number_to_json(bench_time_s),
                "wall_time": wall_time,
                "fields": fields,
            }
            text = json.dumps(body, allow_nan=False)[:-1]
            lines.append(f'{text}, "crc32": "{_crc(text)}"}}\n')
        with disk_faults(self.path), self.path.open("ab") as file:  # opened anew: a run that dies holds no file
            file.write("".join(lines).encode("ascii"))
            if self._force:
                file.flush()
                os.fsync(file.fileno())
        self._sequence += len(lines)
        return wall_time

    def close(self) -> None:
        """End the journal; closing again does nothing."""
        self._closed = True


def read_journal(path: Path) -> JournalReading:
    """Read a journal up to the first line that is cut, altered or out of sequence.

    Raises:
        RecordError: the file can't be opened.
    """
    entries: list[JournalEntry] = []
    problem = ""
    with reading_faults(path):
        content = path.read_bytes()
    *lines, rest = content.split(b"\n")
    for number, line in enumerate(lines, start=1):
        entry = _entry(line, number - 1)
        if entry is None:
            problem = f"{path.name}: line {number} is altered, or of a later version; it and what follows is left out"
            break
        entries.append(entry)
    if rest and not problem:
        problem = f"{path.name}: line {len(lines) + 1} is cut short and left out"
    return JournalReading(entries=tuple(entries), problem=problem)


def _entry(line: bytes, sequence: int) -> JournalEntry | None:
    """Return the entry of one line, or None when it does not prove itself."""
    match = _PROVED_LINE.fullmatch(line.decode("ascii", errors="replace"))
    if match is None or _crc(match["text"]) != match["crc"]:
        return None
    body = json.loads(match["text"] + "}")
    if body["sequence"] != sequence or body["kind"] not in set(EntryKind):
        return None
    return JournalEntry(
        sequence=sequence,
        kind=EntryKind(body["kind"]),
        bench_time_s=number_from_json(body["bench_time_s"]),
        wall_time=body["wall_time"],
        fields=body["fields"],
    )


def _crc(text: str) -> str:
    return f"{zlib.crc32(text.encode()):08x}"
