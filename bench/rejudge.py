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
from analysis.verdict import Verdict
from bench.judging import findings_of, spoilt_by
from bench.memory import peak_memory_mb
from bench.planning import plan_steps
from bench.records.evidence import RecordEvidence
from bench.records.reading import load_record
from bench.records.record import StoredResult
from bench.records.record_writer import RecordWriter
from bench.records.run_facts import RunFacts, RunOutcome, RunStatus
from bench.run_sheets import sheets_of_record
from bench.runner import completed_id
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
            writer.keep(findings_of(found, sheets.unit, procedure=step.name, attempt=attempt))
        writer.keep(_kept(parent.findings, step, judged_again=bool(attempts)))
    for instrument in parent.instruments:
        writer.instrument(instrument)
    for stop in parent.stops:
        writer.stopped(stop.reason, stop.details, stop.bench_time_s, stop.suspect)
        if stop.suspect:
            writer.revise(spoilt_by(stop.suspect, writer.findings, parent.captures))
    for note in parent.problems:
        writer.note(f"parent record: {note}")
    findings = writer.findings
    came_to = overall(findings)
    touched = touched_functions(findings, steps)
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


def _kept(findings: Sequence[Finding], step: PlannedStep, *, judged_again: bool) -> list[Finding]:
    """Return what of a step does not come of captures: that it was not run, or ended early, and why."""
    kept = [
        finding
        for finding in findings
        if finding.procedure == step.name
        and (finding.verdict is Verdict.NOT_RUN or finding.id == completed_id(step.name))
    ]
    if kept or judged_again:
        return kept
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
