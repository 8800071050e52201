"""From a record and its sheets to what the report shows: plain data, nothing judged anew."""

from collections.abc import Collection, Mapping, Sequence

from analysis.finding import Finding
from analysis.measurement import Curve
from analysis.overall import overall
from analysis.report import (
    AttemptLine,
    InjectedDefect,
    InstrumentLine,
    NotRun,
    PlanRemark,
    PromptLine,
    RunSummary,
)
from analysis.verdict import Verdict
from bench.outcome import touched_functions
from bench.planning import plan_check
from bench.records.record import Record
from bench.records.run_facts import RunStatus
from bench.run_sheets import RunSheets
from bench.steps import PlannedStep
from bench.unit_reports import unit_reports
from test_plans.registry import PROCEDURES


def run_summary(record: Record, sheets: RunSheets, steps: Sequence[PlannedStep]) -> RunSummary:
    """Return the report's data; `steps` are all of the plan, with the plan check's remarks."""
    facts = record.facts
    outcome = record.outcome
    reports = outcome.unit_reports if outcome else unit_reports(record.captures, sheets.unit, sheets.aircraft)
    found = overall(record.findings)
    titles = {function.name: function.title for function in sheets.unit.functions}
    touched = touched_functions(record.findings, steps)
    procedure_titles = {step.name: step.procedure.title for step in steps}
    findings = [finding for finding in record.findings if finding.verdict is not Verdict.NOT_RUN]
    return RunSummary(
        record=record.folder.name,
        parent_record=facts.parent,
        serial=facts.serial,
        model=facts.model,
        model_title=sheets.unit.title,
        aircraft=sheets.aircraft.title,
        plan=facts.plan,
        plan_title=sheets.plan.title,
        bench=sheets.bench.title,
        simulated=facts.simulated,
        verdict=outcome.verdict if outcome else found.verdict,
        cause=outcome.cause if outcome else found.cause,
        partial=outcome.partial if outcome else True,
        stopped=outcome is None or outcome.status is not RunStatus.COMPLETE,
        stop_reason="; ".join(stop.reason for stop in record.stops),
        tested=tuple(title for name, title in titles.items() if name in touched),
        not_tested=tuple(title for name, title in titles.items() if name not in touched),
        not_tested_reasons=not_tested_reasons(record, titles, touched, steps),
        function_titles=titles,
        procedure_titles=procedure_titles,
        pin_titles={pin.name: pin.title for pin in sheets.unit.pins.values()},
        findings=tuple(finding for finding in findings if finding.function in titles),
        bench_findings=tuple(finding for finding in findings if finding.function not in titles),
        bench_facts=bench_facts(record),
        curves=tuple(stored.result for stored in record.results if isinstance(stored.result, Curve)),
        not_run=tuple(
            NotRun(
                procedure=finding.procedure,
                title=procedure_titles.get(finding.procedure, finding.procedure),
                reason="; ".join(finding.reasons),
            )
            for finding in record.findings
            if finding.verdict is Verdict.NOT_RUN
        ),
        remarks=plan_remarks(steps),
        untested=tuple(
            PlanRemark(procedure=step.name, title=step.left_out.untested, remark=step.left_out.reason)
            for step in steps
            if step.left_out is not None and step.left_out.untested
        ),
        beyond_plan=tuple(PROCEDURES[name].title for name in plan_check(sheets).left_out),
        attempts=attempts(record.findings, procedure_titles),
        operator=facts.operator,
        work_order=facts.work_order,
        part=facts.part,
        modification=facts.modification,
        firmware=_firmware(facts.firmware, reports.firmware),
        ambient=f"{facts.ambient_c:g} degC" if facts.ambient_c is not None else "",
        squawk=facts.squawk,
        squawk_conditions=facts.squawk_conditions,
        squawk_reproduced=facts.squawk_reproduced,
        remark=facts.remark,
        configuration_found=reports.configuration_found,
        configuration_left=reports.configuration_left,
        configuration_differs=reports.configuration_differs,
        start=record.started,
        end=record.ended,
        bench_time_s=outcome.bench_time_s if outcome else float("nan"),
        software=f"boxproof {facts.software_version}",
        digests={f"{sheet.role} sheet {sheet.file}": sheet.digest for sheet in facts.sheets},
        instruments=tuple(
            InstrumentLine(
                name=instrument.role,
                identity=f"{instrument.maker} {instrument.model}, serial {instrument.serial}, {instrument.firmware}",
                calibration=instrument.calibration,
            )
            for instrument in record.instruments
        ),
        prompts=tuple(
            PromptLine(time_s=prompt.bench_time_s, prompt=prompt.text, answer=prompt.answer)
            for prompt in record.prompts
        ),
        seed=facts.seed,
        defects=injected_defects(facts.defects, sheets),
    )


