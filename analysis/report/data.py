"""`RunSummary`: everything the report shows, as plain data. Whoever fills it reads the files; the report reads none."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.finding import Finding
from analysis.measurement import Curve
from analysis.verdict import Cause, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class NotRun:
    """A procedure of the plan that did not run, and why, in words."""

    procedure: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRemark:
    """What the plan check said of a procedure: what this bench can't do, or only with a larger uncertainty."""

    procedure: str
    title: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLine:
    """An instrument the run relied on.

    `calibration` is its certificate or what stands in its place, `due` an ISO date or "" where there is none.
    """

    name: str
    identity: str
    calibration: str
    due: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PromptLine:
    """What a person was asked, and answered, `time_s` after the run began (bench time)."""

    time_s: float
    prompt: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptLine:
    """One attempt at a procedure; all are kept and the worst decides unless a bench cause is proved for it."""

    procedure: str
    title: str
    attempt: int
    verdict: Verdict
    cause: Cause | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectedDefect:
    """A defect put into the simulated unit or bench on purpose; `of` is "unit" or "bench"."""

    id: str
    title: str
    of: str
    severity: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One run, ready to be printed. Text may come from anybody: the report escapes all of it.

    Args:
        record: name of the record folder; `parent_record` that of the record judged again here, or "".
        serial: of the unit.
        model: key of the unit sheet; `model_title` what it is called.
        part, modification, firmware: as read or told; "" where not given.
        aircraft: title of the aircraft sheet, or "".
        plan: name of the plan; `plan_title` in words.
        bench: title of the bench.
        simulated: whether bench and unit were simulated.
        verdict, cause: of the run.
        partial: whether procedures of the plan were left out, or the plan itself leaves out by design.
        stopped: whether the run was ended before its plan was through; such a run is partial too.
        stop_reason: why the run was stopped before its end, or "".
        tested, not_tested: titles of the functions touched and not touched, in the unit sheet's order.
        not_tested_reasons: title of a function not tested -> why, where a procedure of the plan would have touched it.
        function_titles: function name as in `Finding.function` -> title, in the unit sheet's order.
        procedure_titles: procedure name -> title, in the plan's order.
        pin_titles: connector pin -> title on the drawing.
        findings: of the unit, in the order made, all attempts.
        bench_findings: of the bench itself: bench check, consistency, attribution. Never also in `findings`.
        bench_facts: what could and could not be checked of the bench, each a sentence.
        curves: figures; the report shows at most 40 of them.
        not_run: procedures that did not run, with reasons.
        remarks: of the plan check.
        untested: characteristics that this model does not show, with the reason.
        beyond_plan: titles of procedures that the plan does without, though they look at functions it touches.
        attempts: history of all procedures, first attempts included.
        operator, work_order: who, and the shop's own job number; "" where not given.
        squawk: the customer's words; `squawk_conditions` when it shows; `squawk_reproduced` None where nobody said.
        remark: the operator's.
        ambient: of the room, in words, or "".
        configuration_found, configuration_left: the unit's configuration in words, or "".
        configuration_differs: what of it differs from what the aircraft needs, in words, or "".
        start, end: ISO 8601 with UTC offset.
        bench_time_s: bench time the run took, in seconds.
        software: name and version of the program that made the record.
        digests: what the run went by -> SHA-256 of it (unit sheet, aircraft sheet, bench sheet, plan).
        instruments: that the run relied on.
        prompts: in order of time.
        seed: of a simulated run, else None.
        defects: put into a simulated run.
    """

    record: str
    serial: str
    model: str
    model_title: str
    plan: str
    bench: str
    simulated: bool
    verdict: Verdict
    cause: Cause | None
    partial: bool
    tested: tuple[str, ...]
    not_tested: tuple[str, ...]
    findings: tuple[Finding, ...]
    start: str
    end: str
    software: str
    not_tested_reasons: Mapping[str, str] = field(default_factory=dict)
    function_titles: Mapping[str, str] = field(default_factory=dict)
    procedure_titles: Mapping[str, str] = field(default_factory=dict)
    pin_titles: Mapping[str, str] = field(default_factory=dict)
    bench_findings: tuple[Finding, ...] = ()
    bench_facts: tuple[str, ...] = ()
    curves: tuple[Curve, ...] = ()
    not_run: tuple[NotRun, ...] = ()
    remarks: tuple[PlanRemark, ...] = ()
    untested: tuple[PlanRemark, ...] = ()
    beyond_plan: tuple[str, ...] = ()
    attempts: tuple[AttemptLine, ...] = ()
    instruments: tuple[InstrumentLine, ...] = ()
    prompts: tuple[PromptLine, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    defects: tuple[InjectedDefect, ...] = ()
    parent_record: str = ""
    part: str = ""
    modification: str = ""
    firmware: str = ""
    aircraft: str = ""
    plan_title: str = ""
    operator: str = ""
    work_order: str = ""
    squawk: str = ""
    squawk_conditions: str = ""
    squawk_reproduced: bool | None = None
    remark: str = ""
    ambient: str = ""
    configuration_found: str = ""
    configuration_left: str = ""
    configuration_differs: str = ""
    stopped: bool = False
    stop_reason: str = ""
    bench_time_s: float = math.nan
    seed: int | None = None
