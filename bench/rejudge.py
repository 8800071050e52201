"""Judging a record again: the same captures through the same pure functions, into a new record."""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.repetition import HowItEnded
from analysis.report import render_report
from analysis.verdict import Cause, Verdict
from bench.interrupts import Interrupts
from bench.judging import (
    JudgedStep,
    completed_id,
    drifted,
    judge_step,
    left_out,
    spoilt_by,
    trouble_finding,
    unproved,
)
from bench.loops import Loop
from bench.outcome import outcome_of
from bench.planning import plan_check, plan_steps
from bench.records.evidence import RecordEvidence
from bench.records.reading import load_record
from bench.records.record import Record, StoredResult
from bench.records.record_writer import RecordWriter
from bench.records.run_facts import RunStatus
from bench.run_sheets import margin_faults, sheets_of_record
from bench.runner import NOT_SAFE_ID
from bench.steps import PlannedStep, choose
from bench.summary import run_summary
from bench.verify import VerifyResult


def rejudge(folder: Path, *, records: Path, model: str | None, began_wall_s: float) -> VerifyResult:
    """Judge what `folder` holds, under its own sheets or those of unit sheet `model`.

    What was never stimulated stays not run; what a killed run left is judged as far as it goes.

    Raises:
        RecordError, SheetError, UsageError: the record or the sheets can't be used.
    """
    parent = load_record(folder)
    sheets = sheets_of_record(parent.facts.sheets, model=model)
    check = plan_check(sheets)
    all_steps = plan_steps(sheets, check)
    steps = choose(all_steps, parent.facts.only)
    facts = replace(
        parent.facts,
        software_version=version("boxproof"),
        model=sheets.unit.model,
        sheets=sheets.copies,
        parent=parent.id,
    )
    bench_time_s = parent.outcome.bench_time_s if parent.outcome else _last_time_s(parent.captures)
    writer = RecordWriter(records, facts, bench_now_s=lambda: bench_time_s)
    run_began_s = time.perf_counter()
    with Interrupts() as interrupts, _whole_or_nothing(writer):
        with interrupts.may_break():
            _judge(parent, steps, writer, bench_time_s, interrupts)
        _carry_over(parent, writer, all_steps)
        for fault in margin_faults(model) if model is not None else ():
            writer.note(f"unit sheet {fault}; a simulated run would be refused with it")
        outcome = outcome_of(
            writer.findings,
            steps,
            sheets.unit,
            sheets.aircraft,
            status=parent.outcome.status if parent.outcome else RunStatus.CRASHED,
            partial=bool(parent.facts.only) or sheets.plan.partial,
            bench_time_s=bench_time_s,
            wall_time_s=time.perf_counter() - began_wall_s,
            captures=parent.captures,
        )
        record = writer.end_run(outcome)
        writer.seal(render_report(run_summary(record, sheets, all_steps)))
    return VerifyResult(
        facts=facts,
        outcome=outcome,
        findings=record.findings,
        folder=writer.folder,
        run_time_s=time.perf_counter() - run_began_s,
        interrupted_by=interrupts.came,
        unsafe=tuple(reason for finding in record.findings if finding.id == NOT_SAFE_ID for reason in finding.reasons),
        stop_reason="; ".join(stop.reason for stop in record.stops),
        function_titles={function.name: function.title for function in sheets.unit.functions},
        left_out=check.left_out,
    )


def _judge(
    parent: Record, steps: Sequence[PlannedStep], writer: RecordWriter, bench_time_s: float, interrupts: Interrupts
) -> None:
    """Judge every attempt at every step that left captures; say of the others that they were not run."""
    results: list[StoredResult] = []
    for step, attempts in _in_order(parent, steps):
        interrupts.look()
        if step.step.repeat is not None and step.name in {loop.procedure for loop in parent.loops}:
            _judge_loop(parent, step, attempts, writer, results)
            continue
        if not attempts:
            writer.keep(_left_out(parent, step, judged_again=False))
        for attempt in attempts:
            judged = _judge_attempt(parent, step, attempt, results)
            if judged.fault:
                writer.stopped(judged.fault, judged.fault_details, bench_time_s)
            writer.results(step.name, attempt, judged.results)
            writer.keep(judged.findings)
            if attempt == 1:
                writer.keep(_left_out(parent, step, judged_again=True))


def _judge_attempt(parent: Record, step: PlannedStep, attempt: int, results: list[StoredResult]) -> JudgedStep:
    """Judge one attempt; what it measured is added to `results`."""
    evidence = RecordEvidence(step.name, parent.captures, results, attempt=attempt)
    judged = judge_step(step, evidence, attempt=attempt, troubles=_troubles(parent, step, attempt))
    results += [StoredResult(procedure=step.name, attempt=attempt, result=one) for one in judged.results]
    return judged


