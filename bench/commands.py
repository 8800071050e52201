"""What each command does once its words are read: calls the house, prints the outcome, gives the exit code."""

import json
import shutil
import sys
import time
from pathlib import Path
from typing import Any

from analysis.finding import Finding
from analysis.report import render_report
from analysis.sentences import finding_sentence, verdict_sentence
from analysis.verdict import Verdict
from bench.admission import records_folder
from bench.document import run_document
from bench.history import Wanted, history, history_document, history_lines
from bench.interrupts import EXIT_OF_SIGNAL
from bench.plan_check import Ability, PlanCheck, StepCheck
from bench.planning import faults_by_key, plan_check, plan_steps
from bench.printing import put, warn
from bench.progress import NoProgress, Progress, TextProgress
from bench.records.reading import find_record, load_record
from bench.records.run_facts import RunOutcome, RunStatus
from bench.rejudge import rejudge
from bench.report_file import check_target, write_report
from bench.request import RunRequest
from bench.run_sheets import SheetNames, load_sheets, sheets_of_record
from bench.summary import run_summary
from bench.verify import VerifyResult, verify

EXIT_PASS = 0
EXIT_REFUSED = 2
EXIT_FAIL = 3
EXIT_INCONCLUSIVE = 4
LONGEST_LIST = 12
MOST_RATIO = 100  # of room to uncertainty: beyond, how much more does not matter
TENTHS_BELOW = 10.0


def run_verify(request: RunRequest, *, partial_ok: bool, as_json: bool) -> int:
    """Run a plan; print the outcome or its JSON document."""
    began_s = time.perf_counter()
    result = verify(request, _progress(quiet=as_json), began_wall_s=began_s)
    if as_json:
        _print_json(_document(result))
    else:
        _print_outcome(result)
    return _exit_code(result, partial_ok=partial_ok)


def run_check(*, bench: str | None, model: str | None, aircraft: str | None, plan: str | None, as_json: bool) -> int:
    """Validate sheets and plan against the bench and print what it can do."""
    sheets = load_sheets(SheetNames(bench=bench, plan=plan, model=model, aircraft=aircraft))
    checked = plan_check(sheets)
    document = checked.to_json()
    document["defects"] = [
        {
            "id": defect.id,
            "of": defect.of,
            "title": defect.title,
            "function": defect.function,
            "findings": list(defect.findings),
        }
        for defect in sheets.defects
    ]
    not_caught = sheets.unit_simulation.not_caught if sheets.unit_simulation else ()
    document["defects_not_caught"] = [
        {"id": entry.id, "title": entry.title, "function": entry.function, "because": entry.because}
        for entry in not_caught
    ]
    refused = [str(fault) for fault in faults_by_key(plan_steps(sheets, checked))]
    document["refused"] = refused
    if as_json:
        _print_json(document)
    else:
        _print_check(checked, refused=bool(refused))
        for line in refused:
            warn(f"verify refuses the plan here: {line}")
    return EXIT_REFUSED if refused else EXIT_PASS


def run_report(record_text: str, *, records: str, output: Path | None, replace: bool) -> int:
    """Render a record's report again, outside of records; `replace` a file that is no report of ours."""
    record = load_record(find_record(record_text, records_folder(records)))
    for problem in record.problems:
        warn(f"{record.folder.name}: {problem}")
    sheets = sheets_of_record(record.facts.sheets)
    target = (output or Path(f"{record.folder.name}.report.html")).resolve()
    check_target(target, replace=replace)
    write_report(target, render_report(run_summary(record, sheets, plan_steps(sheets))))
    put(f"report written: {target}")
    return EXIT_PASS


def run_rejudge(record_text: str, *, records: str, model: str | None, as_json: bool) -> int:
    """Judge a record's captures again, into a new record."""
    began_s = time.perf_counter()
    folder = records_folder(records)
    result = rejudge(find_record(record_text, folder), records=folder, model=model, began_wall_s=began_s)
    if as_json:
        _print_json(_document(result))
    else:
        _print_outcome(result)
    return _exit_code(result, partial_ok=False)


def run_history(wanted: Wanted, *, records: str, as_json: bool) -> int:
    """Print the runs that the records tell of."""
    found = history(records_folder(records), wanted)
    for problem in found.unreadable:
        warn(problem)
    if as_json:
        _print_json(history_document(found, wanted))
    else:
        for line in history_lines(found, wanted):
            put(line)
    return EXIT_PASS


def _document(result: VerifyResult) -> dict[str, Any]:
    return run_document(
        result.facts,
        result.outcome,
        result.findings,
        record=str(result.folder),
        run_time_s=result.run_time_s,
        stop_reason=result.stop_reason,
        unsafe=result.unsafe,
        left_out=result.left_out,
    )


def _exit_code(result: VerifyResult, *, partial_ok: bool) -> int:
    if result.interrupted_by:
        return EXIT_OF_SIGNAL + result.interrupted_by
    return exit_code(result.outcome, partial_ok=partial_ok)