def plan_remarks(steps: Sequence[PlannedStep]) -> tuple[PlanRemark, ...]:
    """Return what the plan check says of each step: what stands in its way, or what this bench leaves untested."""
    return tuple(
        PlanRemark(procedure=step.name, title=step.procedure.title, remark=remark)
        for step in steps
        for remark in (
            step.obstacle or step.remark,
            *(f"not tested: {sentence}" for sentence in step.needs.untested),
        )
        if remark
    )


def not_tested_reasons(
    record: Record, titles: Mapping[str, str], touched: Collection[str], steps: Sequence[PlannedStep]
) -> dict[str, str]:
    """Return, by title, why functions were not tested that procedures of the plan would have touched."""
    left_out = {f.procedure: "; ".join(f.reasons) for f in record.findings if f.verdict is Verdict.NOT_RUN}
    reasons = {}
    for name, title in titles.items():
        would = [step.name for step in steps if name in step.functions]
        if name in touched or not would:
            continue
        why = left_out.get(would[0], "left out on purpose")
        reasons[title] = f"{', '.join(would)} not run: {why}"
    return reasons


def attempts(findings: Sequence[Finding], titles: Mapping[str, str]) -> tuple[AttemptLine, ...]:
    """Return one line for every attempt at every procedure, with what its findings came to."""
    groups: dict[tuple[str, int], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.procedure, finding.attempt), []).append(finding)
    lines = []
    for (procedure, attempt), group in groups.items():
        if all(finding.verdict is Verdict.NOT_RUN for finding in group):
            verdict, cause, reason = Verdict.NOT_RUN, None, "; ".join(group[0].reasons)
        else:
            came_to = overall(group)
            verdict, cause = came_to.verdict, came_to.cause
            reason = "; ".join(reason for finding in came_to.decisive[:2] for reason in finding.reasons)
        lines.append(
            AttemptLine(
                procedure=procedure,
                title=titles.get(procedure, procedure),
                attempt=attempt,
                verdict=verdict,
                cause=cause,
                reason=reason,
            )
        )
    return tuple(lines)


def injected_defects(asked: Sequence[str], sheets: RunSheets) -> tuple[InjectedDefect, ...]:
    """Return the defects of a simulated run with their titles."""
    known = {defect.id: defect for defect in sheets.defects}
    injected = []
    for text in asked:
        name, _, severity = text.partition(":")
        defect = known.get(name)  # sheets that a record is judged by again need not list it
        title, of = (defect.title, defect.of) if defect is not None else (name, "unit or bench")
        injected.append(InjectedDefect(id=name, title=title, of=of, severity=float(severity) if severity else 1.0))
    return tuple(injected)


def bench_facts(record: Record) -> tuple[str, ...]:
    """Return sentences about the bench that are no findings: what is wrong with the record, and its notes."""
    return (*record.problems, *record.notes)


def _firmware(told: str, reported: str) -> str:
    """Return the firmware as somebody read it off the unit and as the unit reports it."""
    if told and reported:
        return f"{told} (the unit reports {reported})"
    return told or (f"{reported} (reported)" if reported else "")
