"""The JSON documents that commands print: plain dictionaries, numbers that are not finite as null."""

import math
from collections.abc import Sequence
from enum import Enum
from typing import Any

from analysis.finding import Finding
from bench.records.json_values import json_number
from bench.records.run_facts import RunFacts, RunOutcome

FINDING_KEYS = (
    "id",
    "procedure",
    "function",
    "title",
    "verdict",
    "cause",
    "value",
    "quantity_unit",
    "standard_uncertainty",
    "degrees_of_freedom",
    "low",
    "high",
    "margin",
    "rule",
    "conformity_probability",
    "limit_source",
    "capture",
    "attempt",
    "reasons",
    "next_step",
)
OF_MEASURED = frozenset({"standard_uncertainty", "degrees_of_freedom"})
OF_LOGICAL = ("trials", "failures")
OF_REPEATED = ("rate_low", "rate_high", "rate_bound")


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return one finding; logical ones carry `trials` and no uncertainty, those of a loop the bounds of their rate."""
    keys: Sequence[str] = FINDING_KEYS
    if finding.trials is not None:
        keys = (*(key for key in FINDING_KEYS if key not in OF_MEASURED), *OF_LOGICAL)
    if math.isfinite(finding.rate_bound):
        keys = (*keys, *OF_REPEATED)
    return {key: _plain(getattr(finding, key)) for key in keys}


def _plain(value: object) -> object:
    if isinstance(value, float):
        return json_number(value)
    if isinstance(value, Enum):
        return value.value
    return list(value) if isinstance(value, tuple) else value


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
    what could not be made safe or not be read back, `left_out` the procedures that the plan does without.
    """
    return {
        "verdict": outcome.verdict.value,
        "cause": outcome.cause.value if outcome.cause else None,
        "status": outcome.status.value,
        "partial": outcome.partial,
        "simulated": facts.simulated,
        "serial": facts.serial,
        "model": facts.model,
        "plan": facts.plan,
        "part": facts.part,
        "modification": facts.modification,
        "firmware": facts.firmware,
        "firmware_reported": outcome.unit_reports.firmware,
        "configuration_found": outcome.unit_reports.configuration_found,
        "configuration_left": outcome.unit_reports.configuration_left,
        "configuration_differs": outcome.unit_reports.configuration_differs,
        "ambient_c": facts.ambient_c,
        "operator": facts.operator,
        "work_order": facts.work_order,
        "squawk": facts.squawk,
        "squawk_conditions": facts.squawk_conditions,
        "squawk_reproduced": facts.squawk_reproduced,
        "remark": facts.remark,
        "seed": facts.seed,
        "record": record,
        "parent_record": facts.parent,
        "bench_time_s": json_number(outcome.bench_time_s),
        "wall_time_s": json_number(outcome.wall_time_s),
        "run_time_s": json_number(run_time_s),
        "peak_memory_mb": json_number(outcome.peak_memory_mb),
        "not_tested": list(outcome.not_tested),
        "left_out_procedures": list(left_out),
        "stop_reason": stop_reason,
        "not_known_to_be_safe": list(unsafe),
        "findings": [finding_document(finding) for finding in findings],
    }
