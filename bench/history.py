"""What the records in a folder tell of a serial, a model or an instrument, run by run.

The record folders are the truth: nothing is kept beside them, and no capture is read. A record is taken as it stands
here, without proof against its MANIFEST; `report` and `rejudge` prove it.
"""

import difflib
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from analysis.finding import Finding
from analysis.sentences import Scale, decimals_for, finding_sentence, is_logical, scale_for, verdict_words
from analysis.verdict import Verdict
from bench.document import finding_document
from bench.errors import RecordError, UsageError
from bench.records.reading import list_records, read_without_captures
from bench.records.record import Record
from bench.records.run_facts import InstrumentFacts
from bench.records.serial_number import clean_text

NEAREST = 5
LONGEST_LIST = 6  # of findings in a line


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which runs are asked for; "" asks for any. `finding` asks what they say of one finding."""

    serial: str = ""
    model: str = ""
    instrument: str = ""
    finding: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Runs in order of time, and which records could not be read, a sentence each."""

    runs: tuple[Record, ...]
    unreadable: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a measured finding moved from the first run of a serial to its last.

    `expanded_uncertainty` is that of both values taken as independent: what they share, such as one channel's bound,
    makes the change better known than it says.
    """

    serial: str
    n_runs: int
    value: float
    quantity_unit: str
    expanded_uncertainty: float

    @property
    def shown(self) -> bool:
        """Whether the change is larger than both values are worth."""
        return abs(self.value) > self.expanded_uncertainty


def history(records_dir: Path, wanted: Wanted) -> History:
    """Return the runs asked for.

    Raises:
        UsageError: the folder holds no records, or none of what is asked for; the message says what there is.
    """
    names = list_records(records_dir)
    if not names:
        raise UsageError(f"{records_dir} holds no records. Name another folder with --records DIR.")
    records, unreadable = [], []
    for name in names:
        try:
            records.append(read_without_captures(records_dir / name))
        except RecordError as error:
            unreadable.append(f"{name}: left out: {error}")
    runs = sorted(records, key=_begun)
    runs = _those(runs, "serial", wanted.serial.upper(), lambda run: [run.facts.serial])
    runs = _those(runs, "--model", wanted.model, lambda run: [run.facts.model])
    runs = _those(runs, "--instrument", wanted.instrument, _instrument_names)
    runs = _those(runs, "--finding", wanted.finding, lambda run: [finding.id for finding in run.findings])
    return History(runs=tuple(runs), unreadable=tuple(unreadable))


def changes(runs: Sequence[Record], finding_id: str) -> tuple[Change, ...]:
    """Return for every serial with two measured values of a finding how it moved from the first to the last."""
    by_serial: dict[str, list[Finding]] = {}
    for run, finding in _of_finding(runs, finding_id):
        if not is_logical(finding) and math.isfinite(finding.value) and math.isfinite(finding.expanded_uncertainty):
            by_serial.setdefault(run.facts.serial, []).append(finding)
    return tuple(
        Change(
            serial=serial,
            n_runs=len(found),
            value=found[-1].value - found[0].value,
            quantity_unit=found[0].quantity_unit,
            expanded_uncertainty=math.hypot(found[0].expanded_uncertainty, found[-1].expanded_uncertainty),
        )
        for serial, found in by_serial.items()
        if len(found) > 1
    )


def history_lines(found: History, wanted: Wanted) -> Iterator[str]:
    """Yield the lines that the command prints."""
    for run in found.runs:
        yield _run_line(run)
        if wanted.finding:
            for _, finding in _of_finding([run], wanted.finding):
                verdict = verdict_words(finding.verdict, simulated=False, cause=finding.cause)
                yield f"    {finding_sentence(finding)}: {verdict}"
        else:
            yield from _left_standing(run)
    if wanted.finding:
        yield from (_change_line(change) for change in changes(found.runs, wanted.finding))
    yield f"{len(found.runs)} run{'' if len(found.runs) == 1 else 's'}."


def history_document(found: History, wanted: Wanted) -> dict[str, Any]:
    """Return what the command prints as JSON."""
    document: dict[str, Any] = {
        "runs": [_run_document(run, wanted) for run in found.runs],
        "unreadable": list(found.unreadable),
    }
    if wanted.finding:
        document["changes"] = [
            {
                "serial": change.serial,
                "n_runs": change.n_runs,
                "value": change.value,
                "quantity_unit": change.quantity_unit,
                "expanded_uncertainty": change.expanded_uncertainty,
                "shown": change.shown,
            }
            for change in changes(found.runs, wanted.finding)
        ]
    return document


def _begun(run: Record) -> tuple[datetime, str]:
    return datetime.fromisoformat(run.started), run.id


def _those(runs: Sequence[Record], option: str, asked: str, names: Callable[[Record], list[str]]) -> list[Record]:
    """Return the runs of which one name is the one asked for, capitals aside; all where nothing is asked for."""
    if not asked:
        return list(runs)
    chosen = [run for run in runs if asked.casefold() in (name.casefold() for name in names(run))]
    if not chosen:
        known = sorted({name for run in runs for name in names(run) if name})
        nearest = difflib.get_close_matches(asked, known, n=NEAREST, cutoff=0.0)
        there = f" Nearest: {', '.join(nearest)}." if nearest else " No run has any."
        raise UsageError(f"{option} {clean_text(asked, 80)}: no run of it among the records.{there}")
    return chosen


def _instrument_names(run: Record) -> list[str]:
    """Return every name an instrument of the run goes by: its role, its model, its serial number."""
    return [name for facts in run.instruments for name in (facts.role, facts.model, facts.serial)]


def _of_finding(runs: Iterable[Record], finding_id: str) -> Iterator[tuple[Record, Finding]]:
    wanted = finding_id.casefold()
    return ((run, finding) for run in runs for finding in run.findings if finding.id.casefold() == wanted)


def _verdict(run: Record) -> str:
    """Return how a run ended, in words."""
    facts, outcome = run.facts, run.outcome
    if outcome is None:
        return "ended from outside, no verdict"
    words = verdict_words(outcome.verdict, simulated=facts.simulated, cause=outcome.cause)
    partial = ", partial run" if outcome.partial else ""
    again = f", judged again from {facts.parent}" if facts.parent else ""
    return f"{words}{partial}{again}"


def _run_line(run: Record) -> str:
    facts = run.facts
    begun = datetime.fromisoformat(run.started).strftime("%Y-%m-%d %H:%M")
    return f"{begun}  {facts.serial:<12} {facts.model:<14} {facts.plan:<18} {run.id}  {_verdict(run)}"


def _left_standing(run: Record) -> Iterator[str]:
    """Yield what did not pass, the complaint, and who had what to say."""
    if run.facts.squawk:
        yield f"    squawk: {run.facts.squawk}"
    for verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE):
        ids = [finding.id for finding in run.findings if finding.verdict is verdict]
        if ids:
            more = f" and {len(ids) - LONGEST_LIST} more" if len(ids) > LONGEST_LIST else ""
            yield f"    {verdict.value}: {', '.join(ids[:LONGEST_LIST])}{more}"


def _change_line(change: Change) -> str:
    scale: Scale = scale_for(change.quantity_unit, change.value, change.expanded_uncertainty)
    decimals = decimals_for(change.expanded_uncertainty, factor=scale.factor, value=change.value)
    moved = f"{'+' if change.value >= 0 else ''}{scale.quantity(change.value, decimals)}"
    worth = scale.quantity(change.expanded_uncertainty, decimals)
    said = "it moved" if change.shown else "no change is shown"
    return f"{change.serial}: {moved} from the first to the last of {change.n_runs} runs, +/- {worth}: {said}"


def _run_document(run: Record, wanted: Wanted) -> dict[str, Any]:
    facts, outcome = run.facts, run.outcome
    counted = {verdict: sum(finding.verdict is verdict for finding in run.findings) for verdict in Verdict}
    findings = (
        [finding_document(finding) for _, finding in _of_finding([run], wanted.finding)]
        if wanted.finding
        else [finding_document(finding) for finding in run.findings if finding.verdict is not Verdict.PASS]
    )
    return {
        "id": run.id,
        "record": str(run.folder),
        "started": run.started,
        "ended": run.ended,
        "serial": facts.serial,
        "model": facts.model,
        "aircraft": facts.aircraft,
        "plan": facts.plan,
        "bench": facts.bench,
        "simulated": facts.simulated,
        "parent": facts.parent,
        "operator": facts.operator,
        "work_order": facts.work_order,
        "squawk": facts.squawk,
        "verdict": outcome.verdict.value if outcome else None,
        "cause": outcome.cause.value if outcome and outcome.cause else None,
        "partial": outcome.partial if outcome else None,
        "counts": {verdict.value: n for verdict, n in counted.items()},
        "instruments": [_instrument_document(one) for one in run.instruments],
        "findings": findings,
    }


def _instrument_document(facts: InstrumentFacts) -> dict[str, str]:
    return {
        "role": facts.role,
        "maker": facts.maker,
        "model": facts.model,
        "serial": facts.serial,
        "firmware": facts.firmware,
        "calibration": facts.calibration,
    }
