"""Judging a record again: the same captures through the same pure functions, into a new record."""

import time
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.judge import not_run
from analysis.overall import overall
from analysis.report import render_report
from analysis.verdict import Cause, Verdict
from bench.judging import completed_id, ended_early, findings_of, spoilt_by
from bench.memory import peak_memory_mb
from bench.planning import plan_steps
from bench.records.evidence import RecordEvidence
from bench.records.reading import load_record
from bench.records.record import Record, StoredResult
from bench.records.record_writer import RecordWriter
from bench.records.run_facts import RunFacts, RunOutcome, RunStatus
from bench.run_sheets import sheets_of_record
from bench.steps import PlannedStep
from bench.summary import run_summary, touched_functions
from bench.verify import VerifyResult


def rejudge(folder: Path, *, records: Path, model: str | None, began_wall_s: float) -> VerifyResult:
    """Judge what `folder` holds, under its own sheets or those of unit sheet `model`.

    What was never stimulated stays not run; what a killed run left is judged as far as it goes.

    Raises:
        RecordError, SheetError, UsageError: the record or the sheets can't be used.
    """
    parent = load_record(folder)
    sheets = sheets_of_record(parent.facts.sheets, model=model)
    steps = plan_steps(sheets)
    facts = RunFacts(
        software_version=version("boxproof"),
        serial=parent.facts.serial,
        model=sheets.unit.model,
        aircraft=parent.facts.aircraft,
        plan=parent.facts.plan,
        bench=parent.facts.bench,
        simulated=parent.facts.simulated,
        seed=parent.facts.seed,
        defects=parent.facts.defects,
        only=parent.facts.only,
        operator=parent.facts.operator,
        work_order=parent.facts.work_order,
        squawk=parent.facts.squawk,
        remark=parent.facts.remark,
        sheets=sheets.copies,
        parent=parent.id,
    )
    bench_time_s = parent.outcome.bench_time_s if parent.outcome else _last_time_s(parent.captures)
    writer = RecordWriter(records, facts, bench_now_s=lambda: bench_time_s)
    run_began_s = time.perf_counter()
    results: list[StoredResult] = []
    for step in steps:
        attempts = sorted({capture.attempt for capture in parent.captures_of(step.name)})
        for attempt in attempts:
            captures = [capture for capture in parent.captures if capture.attempt == attempt]
            evidence = RecordEvidence(step.name, captures, results)
            found = list(step.procedure.evaluate(evidence, step.setup))
            writer.results(step.name, attempt, found)
            results.extend(StoredResult(procedure=step.name, attempt=attempt, result=result) for result in found)
            findings = findings_of(found, sheets.unit, procedure=step.name, attempt=attempt)
            troubles = _troubles(parent, step, attempt)
            for trouble in troubles:
                findings = ended_early(findings, trouble)
            writer.keep([*findings, *troubles])
        writer.keep(_left_out(parent, step, judged_again=bool(attempts)))
    for instrument in parent.instruments:
        writer.instrument(instrument)
    for stop in parent.stops:
        writer.stopped(stop.reason, stop.details, stop.bench_time_s, stop.suspect)
        if stop.suspect:
            writer.revise(spoilt_by(stop.suspect, writer.findings, parent.captures))
    for note in parent.problems:
        writer.note(f"parent record: {note}")
    came_to = overall(writer.findings)
    touched = touched_functions(writer.findings, steps)
    outcome = RunOutcome(
        status=parent.outcome.status if parent.outcome else RunStatus.CRASHED,
        verdict=came_to.verdict,
        cause=came_to.cause,
        partial=parent.outcome.partial if parent.outcome else True,
        not_tested=tuple(function.name for function in sheets.unit.functions if function.name not in touched),
        bench_time_s=bench_time_s,
        wall_time_s=time.perf_counter() - began_wall_s,
        peak_memory_mb=peak_memory_mb(),
    )
    record = writer.end_run(outcome)
    writer.seal(render_report(run_summary(record, sheets, steps)))
    return VerifyResult(
        facts=facts,
        outcome=outcome,
        findings=record.findings,
        folder=writer.folder,
        run_time_s=time.perf_counter() - run_began_s,
        interrupted=False,
        unsafe=(),
        stop_reason="",
        function_titles={function.name: function.title for function in sheets.unit.functions},
    )


def _troubles(parent: Record, step: PlannedStep, attempt: int) -> list[Finding]:
    """Return what ended an attempt early: findings of the run that said so, or that it was never ended."""
    told = [
        finding for finding in parent.findings if finding.id == completed_id(step.name) and finding.attempt == attempt
    ]
    if (step.name, attempt) not in parent.unfinished:
        return told
    functions = step.functions
    killed = Finding(
        id=completed_id(step.name),
        procedure=step.name,
        function=functions[0] if functions else "",
        title=f"{step.procedure.title}: carried to its end",
        verdict=Verdict.INCONCLUSIVE,
        cause=Cause.UNDECIDED,
        attempt=attempt,
        reasons=("the run was ended from outside",),
    )
    return [*told, killed]


def _left_out(parent: Record, step: PlannedStep, *, judged_again: bool) -> list[Finding]:
    """Return that a step was not run, and why; for a killed run, that nothing is left of it."""
    told = [f for f in parent.findings if f.procedure == step.name and f.verdict is Verdict.NOT_RUN]
    if told or judged_again:
        return told
    functions = step.functions
    return [
        not_run(
            id=f"{step.name}.run",
            procedure=step.name,
            function=functions[0] if functions else "",
            title=step.procedure.title,
            reason="the run left nothing of it",
        )
    ]


def _last_time_s(captures: Sequence[Capture]) -> float:
    return max((capture.start_s + capture.duration_s for capture in captures), default=0.0)
