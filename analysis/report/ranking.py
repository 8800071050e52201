"""Verdicts in the order a reader wants them: the worst first."""

from collections.abc import Sequence

from analysis.finding import Finding
from analysis.verdict import Verdict

# `Verdict` is declared best first; a reader meets the worst first.
_ORDER = {verdict: place for place, verdict in enumerate(reversed(Verdict))}


def severity(verdict: Verdict) -> int:
    """Return the place of a verdict when the worst comes first: 0 is the worst."""
    return _ORDER[verdict]


def worst(findings: Sequence[Finding]) -> Verdict | None:
    """Return the worst verdict among `findings`; None when there are none."""
    return min((finding.verdict for finding in findings), key=severity, default=None)
