"""Captures of one step to findings: the same for a run and for a record judged again."""

import math
import traceback
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.judge import judge, not_run, observe, without_margin
from analysis.measurement import Measurement, Observation, Result
from analysis.overall import captures_using, spoil
from analysis.repetition import repetition_id
from analysis.verdict import Cause, Verdict
from bench.steps import CLOSING_PROCEDURE, PlannedStep
from test_plans.discharge import ZERO_ID
from test_plans.procedure import Evidence
from test_plans.proved_pins import settled
from test_plans.sheets import UnitSheet
from test_plans.untouched import added_signals, untouched_id
from test_plans.watch import watched


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedStep:
    """What a step came to. `fault` says what failed in boxproof itself while judging, "" when nothing did."""

    results: tuple[Result, ...]
    findings: tuple[Finding, ...]
    fault: str = ""
    fault_details: str = ""


def judge_step(step: PlannedStep, evidence: Evidence, *, attempt: int, troubles: Sequence[Finding] = ()) -> JudgedStep:
    """Evaluate and judge the captures of a step; `troubles` are what ended it early.

    A fault of ours must never read as the unit's: it becomes one more trouble, cause bench.
    """
    try:
        measured = step.procedure.evaluate(evidence, step.setup)
        seen = watched(step.procedure, measured, evidence, step.setup)
        results = tuple(settled(seen, evidence.held_pins()))
        findings = findings_of(results, step.setup.unit, procedure=step.name, attempt=attempt)
    except Exception as error:  # noqa: BLE001  (one of the two boundaries)
        fault = f"boxproof itself failed: {type(error).__name__}: {error}"
        details = "".join(traceback.format_exception(error))
        trouble = trouble_finding(step, fault, Cause.BENCH, attempt=attempt)
        return JudgedStep(results=(), findings=(*troubles, trouble), fault=fault, fault_details=details)
    for trouble in troubles:
        findings = ended_early(findings, trouble)
    return JudgedStep(results=results, findings=(*findings, *troubles))


def findings_of(results: Sequence[Result], unit: UnitSheet, *, procedure: str, attempt: int) -> tuple[Finding, ...]:
    """Judge every measurement and observation; curves are pictures and judge nothing.

    A measurement without a limit ("") is kept in the record and judged by nobody.

    Raises:
        KeyError: a measurement names a limit that the unit sheet does not have.
    """
    findings = []
    for result in results:
        if isinstance(result, Measurement):
            if result.limit:
                findings.append(judge(result, unit.limits[result.limit], procedure=procedure, attempt=attempt))
        elif isinstance(result, Observation):
            findings.append(observe(result, procedure=procedure, attempt=attempt))
    return tuple(findings)


def spoilt_by(suspect: str, findings: Sequence[Finding], captures: Iterable[Capture]) -> tuple[Finding, ...]:
    """Return those findings, made inconclusive, that rest on the channel behind a signal that proved untrustworthy.

    A bench fault found later: what that channel showed earlier, good or bad, proves nothing. The findings by which it
    was found stay. On a signal that was only watched beside a capture nothing rests but the finding about it. With a
    finding of a loop the one about all its tries goes.
    """
    everything = tuple(captures)
    channels = {capture.channels[suspect].instrument for capture in everything if suspect in capture.channels}
    own = captures_using(channels, [capture for capture in everything if suspect not in added_signals(capture)])
    any_use = captures_using(channels, everything)
    reason = f"{suspect} was found faulty later in this run"
    step = f"mend the bench's input of {suspect}, then run again"
    revised: list[Finding] = []
    for finding in findings:
        spoilt = any_use if finding.id == untouched_id(finding.procedure) else own
        (new,) = spoil([finding], spoilt, reason=reason, next_step=step)
        if new is not finding and finding.procedure != CLOSING_PROCEDURE:
            revised.append(new)
    touched = {finding.procedure for finding in revised}
    revised += [
        _spoilt_loop(finding, reason, step)
        for finding in findings
        if finding.procedure in touched and finding.id == repetition_id(finding.procedure)
    ]
    return tuple(revised)


