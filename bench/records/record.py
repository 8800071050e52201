"""`Record`: everything one run left, as read from its folder, and `record.json`.

A closed record is immutable; judging it again makes a new one that names this one as its parent.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.measurement import Measurement, Result
from bench.errors import RecordError
from bench.records.dataclass_json import from_json, to_json
from bench.records.json_values import number_to_json
from bench.records.loop_facts import LoopFacts
from bench.records.result_json import result_from_json, result_to_json
from bench.records.run_facts import InstrumentFacts, PromptAnswer, RunFacts, RunOutcome

RECORD_NAME = "record.json"
SCHEMA_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResult:
    """A result with the procedure and attempt it came of."""

    procedure: str
    attempt: int
    result: Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Why a run ended before its plan was through; `details` is for whoever mends the software.

    `suspect` is the signal whose readings can't be trusted any more, or "".
    """

    reason: str
    details: str
    bench_time_s: float
    suspect: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One run.

    Args:
        id: short and unique; the last part of the folder's name.
        folder: where it stands.
        facts: settled before the run began.
        started: wall time with its UTC offset, ISO 8601.
        ended: the same; "" for a run that was killed.
        outcome: None for a run that was killed.
        findings: in the order they came.
        results: what procedures measured, in the order they came.
        instruments: as they answered.
        prompts: with their answers.
        stops: why it ended early, if it did.
        notes: anything else, a sentence each.
        loops: steps that were taken over and over.
        unfinished: procedures begun and not ended, with their attempt, by a run that was killed.
        captures: in the order taken; samples are read when asked for.
        problems: what is missing, altered or not whole, a sentence each.
    """

    id: str
    folder: Path
    facts: RunFacts
    started: str
    ended: str = ""
    outcome: RunOutcome | None = None
    findings: tuple[Finding, ...] = ()
    results: tuple[StoredResult, ...] = ()
    instruments: tuple[InstrumentFacts, ...] = ()
    prompts: tuple[PromptAnswer, ...] = ()
    stops: tuple[Stop, ...] = ()
    notes: tuple[str, ...] = ()
    loops: tuple[LoopFacts, ...] = ()
    unfinished: tuple[tuple[str, int], ...] = ()
    captures: tuple[Capture, ...] = field(default=(), repr=False)
    problems: tuple[str, ...] = ()

    def captures_of(self, procedure: str) -> tuple[Capture, ...]:
        """Return the captures of one procedure, in the order taken."""
        return tuple(capture for capture in self.captures if capture.procedure == procedure)

    def measurements(self) -> tuple[Measurement, ...]:
        """Return every measurement, in the order they came."""
        return tuple(stored.result for stored in self.results if isinstance(stored.result, Measurement))


def finding_key(finding: Finding) -> tuple[str, int, str]:
    """Return what names a finding within a run: procedure, attempt, id."""
    return finding.procedure, finding.attempt, finding.id


def verdict_words(word: str, *, simulated: bool) -> str:
    """Return a verdict as prose carries it: "pass", or "pass (simulated)"."""
    return f"{word} (simulated)" if simulated else word


def stored_result_to_json(stored: StoredResult) -> dict[str, Any]:
    """Return a stored result for a file."""
    return {"procedure": stored.procedure, "attempt": stored.attempt, **result_to_json(stored.result)}


def stored_result_from_json(document: Mapping[str, Any]) -> StoredResult:
    """Return the result that `stored_result_to_json` wrote."""
    return StoredResult(procedure=document["procedure"], attempt=document["attempt"], result=result_from_json(document))


def record_to_json(record: Record) -> dict[str, Any]:
    """Return the document of `record.json`; captures and problems are found in the folder itself."""
    return {
        "schema_version": SCHEMA_VERSION,
        "id": record.id,
        "started": record.started,
        "ended": record.ended,
        "run": to_json(record.facts),
        "outcome": to_json(record.outcome) if record.outcome is not None else None,
        "findings": [to_json(finding) for finding in record.findings],
        "results": [stored_result_to_json(stored) for stored in record.results],
        "instruments": [to_json(instrument) for instrument in record.instruments],
        "prompts": [to_json(prompt) for prompt in record.prompts],
        "stops": [to_json(stop) for stop in record.stops],
        "notes": list(record.notes),
        "loops": [to_json(loop) for loop in record.loops],
        "captures": [
            {
                "name": capture.name,
                "procedure": capture.procedure,
                "attempt": capture.attempt,
                "n_samples": capture.n_samples,
                "sample_rate_hz": number_to_json(capture.sample_rate_hz),
                "gaps": len(capture.gaps),
            }
            for capture in record.captures
        ],
    }


def record_text(record: Record) -> str:
    """Return the text of `record.json`: indented, in ASCII, without NaN or infinity."""
    return json.dumps(record_to_json(record), indent=1, allow_nan=False) + "\n"


def read_record_json(path: Path, *, captures: tuple[Capture, ...] = (), problems: tuple[str, ...] = ()) -> Record:
    """Return the record that a `record.json` holds, with the captures and problems found beside it.

    Raises:
        RecordError: it can't be read, or a later version wrote it.
    """
    try:
        document = json.loads(path.read_bytes())
        version = document["schema_version"]
        if version != SCHEMA_VERSION:
            raise RecordError(
                f"{path}: schema_version {version!r}; this version of boxproof reads {SCHEMA_VERSION}. "
                "Use the version that the record's software_version names."
            )
        return Record(
            id=document["id"],
            folder=path.parent,
            facts=from_json(RunFacts, document["run"]),
            started=document["started"],
            ended=document["ended"],
            outcome=from_json(RunOutcome, document["outcome"]) if document["outcome"] is not None else None,
            findings=tuple(from_json(Finding, finding) for finding in document["findings"]),
            results=tuple(stored_result_from_json(stored) for stored in document["results"]),
            instruments=tuple(from_json(InstrumentFacts, instrument) for instrument in document["instruments"]),
            prompts=tuple(from_json(PromptAnswer, prompt) for prompt in document["prompts"]),
            stops=tuple(from_json(Stop, stop) for stop in document["stops"]),
            notes=tuple(document["notes"]),
            loops=tuple(from_json(LoopFacts, loop) for loop in document.get("loops", ())),  # of older records: none
            captures=captures,
            problems=problems,
        )
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: can't be read as a record: {error!r}. Fetch it from a copy.") from error