def exit_code(outcome: RunOutcome, *, partial_ok: bool) -> int:
    """Return 0 pass, 3 the unit failed, 4 inconclusive or partial."""
    if outcome.verdict is Verdict.FAIL:
        return EXIT_FAIL
    if outcome.verdict is not Verdict.PASS or (outcome.partial and not partial_ok):
        return EXIT_INCONCLUSIVE
    return EXIT_PASS


def _progress(*, quiet: bool) -> Progress:
    if quiet:
        return NoProgress()
    return TextProgress(sys.stderr, live=sys.stderr.isatty(), width=shutil.get_terminal_size().columns)


def _print_json(document: dict[str, Any]) -> None:
    put(json.dumps(document, indent=1, allow_nan=False))


def _print_outcome(result: VerifyResult) -> None:
    titles = result.function_titles
    facts, outcome = result.facts, result.outcome
    put("")
    put(
        f"{facts.serial}, {facts.model}, plan {facts.plan}: "
        + verdict_sentence(
            verdict=outcome.verdict,
            cause=outcome.cause,
            simulated=facts.simulated,
            partial=outcome.partial,
            stopped=outcome.status is not RunStatus.COMPLETE,
            tested=tuple(title for name, title in titles.items() if name not in outcome.not_tested),
            not_tested=tuple(titles[name] for name in outcome.not_tested),
        )
    )
    if differs := outcome.unit_reports.configuration_differs:
        put(f"Configuration differs: {differs}.")
    if result.left_out:
        put(f"Left out by plan {facts.plan}: {', '.join(result.left_out)}.")
    _print_findings("Failed", [f for f in result.findings if f.verdict is Verdict.FAIL])
    _print_findings("Inconclusive", [f for f in result.findings if f.verdict is Verdict.INCONCLUSIVE])
    _print_findings("Not run", [f for f in result.findings if f.verdict is Verdict.NOT_RUN])
    if result.stop_reason:
        put(f"The run ended early: {result.stop_reason}")
    for problem in result.unsafe:
        put(f"NOT KNOWN TO BE SAFE: {problem}. Use the emergency stop and look before you touch anything.")
    passed = sum(finding.verdict is Verdict.PASS for finding in result.findings)
    put(
        f"{passed} of {len(result.findings)} findings passed. "
        f"Bench time {outcome.bench_time_s:.0f} s, wall time {outcome.wall_time_s:.1f} s."
    )
    if facts.parent:
        put(f"Judged again from record {facts.parent}.")
    put(f"Record: {result.folder}")
    put(f"Report: {result.folder / 'report.html'}")
    put("Measurements against the limits listed; a person signs. Not an approval for return to service.")


def _print_findings(heading: str, findings: list[Finding]) -> None:
    if not findings:
        return
    put(f"{heading}:")
    for finding in findings[:LONGEST_LIST]:
        cause = f" [cause: {finding.cause.value}]" if finding.cause else ""
        put(f"  {finding_sentence(finding)}{cause}")
        for reason in finding.reasons:
            put(f"    {reason}")
        if finding.next_step:
            put(f"    next: {finding.next_step}")
    if len(findings) > LONGEST_LIST:
        put(f"  and {len(findings) - LONGEST_LIST} more; see the report")


def _tightest_words(step: StepCheck) -> str:
    """Say how many times its expected uncertainty the tightest limit of a step has for room."""
    tightest = step.tightest
    if tightest is None:
        return ""
    if tightest.ratio > MOST_RATIO:
        return f", over {MOST_RATIO}:1 at {tightest.limit.id}"
    return f", {tightest.ratio:.{1 if tightest.ratio < TENTHS_BELOW else 0}f}:1 at {tightest.limit.id}"


def _print_check(check: PlanCheck, *, refused: bool) -> None:
    stands = "sheets and plan are valid, but not for this bench" if refused else "sheets and plan are valid"
    put(f"{check.model} on bench {check.bench}, plan {check.plan}: {stands}.")
    for step in check.steps:
        put(f"  {step.procedure:<24} {step.bench_time_s:6.0f} s  {step.ability.value}{_tightest_words(step)}")
        if step.left_out is not None:
            put(f"{'':36}{step.left_out.reason}")
            if step.left_out.untested:
                put(f"{'':36}not tested by that: {step.left_out.untested}")
        for obstacle in step.obstacles:
            put(f"{'':36}{obstacle.what}")
        if step.ability is Ability.CANT:
            put(f"{'':36}cheapest missing: {step.cheapest_missing}")
        ways, untested = (
            (way.sentence for way in step.needs.ways),
            (f"not tested: {one}" for one in step.leaves_untested),
        )
        for said in (*ways, *step.remarks, *untested):
            put(f"{'':36}{said}")
    put(f"Bench time in all: {check.bench_time_s:.0f} s.")
    if check.not_tested:
        put(f"Not tested by this plan: {', '.join(check.not_tested)}.")
    if check.left_out:
        put(
            f"Left out by this plan{', so its runs are partial' if check.partial else ''}: {', '.join(check.left_out)}."
        )
