"""From findings to the verdict of a run: which attempt decides, what a bench fault spoils, and the sum of it."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from analysis.capture import Capture
from analysis.finding import Finding
from analysis.judge import without_margin
from analysis.verdict import Cause, Verdict

_WORSE = {verdict: rank for rank, verdict in enumerate(Verdict)}  # `Verdict` is declared best first

CaptureKey = tuple[str, int, str]  # procedure, attempt, capture: what names a capture within a run


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The verdict of a run, its cause where it is no pass, and the findings that decided it."""

    verdict: Verdict
    cause: Cause | None
    decisive: tuple[Finding, ...]


def overall(findings: Iterable[Finding]) -> Overall:
    """Return the run's verdict from all findings of all attempts.

    Any valid fail of the unit is a fail. Else any mandatory finding that is inconclusive or not run makes it
    inconclusive: cause bench if any of them is the bench's, else undecided. Else, with at least one mandatory
    finding, it is a pass; nothing proved is inconclusive.
    """
    standing = deciding(findings)
    failed = tuple(f for f in standing if f.verdict is Verdict.FAIL and f.cause is Cause.UNIT)
    if failed:
        return Overall(verdict=Verdict.FAIL, cause=Cause.UNIT, decisive=failed)
    mandatory = tuple(f for f in standing if f.mandatory)
    open_ones = tuple(f for f in mandatory if f.verdict is not Verdict.PASS)
    if open_ones or not mandatory:
        bench = any(f.cause is Cause.BENCH for f in open_ones)
        return Overall(
            verdict=Verdict.INCONCLUSIVE, cause=Cause.BENCH if bench else Cause.UNDECIDED, decisive=open_ones
        )
    return Overall(verdict=Verdict.PASS, cause=None, decisive=())


def deciding(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return, for every characteristic, the one finding that decides, in order of first appearance.

    The worst attempt decides, unless a bench cause is proved for it and a later attempt replaces it. An attempt
    that was not run is no evidence: any later attempt of the same procedure replaces it.
    """
    everything = tuple(findings)
    last_attempt: dict[str, int] = {}
    for finding in everything:
        last_attempt[finding.procedure] = max(finding.attempt, last_attempt.get(finding.procedure, 0))
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in everything:
        if finding.verdict is Verdict.NOT_RUN and finding.attempt < last_attempt[finding.procedure]:
            continue
        groups.setdefault((finding.procedure, finding.id), []).append(finding)
    return tuple(_worst(attempts) for attempts in groups.values())


def _worst(attempts: Sequence[Finding]) -> Finding:
    last = max(finding.attempt for finding in attempts)
    standing = [f for f in attempts if f.attempt == last or f.cause is not Cause.BENCH]
    return max(standing, key=lambda f: (_severity(f), f.attempt))


def _severity(finding: Finding) -> int:
    """Return how bad a finding is: only the unit fails, a fail of any other cause leaves the question open."""
    if finding.verdict is Verdict.FAIL and finding.cause is not Cause.UNIT:
        return _WORSE[Verdict.INCONCLUSIVE]
    return _WORSE[finding.verdict]


def captures_using(instruments: Collection[str], captures: Iterable[Capture]) -> frozenset[CaptureKey]:
    """Return the captures with a channel on one of `instruments` (as in `AnalogChannel.instrument`)."""
    return frozenset(
        (capture.procedure, capture.attempt, capture.name)
        for capture in captures
        if any(channel.instrument in instruments for channel in capture.channels.values())
    )


def spoil(
    findings: Iterable[Finding], spoilt: Collection[CaptureKey], *, reason: str, next_step: str = ""
) -> tuple[Finding, ...]:
    """Return the findings with those that rest on a spoilt capture made inconclusive, cause bench.

    For a bench fault found later: what the faulty instrument showed earlier, good or bad, proves nothing.
    """
    return tuple(
        replace(
            without_margin(finding),
            verdict=Verdict.INCONCLUSIVE,
            cause=Cause.BENCH,
            reasons=(reason, *finding.reasons),
            next_step=next_step or finding.next_step,
        )
        if finding.verdict is not Verdict.NOT_RUN
        and any((finding.procedure, finding.attempt, name) in spoilt for name in finding.captures)
        else finding
        for finding in findings
    )
