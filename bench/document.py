"""The JSON documents that commands print: plain dictionaries, numbers that are not finite as null."""

import math
from collections.abc import Sequence
from typing import Any

from analysis.finding import Finding
from bench.records.run_facts import RunFacts, RunOutcome


def finite(number: float) -> float | None:
    """Return the number, or None where it is not finite."""
    return number if math.isfinite(number) else None


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return one finding; logical ones carry `trials` and no uncertainty."""
    document: dict[str, Any] = {
        "id": finding.id,
        "procedure": finding.procedure,
        "function": finding.function,
        "title": finding.title,
        "verdict": finding.verdict.value,
        "cause": finding.cause.value if finding.cause else None,
        "value": finite(finding.value),
        "quantity_unit": finding.quantity_unit,
        "standard_uncertainty": finite(finding.standard_uncertainty),
        "degrees_of_freedom": finite(finding.degrees_of_freedom),
        "low": finite(finding.low),
        "high": finite(finding.high),
        "margin": finite(finding.margin),
        "rule": finding.rule,
        "conformity_probability": finite(finding.conformity_probability),
        "limit_source": finding.limit_source,
        "capture": finding.capture,
        "attempt": finding.attempt,
        "reasons": list(finding.reasons),
        "next_step": finding.next_step,
    }
    if finding.trials is not None:
        document["trials"] = finding.trials
        document["failures"] = finding.failures
        del document["standard_uncertainty"], document["degrees_of_freedom"]
    return document


def run_document(
    facts: RunFacts,
    outcome: RunOutcome,
    findings: Sequence[Finding],
    *,
    record: str,
    run_time_s: float,
    stop_reason: str,
    unsafe: Sequence[str],
    left_out: Sequence[str],
) -> dict[str, Any]:
    """Return what `verify --json` prints.

    `run_time_s` is the wall time of the run without start-up and report, `stop_reason` why it ended early, `unsafe`
    what could not be made safe or not be read back, `left_out` the procedures that a partial plan does without.
    """
    return {
        "verdict": outcome.verdict.value,
        "cause": outcome.cause.value if outcome.cause else None,
        "partial": outcome.partial,
        "simulated": facts.simulated,
        "serial": facts.serial,
        "model": facts.model,
        "plan": facts.plan,
        "seed": facts.seed,
        "record": record,
        "bench_time_s": finite(outcome.bench_time_s),
        "wall_time_s": finite(outcome.wall_time_s),
        "run_time_s": finite(run_time_s),
        "peak_memory_mb": finite(outcome.peak_memory_mb),
        "not_tested": list(outcome.not_tested),
        "left_out_procedures": list(left_out),
        "stop_reason": stop_reason,
        "not_known_to_be_safe": list(unsafe),
        "findings": [finding_document(finding) for finding in findings],
    }
