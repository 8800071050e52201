"""Results held against the unit sheet's limits: the same for a run and for a record judged again."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.judge import judge, observe
from analysis.measurement import Measurement, Observation, Result
from analysis.overall import captures_using, spoil
from analysis.verdict import Cause, Verdict
from test_plans.sheets import UnitSheet


def findings_of(results: Sequence[Result], unit: UnitSheet, *, procedure: str, attempt: int) -> list[Finding]:
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
    return findings


def spoilt_by(suspect: str, findings: Sequence[Finding], captures: Iterable[Capture]) -> tuple[Finding, ...]:
    """Return those findings, made inconclusive, that rest on the channel behind a signal that proved untrustworthy.

    A bench fault found later: what that channel showed earlier, good or bad, proves nothing.
    """
    everything = tuple(captures)
    channels = {capture.channels[suspect].instrument for capture in everything if suspect in capture.channels}
    spoilt = captures_using(channels, everything)
    revised = spoil(
        findings,
        spoilt,
        reason=f"{suspect} was found faulty later in this run",
        next_step=f"mend the bench's input of {suspect}, then run again",
    )
    return tuple(new for old, new in zip(findings, revised, strict=True) if new is not old)


def completed_id(procedure: str) -> str:
    """Return the id of the finding that a procedure was carried to its end; it is there where it was not."""
    return f"{procedure}.completed"


def ended_early(findings: Sequence[Finding], trouble: Finding) -> list[Finding]:
    """Return the findings of a procedure that was not carried to its end: none of them is a pass or a fail.

    What was captured is half a stimulus: an output that was never commanded must not read as one that is dead, and a
    capture that was never taken is not the bench's doing. The cause is the trouble's; where that is the unit's, the
    trouble itself is the fail, and the rest is undecided.
    """
    cause = Cause.BENCH if trouble.cause is Cause.BENCH else Cause.UNDECIDED
    reason = f"the procedure ended early: {trouble.reasons[0]}"
    return [
        replace(finding, verdict=Verdict.INCONCLUSIVE, cause=cause, reasons=(reason, *finding.reasons))
        if finding.verdict is not Verdict.NOT_RUN
        else finding
        for finding in findings
    ]
