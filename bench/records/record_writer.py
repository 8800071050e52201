"""`RecordWriter`: makes a run's folder, takes what happens as it happens, and seals it at the end.

It is the `Recorder` of the rig and the `RunLog` of the runner. The folder is the truth at every moment: what
was told here is on the disk, so that a killed run leaves all that was finished.
"""

import shutil
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Capture, Event
from analysis.finding import Finding
from analysis.measurement import Result
from bench.errors import RecordError
from bench.records.capture_header import CaptureHeader
from bench.records.capture_log import LOG_SUFFIX, CaptureWriter
from bench.records.capture_store import OpenedCapture, capture_stem, open_captures, settle_log
from bench.records.dataclass_json import to_json
from bench.records.durable import disk_faults, write_whole
from bench.records.evidence import RecordEvidence
from bench.records.findings_csv import findings_csv
from bench.records.journal import JOURNAL_NAME, EntryKind, Journal, local_now
from bench.records.json_values import number_to_json
from bench.records.junit import junit_xml
from bench.records.loop_facts import LoopBook, LoopFacts
from bench.records.manifest import write_manifest
from bench.records.record import (
    RECORD_NAME,
    Record,
    Stop,
    StoredResult,
    finding_key,
    record_text,
    stored_result_to_json,
)
from bench.records.record_folder import CAPTURES_FOLDER, check_writable, make_folder
from bench.records.run_facts import InstrumentFacts, PromptAnswer, RunFacts, RunOutcome

__all__ = ["RecordWriter", "RecordedCapture", "check_writable"]


