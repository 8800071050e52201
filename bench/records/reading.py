"""Finding records and reading them: closed ones, and what a killed run left."""

import difflib
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from analysis.capture import Capture
from analysis.finding import Finding
from bench.errors import RecordError, UsageError
from bench.records.capture_store import open_captures
from bench.records.dataclass_json import from_json
from bench.records.journal import JOURNAL_NAME, EntryKind, JournalEntry, read_journal
from bench.records.loop_facts import LoopBook, LoopFacts
from bench.records.manifest import MANIFEST_NAME, verify_manifest
from bench.records.record import (
    RECORD_NAME,
    Record,
    Stop,
    StoredResult,
    finding_key,
    read_record_json,
    stored_result_from_json,
)
from bench.records.record_folder import CAPTURES_FOLDER
from bench.records.run_facts import InstrumentFacts, PromptAnswer, RunFacts, RunOutcome
from bench.records.serial_number import clean_text

SHOWN_NAMES = 5

Read = TypeVar("Read")


def find_record(text: str, records_dir: Path) -> Path:
    """Return the folder of one record.

    Args:
        text: path of its folder, or its id, or any part of its name that no other record has.
        records_dir: where names and ids are looked up.

    Raises:
        UsageError: none or several match; the message lists the nearest.
    """
    shown = repr(clean_text(text, 80))
    if text and is_record(Path(text)):
        return Path(text)
    names = list_records(records_dir)
    if not names:
        raise UsageError(f"no record {shown}: {records_dir} holds no records. Name another folder with --records DIR.")
    exact = [name for name in names if text in (name, name.rpartition("_")[2])]
    matches = exact or [name for name in names if text and text.lower() in name.lower()]
    if len(matches) == 1:
        return records_dir / matches[0]
    if matches:
        more = f" and {len(matches) - SHOWN_NAMES} more" if len(matches) > SHOWN_NAMES else ""
        newest = ", ".join(matches[-SHOWN_NAMES:])
        raise UsageError(
            f"record {shown} fits {len(matches)} records in {records_dir}: {newest}{more}. Give more of the name."
        )
    nearest = difflib.get_close_matches(text, names, n=SHOWN_NAMES, cutoff=0.0)
    raise UsageError(f"no record {shown} in {records_dir}. Nearest: {', '.join(nearest)}.")


def list_records(records_dir: Path) -> tuple[str, ...]:
    """Return the names of all records in a folder, oldest first; empty where there is no such folder."""
    if not records_dir.is_dir():
        return ()
    return tuple(sorted(path.name for path in records_dir.iterdir() if is_record(path)))


def is_record(folder: Path) -> bool:
    """Say whether a folder holds a record, closed or not."""
    try:
        return (folder / JOURNAL_NAME).is_file() or (folder / RECORD_NAME).is_file()
    except OSError:  # a name no file system takes, or a folder that may not be looked into
        return False


def load_record(folder: Path) -> Record:
    """Read a record; what is missing, altered or not whole is said in its `problems`.

    A closed record is held against its MANIFEST. What a killed run left is read from the journal and the
    capture logs; such a record has no outcome.

    Raises:
        RecordError: neither `record.json` nor the beginning of the journal can be read.
    """
    if not is_record(folder):
        raise RecordError(f"{folder}: no record: it has neither {RECORD_NAME} nor {JOURNAL_NAME}.")
    captures, capture_problems = open_captures(folder / CAPTURES_FOLDER)
    if not (folder / MANIFEST_NAME).is_file():
        unproved = f"the record was never closed: it has no {MANIFEST_NAME}, so its files are not proved against one"
        record = _from_journal(folder, captures, (unproved, *capture_problems))
    else:
        problems = (*verify_manifest(folder), *capture_problems)
        try:
            record = read_record_json(folder / RECORD_NAME, captures=captures, problems=problems)
        except RecordError as error:
            record = _from_journal(folder, captures, (str(error), *problems))
    altered = tuple(
        f"{sheet.role} sheet {sheet.file}: its text is not the one its digest was made of"
        for sheet in record.facts.sheets
        if not sheet.intact()
    )
    return replace(record, problems=(*record.problems, *altered))


