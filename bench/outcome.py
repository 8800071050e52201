"""What a run comes to, from its findings: one rule for a run and for a record judged again."""

from collections.abc import Iterable, Sequence

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.overall import overall
from analysis.verdict import Cause, Verdict
from bench.memory import peak_memory_mb
from bench.records.run_facts import RunOutcome, RunStatus
from bench.steps import PlannedStep
from bench.unit_reports import unit_reports
from test_plans.sheets import AircraftSheet, UnitSheet


def touched_functions(findings: Sequence[Finding], steps: Sequence[PlannedStep]) -> frozenset[str]:
    """Return the functions of the unit that a procedure which ran has touched, or that failed by the way."""
    ran = {finding.procedure for finding in findings if finding.verdict is not Verdict.NOT_RUN}
    failed = {finding.function for finding in findings if finding.verdict is Verdict.FAIL and finding.function}
    return frozenset(failed) | {function for step in steps if step.name in ran for function in step.functions}


def outcome_of(
    findings: Sequence[Finding],
    steps: Sequence[PlannedStep],
    unit: UnitSheet,
    aircraft: AircraftSheet,
    *,
    status: RunStatus,
    partial: bool,
    bench_time_s: float,
    wall_time_s: float,
    captures: Iterable[Capture],
) -> RunOutcome:
    """Return the outcome; `captures` hold what the unit reported of itself.

    A run that was not carried to its end is partial and never a pass, nor is one that looked at the bench alone.
    """
    found = overall(findings)
    verdict, cause = found.verdict, found.cause
    touched = touched_functions(findings, steps)
    if verdict is Verdict.PASS and (status is not RunStatus.COMPLETE or not touched):
        verdict, cause = Verdict.INCONCLUSIVE, Cause.UNDECIDED
    return RunOutcome(
        status=status,
        verdict=verdict,
        cause=cause,
        partial=partial or status is not RunStatus.COMPLETE,
        not_tested=tuple(function.name for function in unit.functions if function.name not in touched),
        bench_time_s=bench_time_s,
        wall_time_s=wall_time_s,
        peak_memory_mb=peak_memory_mb(),
        unit_reports=unit_reports(captures, unit, aircraft),
    )
