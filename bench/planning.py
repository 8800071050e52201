"""A plan made ready: every step with its procedure, setup and needs, held against the bench."""

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
                    Problem(f"step {step.procedure}", obstacle.key, obstacle.what, f"needed: {obstacle.remedy}")
                    for obstacle in checked.obstacles
                    if obstacle.key
                ),
            )
        )
    return tuple(planned)