def read_without_captures(folder: Path) -> Record:
    """Read what a record says and nothing of its captures; it is not held against its MANIFEST.

    Raises:
        RecordError: neither `record.json` nor the beginning of the journal can be read.
    """
    if (folder / RECORD_NAME).is_file():
        return read_record_json(folder / RECORD_NAME)
    return _from_journal(folder, (), ())


def _from_journal(folder: Path, captures: tuple[Capture, ...], known_problems: tuple[str, ...]) -> Record:
    path = folder / JOURNAL_NAME
    reading = read_journal(path)
    started = reading.of_kind(EntryKind.RUN_STARTED)
    if not started:
        raise RecordError(
            f"{path}: its beginning can't be read ({reading.problem or 'it is empty'}); nothing is known."
        )
    closed = reading.of_kind(EntryKind.RUN_CLOSED)
    unfinished = _unfinished(reading.of_kind(EntryKind.PROCEDURE_STARTED), reading.of_kind(EntryKind.PROCEDURE_ENDED))
    problems = [
        *known_problems,
        *([] if closed else ["the run was ended from outside: there is no outcome, and procedures may be missing"]),
        *([reading.problem] if reading.problem else []),
        *(f"{procedure}, attempt {attempt}, was begun and not ended" for procedure, attempt in unfinished),
    ]
    try:
        return Record(
            id=started[0].fields["id"],
            folder=folder,
            facts=from_json(RunFacts, started[0].fields["run"]),
            started=started[0].wall_time,
            ended=closed[0].wall_time if closed else "",
            outcome=from_json(RunOutcome, closed[0].fields) if closed else None,
            findings=_standing(_each(reading.of_kind(EntryKind.FINDING), Finding)),
            results=_results(reading.of_kind(EntryKind.RESULTS)),
            instruments=_each(reading.of_kind(EntryKind.INSTRUMENT), InstrumentFacts),
            prompts=tuple(
                from_json(PromptAnswer, {**entry.fields, "bench_time_s": entry.bench_time_s})
                for entry in reading.of_kind(EntryKind.ANSWER)
            ),
            stops=_each(reading.of_kind(EntryKind.ABORT), Stop),
            notes=tuple(entry.fields["text"] for entry in reading.of_kind(EntryKind.NOTE)),
            loops=_loops(reading.entries),
            unfinished=unfinished,
            captures=captures,
            problems=tuple(problems),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: says what this version can't read: {error!r}.") from error


def _each(entries: tuple[JournalEntry, ...], kind: type[Read]) -> tuple[Read, ...]:
    return tuple(from_json(kind, entry.fields) for entry in entries)


def _standing(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return the findings with each revised one in its first one's place."""
    return tuple({finding_key(finding): finding for finding in findings}.values())


def _results(entries: tuple[JournalEntry, ...]) -> tuple[StoredResult, ...]:
    return tuple(stored_result_from_json(stored) for entry in entries for stored in entry.fields["results"])


def _loops(entries: tuple[JournalEntry, ...]) -> tuple[LoopFacts, ...]:
    book = LoopBook()
    for entry in entries:
        fields = entry.fields
        match entry.kind:
            case EntryKind.TRY:
                book.tried(fields["procedure"], fields["attempt"], fields["outcome"], fields["shown"])
            case EntryKind.CAPTURES_DROPPED:
                book.dropped(fields["procedure"], fields["attempt"])
            case EntryKind.LOOP_ENDED:
                book.ended(fields["procedure"], fields["words"], early=fields["early"], spoilt=fields["spoilt"])
    return book.facts


def _unfinished(started: tuple[JournalEntry, ...], ended: tuple[JournalEntry, ...]) -> tuple[tuple[str, int], ...]:
    done = {(entry.fields["procedure"], entry.fields["attempt"]) for entry in ended}
    begun = [(entry.fields["procedure"], entry.fields["attempt"]) for entry in started]
    return tuple(attempt for attempt in begun if attempt not in done)
