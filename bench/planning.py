"""A plan made ready: every step with its procedure, setup and needs, held against the bench."""

from collections.abc import Iterable
from dataclasses import replace

from bench.errors import Problem
from bench.plan_check import PlanCheck, check_plan, setup_for
from bench.run_sheets import RunSheets
from bench.steps import PlannedStep
from test_plans.registry import PROCEDURES


def plan_check(sheets: RunSheets) -> PlanCheck:
    """Return the plan held against the bench."""
    return check_plan(sheets.plan, PROCEDURES, unit=sheets.unit, aircraft=sheets.aircraft, bench=sheets.bench)


def plan_steps(sheets: RunSheets, check: PlanCheck | None = None) -> tuple[PlannedStep, ...]:
    """Return all steps of the plan in order; what the bench can't do carries its obstacle.

    `check` is what `plan_check` gave, where the caller has asked it already.
    """
    planned = []
    for step, checked in zip(sheets.plan.steps, (check or plan_check(sheets)).steps, strict=True):
        procedure = PROCEDURES[step.procedure]
        setup = setup_for(step, unit=sheets.unit, aircraft=sheets.aircraft, plan=sheets.plan, bench=sheets.bench)
        planned.append(
            PlannedStep(
                step=step,
                procedure=procedure,
                setup=setup,
                needs=checked.needs,
                left_out=checked.left_out,
                obstacle=checked.obstacle,
                remark="; ".join(checked.remarks),
                faults=tuple(
                    Problem(
                        _sheet_of(obstacle.key, sheets),
                        obstacle.key,
                        f"step {step.procedure}: {obstacle.what}",
                        f"needed: {obstacle.remedy}",
                    )
                    for obstacle in checked.obstacles
                    if obstacle.key
                ),
            )
        )
    return tuple(planned)


def faults_by_key(steps: Iterable[PlannedStep]) -> tuple[Problem, ...]:
    """Return what verify refuses, one problem for each key of a sheet: the first step's, and how many more."""
    by_key: dict[tuple[str, str], list[Problem]] = {}
    for step in steps:
        for fault in step.faults:
            by_key.setdefault((fault.file, fault.key), []).append(fault)
    return tuple(
        replace(first, what=f"{first.what}, and {len(more)} more like it") if more else first
        for first, *more in by_key.values()
    )


def _sheet_of(key: str, sheets: RunSheets) -> str:
    """Return the file in which a key stands that a step goes beyond."""
    table = key.partition(".")[0]
    role = {"conditions": "plan", "steps": "plan", "limits": "unit", "conforming-current": "unit"}.get(table, "bench")
    return next(copy.file for copy in sheets.copies if copy.role == role)
