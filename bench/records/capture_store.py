"""A record's captures on disk: a log while it is taken, Parquet once it is closed, its many events beside it."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.capture import Capture, Events
from bench.errors import RecordError
from bench.records.capture_log import LOG_SUFFIX
from bench.records.durable import disk_faults
from bench.records.event_store import EVENTS_SUFFIX, EventsDigest, StoredEvents, write_events
from bench.records.log_reader import CaptureLog, LogEvents, read_log
from bench.records.parquet_store import (
    PARQUET_SUFFIX,
    events_path,
    metadata_text,
    proved_source,
    read_parquet,
    write_parquet,
)

LONGEST_STEM = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedCapture:
    """A capture and the file it stands in; `problem` says what is wrong with it, or is ""."""

    path: Path
    capture: Capture
    problem: str


def capture_stem(number: int, procedure: str, attempt: int, name: str) -> str:
    """Return a file name without suffix; `number` keeps it unique and in the order taken."""
    plain = re.sub(r"[^A-Za-z0-9.-]+", "_", f"{procedure}-{attempt}-{name}")[:LONGEST_STEM]
    return f"{number:04d}-{plain}"


def settle_log(log_path: Path) -> OpenedCapture:
    """Turn a log into Parquet; the log goes only once the Parquet file reads back equal.

    A log that is not whole stays as it is and is returned as such: what can't be read of it today may be
    evidence of what went wrong.

    Raises:
        RecordError: the disk refuses, or it does not read back equal; then the log stays.
    """
    log = read_log(log_path)
    if log.problem:
        return OpenedCapture(path=log_path, capture=log.capture, problem=log.problem)
    path = log_path.with_suffix(PARQUET_SUFFIX)
    part = path.with_name(path.name + ".part")
    events, many = _settle_events(log, path)
    metadata = metadata_text(log.capture, many)
    write_parquet(part, log, metadata)
    source = proved_source(part, log, metadata)
    if source is None:
        part.unlink()
        raise _unproved(part, log_path)
    with disk_faults(path):
        part.replace(path)
        log_path.unlink()
    source.path = path
    return OpenedCapture(path=path, capture=replace(log.capture, source=source, events=events), problem="")


def _settle_events(log: CaptureLog, path: Path) -> tuple[Events, EventsDigest | None]:
    """Write the events of a log, if they are many, beside the Parquet file to be; return them and what they add up to.

    They get their name before that file has its own: where it stands, they do.
    """
    told = log.capture.events
    if not isinstance(told, LogEvents):
        return told, None
    beside = events_path(path)
    part = beside.with_name(beside.name + ".part")
    many = write_events(part, told.logged())
    stored = StoredEvents(part, len(told))
    if many.n_events != len(told) or stored.digest().hex() != many.hex():
        part.unlink()
        raise _unproved(part, told.path)
    with disk_faults(beside):
        part.replace(beside)
    stored.path = beside
    return stored, many


def _unproved(part: Path, log_path: Path) -> RecordError:
    return RecordError(f"{part}: does not read back as the log it was made of; {log_path} is kept. Check the disk.")


def open_captures(folder: Path, known: Iterable[OpenedCapture] = ()) -> tuple[tuple[Capture, ...], tuple[str, ...]]:
    """Open every capture of a `captures` folder, in the order taken; no samples are read yet.

    Args:
        folder: where they stand.
        known: those that are open already.

    Returns:
        The captures, and a sentence for each that can't be read or is not whole. Where a log and its Parquet
        file both stand, the Parquet file was proved before it got its name, and is taken.
    """
    already = {opened.path: opened for opened in known}
    captures: list[Capture] = []
    problems: list[str] = []
    files = sorted(folder.glob(f"*{PARQUET_SUFFIX}")) + sorted(folder.glob(f"*{LOG_SUFFIX}"))
    chosen = {path.stem: path for path in reversed(files) if not path.name.endswith(EVENTS_SUFFIX)}
    for stem in sorted(chosen):
        try:
            opened = already.get(chosen[stem]) or open_capture(chosen[stem])
        except RecordError as error:
            problems.append(str(error))
            continue
        captures.append(opened.capture)
        if opened.problem:
            name, procedure = opened.capture.name, opened.capture.procedure
            problems.append(f"capture {name} of {procedure} is not whole: {opened.problem}")
    return tuple(captures), tuple(problems)


def open_capture(path: Path) -> OpenedCapture:
    """Open one capture, log or Parquet.

    Raises:
        RecordError: nothing of it can be read.
    """
    if path.suffix == PARQUET_SUFFIX:
        return OpenedCapture(path=path, capture=read_parquet(path), problem="")
    log = read_log(path)
    return OpenedCapture(path=path, capture=log.capture, problem=log.problem)