def _judge_loop(
    parent: Record, step: PlannedStep, attempts: Sequence[int], writer: RecordWriter, results: list[StoredResult]
) -> None:
    """Judge the tries of a loop whose captures are kept; of the others stands what the run told of them."""
    (facts,) = (loop for loop in parent.loops if loop.procedure == step.name)
    writer.carry_loop(facts)
    loop = Loop(step, began_s=0.0, keeps_all=True)
    loop.carry(facts)
    for attempt in range(1, facts.tries + 2):
        if attempt not in attempts:
            results += [one for one in parent.results if (one.procedure, one.attempt) == (step.name, attempt)]
            continue
        judged = _judge_attempt(parent, step, attempt, results)
        whole = attempt <= facts.tries
        taken = loop.take(attempt, judged.findings, now_s=0.0) if whole else None
        told = taken is None or taken.told
        writer.results(step.name, attempt, judged.results, passing=not told)
        if told:
            writer.keep(judged.findings)
        if taken is not None:
            writer.tried(step.name, attempt, taken.outcome.value, taken.shown)
    words = facts.ended or f"ended from outside after {facts.tries} whole tries"
    ended = HowItEnded(words=words, early=facts.early or not facts.ended, spoilt=facts.spoilt)
    writer.loop_ended(step.name, words, early=ended.early, spoilt=ended.spoilt)
    writer.keep([loop.finding(ended)])


def _carry_over(parent: Record, writer: RecordWriter, all_steps: Sequence[PlannedStep]) -> None:
    """Take over what no capture tells: instruments, stops and what they spoilt, and what is wrong with the record."""
    writer.keep(_of_no_step(parent, all_steps))
    for instrument in parent.instruments:
        writer.instrument(instrument)
    for stop in parent.stops:
        writer.stopped(stop.reason, stop.details, stop.bench_time_s, stop.suspect)
        if stop.suspect:
            writer.revise(spoilt_by(stop.suspect, writer.findings, parent.captures))
    for suspect in drifted(writer.findings):
        writer.revise(spoilt_by(suspect, writer.findings, parent.captures))
    writer.revise(unproved(writer.findings, {step.name for step in all_steps if step.proves_bench}))
    for problem in parent.problems:
        writer.note(f"parent record: {problem}")


@contextmanager
def _whole_or_nothing(writer: RecordWriter) -> Iterator[None]:
    """Leave no half of a record behind: all that is in it comes from its parent, and can be judged again."""
    try:
        yield
    except BaseException:
        writer.discard()
        raise


def _in_order(parent: Record, steps: Sequence[PlannedStep]) -> Iterator[tuple[PlannedStep, Sequence[int]]]:
    """Yield steps with their attempts as the run took them: all first ones and all tries of loops, then the rest.

    A step that left nothing comes once, without attempts. Of a loop come the tries that are kept, and the one that was
    broken off.
    """
    attempts = {step.name: sorted({capture.attempt for capture in parent.captures_of(step.name)}) for step in steps}
    loops = {loop.procedure: {*loop.kept, loop.tries + 1} for loop in parent.loops}
    for step in steps:
        if step.name in loops:
            yield step, [attempt for attempt in attempts[step.name] if attempt in loops[step.name]]
        else:
            yield step, attempts[step.name][:1]
    for step in steps:
        if step.name not in loops and attempts[step.name][1:]:
            yield step, attempts[step.name][1:]


def _of_no_step(parent: Record, steps: Sequence[PlannedStep]) -> list[Finding]:
    """Return what the run found of itself: that it could not be made safe, say. No capture can judge that again."""
    names = {step.name for step in steps}
    return [finding for finding in parent.findings if finding.procedure not in names]


def _troubles(parent: Record, step: PlannedStep, attempt: int) -> list[Finding]:
    """Return what ended an attempt early: findings of the run that said so, or that it was never ended.

    A try of a loop that was entered as one was carried to its end, whatever came after.
    """
    told = [
        finding for finding in parent.findings if finding.id == completed_id(step.name) and finding.attempt == attempt
    ]
    whole = any(loop.procedure == step.name and attempt in loop.kept for loop in parent.loops)
    if whole or (step.name, attempt) not in parent.unfinished:
        return told
    killed = trouble_finding(step, "the run was ended from outside", Cause.UNDECIDED, attempt=attempt)
    return [*told, killed]


def _left_out(parent: Record, step: PlannedStep, *, judged_again: bool) -> list[Finding]:
    """Return that a step was not run, and why; for a killed run, that nothing is left of it."""
    told = [f for f in parent.findings if f.procedure == step.name and f.verdict is Verdict.NOT_RUN]
    if told or judged_again:
        return told
    return [left_out(step, "the run left nothing of it")]


def _last_time_s(captures: Sequence[Capture]) -> float:
    return max((capture.start_s + capture.duration_s for capture in captures), default=0.0)