def _spoilt_loop(finding: Finding, reason: str, step: str) -> Finding:
    """Return the finding about all tries of a loop as one that proves nothing: no rate follows from them."""
    return replace(
        finding,
        verdict=Verdict.INCONCLUSIVE,
        cause=Cause.BENCH,
        reasons=(reason, *finding.reasons),
        next_step=step,
        rate_low=math.nan,
        rate_high=math.nan,
        rate_bound=math.nan,
    )


def drifted(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the signals that were found off when everything was off at the end of the run."""
    return tuple(
        finding.id.removeprefix(ZERO_ID)
        for finding in findings
        if finding.id.startswith(ZERO_ID) and finding.verdict is not Verdict.PASS
    )


def failed_units(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings by which the unit failed."""
    return tuple(f for f in findings if f.verdict is Verdict.FAIL and f.cause is Cause.UNIT)


def unproved(findings: Sequence[Finding], proving: Collection[str]) -> tuple[Finding, ...]:
    """Return the findings that blame the unit, made the bench's, where a bench that is no longer sound can't prove it.

    The bench was proved at the beginning and, because the unit failed, once more at the end, by the procedures named
    in `proving`; with anything of it wrong no unit may be blamed.
    """
    wrong = [f for f in findings if f.attempt > 1 and f.procedure in proving and f.cause is Cause.BENCH]
    if not wrong:
        return ()
    reason = f"proved again after this fail, the bench was not sound: {'; '.join(wrong[0].reasons) or wrong[0].title}"
    step = "mend the bench by what its second check says, then run again"
    return tuple(
        replace(
            finding,
            verdict=Verdict.INCONCLUSIVE,
            cause=Cause.BENCH,
            reasons=(reason, *finding.reasons),
            next_step=step,
        )
        for finding in findings
        if finding.cause is Cause.UNIT and finding.verdict in {Verdict.FAIL, Verdict.INCONCLUSIVE}
    )


def completed_id(procedure: str) -> str:
    """Return the id of the finding that a procedure was carried to its end; it is there where it was not."""
    return f"{procedure}.completed"


def trouble_finding(step: PlannedStep, reason: str, cause: Cause, *, attempt: int) -> Finding:
    """Return the finding that a procedure was not carried to its end, and whose doing that was."""
    return Finding(
        id=completed_id(step.name),
        procedure=step.name,
        function=step.function,
        title=f"{step.procedure.title}: carried to its end",
        verdict=Verdict.FAIL if cause is Cause.UNIT else Verdict.INCONCLUSIVE,
        cause=cause,
        attempt=attempt,
        reasons=(reason,),
    )


def left_out(step: PlannedStep, reason: str, cause: Cause | None = None) -> Finding:
    """Return the finding that a step was not run, and why; `cause` where it is known whose doing that is."""
    return not_run(
        id=f"{step.name}.run",
        procedure=step.name,
        function=step.function,
        title=step.procedure.title,
        reason=reason,
        cause=cause,
        mandatory=not step.closing,
    )


def ended_early(findings: Sequence[Finding], trouble: Finding) -> tuple[Finding, ...]:
    """Return the findings of a procedure that was not carried to its end: none of them is a pass or a fail.

    What was captured is half a stimulus: an output that was never commanded must not read as one that is dead, and a
    capture that was never taken is not the bench's doing. The cause is the trouble's; where that is the unit's, the
    trouble itself is the fail, and the rest is undecided.
    """
    cause = Cause.BENCH if trouble.cause is Cause.BENCH else Cause.UNDECIDED
    reason = f"the procedure ended early: {trouble.reasons[0]}"
    return tuple(
        replace(without_margin(finding), verdict=Verdict.INCONCLUSIVE, cause=cause, reasons=(reason, *finding.reasons))
        if finding.verdict is not Verdict.NOT_RUN
        else finding
        for finding in findings
    )