class RecordWriter:
    """One run's record while it is made.

    Args:
        records_dir: folder of all records; made if need be.
        facts: settled before the run began.
        bench_now_s: returns bench time since the run began.
        wall_now: returns wall time with its UTC offset; goes into the record, decides nothing.

    Raises:
        UsageError: the folder of records is not writable.
        RecordError: the disk refuses.
    """

    def __init__(
        self,
        records_dir: Path,
        facts: RunFacts,
        *,
        bench_now_s: Callable[[], float],
        wall_now: Callable[[], datetime] = local_now,
    ) -> None:
        check_writable(records_dir)
        self.facts = facts
        self._bench_now_s = bench_now_s
        self.id, self.folder = make_folder(records_dir, facts, wall_now())
        self._captures_dir = self.folder / CAPTURES_FOLDER
        self._captures_dir.mkdir()
        self._open_captures: list[RecordedCapture] = []
        self._n_captures = 0
        self._settled: list[OpenedCapture] = []
        self._findings: list[Finding] = []
        self._results: list[StoredResult] = []
        self._passing: dict[str, list[StoredResult]] = {}  # of these, by loop, what its last try gave and passed with
        self._loops = LoopBook()
        self._instruments: list[InstrumentFacts] = []
        self._prompts: list[PromptAnswer] = []
        self._stops: list[Stop] = []
        self._notes: list[str] = []
        self._record: Record | None = None
        self._sealed = False
        try:
            self._journal = Journal(self.folder / JOURNAL_NAME, wall_now=wall_now, force=not facts.simulated)
            self._started = self._write(EntryKind.RUN_STARTED, {"id": self.id, "run": to_json(facts)})
        except RecordError:  # a record that does not even say whose it is
            self.discard()
            raise

    # What the rig leaves

    def open_capture(self, header: CaptureHeader) -> "RecordedCapture":
        """Begin a capture.

        Raises:
            ValueError: this attempt of the procedure already has a capture of that name.
            RecordError: the run has ended, or the disk refuses.
        """
        self._refuse_after_end(f"capture {header.name}")
        key = (header.procedure, header.attempt, header.name)
        taken = [(capture.procedure, capture.attempt, capture.name) for capture in self.captures]
        if key in taken or any(key == capture.key for capture in self._open_captures):
            raise ValueError(f"{header.procedure}, attempt {header.attempt}: capture {header.name} was taken already")
        self._n_captures += 1
        stem = capture_stem(self._n_captures, *key)
        writer = CaptureWriter(self._captures_dir / (stem + LOG_SUFFIX), header, force=not self.facts.simulated)
        capture = RecordedCapture(writer, self._capture_closed)
        self._open_captures.append(capture)
        return capture

    def prompt(self, action: str, text: str) -> None:
        """Note that a person is asked, before the answer is waited for."""
        self._write(EntryKind.PROMPT, {"action": action, "text": text})

    def answer(self, action: str, text: str, answer: str) -> None:
        """Keep a prompt with its answer."""
        bench_time_s = self._bench_now_s()
        self._write(EntryKind.ANSWER, {"action": action, "text": text, "answer": answer})
        self._prompts.append(PromptAnswer(bench_time_s=bench_time_s, action=action, text=text, answer=answer))

    def instrument(self, instrument: InstrumentFacts) -> None:
        """Keep an instrument as it answered."""
        self._write(EntryKind.INSTRUMENT, to_json(instrument))
        self._instruments.append(instrument)

    # What the runner leaves

    def procedure_started(self, name: str, attempt: int, bench_time_s: float) -> None:
        """Note the beginning of a procedure."""
        self._write(EntryKind.PROCEDURE_STARTED, {"procedure": name, "attempt": attempt}, bench_time_s)

    def results(self, procedure: str, attempt: int, results: Sequence[Result], *, passing: bool = False) -> None:
        """Keep what a procedure measured; of a `passing` try of a loop only until the next one, and not on disk."""
        stored = [StoredResult(procedure=procedure, attempt=attempt, result=result) for result in results]
        replaced = {id(one) for one in self._passing.pop(procedure, ())}
        if replaced:
            self._results = [one for one in self._results if id(one) not in replaced]
        if passing:
            self._passing[procedure] = stored
        else:
            self._write(EntryKind.RESULTS, {"results": [stored_result_to_json(one) for one in stored]})
        self._results.extend(stored)

    def tried(self, procedure: str, attempt: int, outcome: str, shown: Sequence[str]) -> None:
        """Note what a try of a loop came to, and by title what did not pass in it."""
        fields = {"procedure": procedure, "attempt": attempt, "outcome": outcome, "shown": list(shown)}
        self._write(EntryKind.TRY, fields)
        self._loops.tried(procedure, attempt, outcome, shown)

    def drop_captures(self, procedure: str, attempt: int) -> None:
        """Let the captures of a try of a loop go, from disk too.

        Raises:
            RecordError: the disk refuses.
        """
        self._write(EntryKind.CAPTURES_DROPPED, {"procedure": procedure, "attempt": attempt})
        self._loops.dropped(procedure, attempt)
        gone: list[OpenedCapture] = []
        stays: list[OpenedCapture] = []
        for opened in self._settled:
            of_try = (opened.capture.procedure, opened.capture.attempt) == (procedure, attempt)
            (gone if of_try else stays).append(opened)
        self._settled = stays
        for opened in gone:
            with disk_faults(opened.path):
                opened.path.unlink()

    def loop_ended(self, procedure: str, words: str, *, early: bool, spoilt: bool) -> None:
        """Note why a loop ended."""
        self._write(EntryKind.LOOP_ENDED, {"procedure": procedure, "words": words, "early": early, "spoilt": spoilt})
        self._loops.ended(procedure, words, early=early, spoilt=spoilt)

    def carry_loop(self, facts: LoopFacts) -> None:
        """Take over what a parent record let go of a loop."""
        self._loops.carry(facts)

    def keep(self, findings: Sequence[Finding]) -> None:
        """Keep findings, each an entry of the journal, written together."""
        self._refuse_after_end(EntryKind.FINDING.value)
        entries = [to_json(finding) for finding in findings]
        self._journal.write_all(EntryKind.FINDING, entries, bench_time_s=self._bench_now_s())
        self._findings.extend(findings)

    def procedure_ended(self, name: str, attempt: int, bench_time_s: float) -> None:
        """Note the end of a procedure."""
        self._write(EntryKind.PROCEDURE_ENDED, {"procedure": name, "attempt": attempt}, bench_time_s)

    def revise(self, findings: Sequence[Finding]) -> None:
        """Put findings in the place of those of the same procedure, attempt and id.

        The journal keeps both, in order; the later one stands.
        """
        revised = {finding_key(finding): finding for finding in findings}
        standing = [revised.pop(finding_key(finding), finding) for finding in self._findings]
        if revised:
            raise ValueError(f"no finding to revise: {', '.join(name for *_, name in revised)}")
        self.keep(findings)
        self._findings = standing

    def stopped(self, reason: str, details: str, bench_time_s: float, suspect: str = "") -> None:
        """Note why the run ends early, and the signal that can't be trusted any more, if that is why."""
        stop = Stop(reason=reason, details=details, bench_time_s=bench_time_s, suspect=suspect)
        self._write(EntryKind.ABORT, to_json(stop), bench_time_s)
        self._stops.append(stop)

    def note(self, text: str) -> None:
        """Keep any other sentence."""
        self._write(EntryKind.NOTE, {"text": text})
        self._notes.append(text)

    def evidence(self, procedure: str, attempt: int = 1) -> RecordEvidence:
        """Return the captures of an attempt at a procedure so far, and all that was measured before it."""
        return RecordEvidence(procedure, CapturesSoFar(self), self._results, attempt=attempt)

    @property
    def captures(self) -> tuple[Capture, ...]:
        """The captures closed so far, in the order taken."""
        return tuple(opened.capture for opened in self._settled)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings kept so far, in order."""
        return tuple(self._findings)

    # The end

    def end_run(self, outcome: RunOutcome) -> Record:
        """End the journal and return the record, for its report to be made of; nothing can be added after.

        Raises:
            RecordError: the run has ended already, or the disk refuses.
        """
        self._refuse_after_end("a second end")
        for capture in self._open_captures:
            capture.abandon()
        captures, problems = open_captures(self._captures_dir, self._settled)
        ended = self._write(EntryKind.RUN_CLOSED, to_json(outcome), outcome.bench_time_s)
        self._journal.close()
        passing = {id(one) for loop in self._passing.values() for one in loop}
        self._record = Record(
            id=self.id,
            folder=self.folder,
            facts=self.facts,
            started=self._started,
            ended=ended,
            outcome=outcome,
            findings=tuple(self._findings),
            results=tuple(one for one in self._results if id(one) not in passing),
            instruments=tuple(self._instruments),
            prompts=tuple(self._prompts),
            stops=tuple(self._stops),
            notes=tuple(self._notes),
            loops=self._loops.facts,
            captures=captures,
            problems=problems,
        )
        return self._record

    def seal(self, report_html: str) -> Path:
        """Write everything else and the MANIFEST, which makes the record immutable; return its folder.

        Raises:
            RecordError: the run has not ended, the record is sealed already, or the disk refuses.
        """
        if self._record is None:
            raise RecordError(f"{self.folder}: the run has not ended; end it before its record is sealed")
        if self._sealed:
            raise RecordError(f"{self.folder}: the record is closed and can't be changed; judge it again instead")
        write_whole(self.folder / RECORD_NAME, record_text(self._record).encode())
        write_whole(self.folder / "findings.csv", findings_csv(self._record.findings).encode())
        write_whole(self.folder / "junit.xml", junit_xml(self._record).encode())
        write_whole(self.folder / "report.html", report_html.encode(errors="replace"))
        write_manifest(self.folder)
        self._sealed = True
        return self.folder

    def discard(self) -> None:
        """Remove a record that was not sealed, with all that is in it."""
        if not self._sealed:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _write(self, kind: EntryKind, fields: dict[str, object], bench_time_s: float | None = None) -> str:
        self._refuse_after_end(kind.value)
        now_s = self._bench_now_s() if bench_time_s is None else bench_time_s
        return self._journal.write(kind, fields, bench_time_s=now_s)

    def _refuse_after_end(self, what: str) -> None:
        if self._record is not None:
            raise RecordError(f"{self.folder}: the run has ended; {what} can't be added to its record")

    def _capture_closed(self, capture: "RecordedCapture") -> None:
        self._open_captures.remove(capture)
        opened = settle_log(capture.path)
        settled = opened.capture
        self._settled.append(opened)
        self._write(
            EntryKind.CAPTURE_CLOSED,
            {
                "file": f"{CAPTURES_FOLDER}/{opened.path.name}",
                "procedure": settled.procedure,
                "attempt": settled.attempt,
                "name": settled.name,
                "start_s": number_to_json(settled.start_s),
                "n_samples": settled.n_samples,
                "gaps": len(settled.gaps),
                "problem": opened.problem,
            },
        )


class RecordedCapture:
    """A running capture of a record: a log until `close`, which makes Parquet of it and tells the record."""

    def __init__(self, writer: CaptureWriter, closed: Callable[["RecordedCapture"], None]) -> None:
        self._writer = writer
        self._closed = closed
        header = writer.header
        self.key = (header.procedure, header.attempt, header.name)
        self.path = writer.path

    def append(self, first_sample: int, codes: NDArray[np.int16], words: NDArray[np.uint64]) -> None:
        """Take samples, codes (n, n_channels), words (n,); see `CaptureWriter.append`."""
        self._writer.append(first_sample, codes, words)

    def event(self, event: Event) -> None:
        """Take an event."""
        self._writer.event(event)

    def close(self, n_samples: int | None = None) -> None:
        """End the capture; closing again does nothing. `n_samples`: see `CaptureWriter.close`."""
        if not self._writer.closed:
            self._writer.close(n_samples)
            self._closed(self)

    def abandon(self) -> None:
        """Leave the log as it is; it will read as broken off."""
        self._writer.abandon()


class CapturesSoFar:
    """What a record holds of captures whenever one goes through it."""

    def __init__(self, writer: RecordWriter) -> None:
        self._writer = writer

    def __iter__(self) -> Iterator[Capture]:
        """Go through the captures closed so far, in the order taken."""
        return iter(self._writer.captures)
