"""What a bench can do of a plan, said before anything is energised: what each step lacks, and how long it takes.

Pure: from what procedures declare (`Needs`), the unit sheet and the bench sheet. It never opens an instrument.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from bench.obstacles import (
    Cost,
    Obstacle,
    airspeed_obstacles,
    captured_bytes,
    limit_obstacle,
    power_obstacles,
    sampling_obstacles,
    volume_obstacles,
    wiring_obstacles,
)
from bench.sheets.bench_sheet import BenchSheet
from bench.worth import COVERAGE_FACTOR, Worth
from test_plans.conditions import MissingFigureError
from test_plans.procedure import Needs, NotForModel, Procedure, Selective
from test_plans.sheets import AircraftSheet, Plan, Setup, Step, UnitSheet, as_fitted

SCHEMA_VERSION = 1
_CHEAPEST_FIRST = tuple(Cost)
NO_NEEDS = Needs(bench_time_s=0.0)


class Ability(StrEnum):
    """What a bench can do of a step."""

    CAN = "can"
    NOT_FOR_MODEL = "not for this model"
    WITH_LARGER_UNCERTAINTY = "can with larger uncertainty"
    CANT = "can't"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCheck:
    """One step held against the bench."""

    procedure: str
    title: str
    stage: str
    functions: tuple[str, ...]
    bench_time_s: float
    capture_bytes: int
    obstacles: tuple[Obstacle, ...] = ()
    worths: tuple[Worth, ...] = ()  # of every limit, what its measurement is worth here
    left_out: NotForModel | None = None
    needs: Needs = NO_NEEDS  # of a step that is left out, or that a sheet says too little of
    leaves_untested: tuple[str, ...] = ()  # what of its characteristic it can't show here, in sentences

    @property
    def remarks(self) -> tuple[str, ...]:
        """Limits that are measured with little to spare, in words."""
        return tuple(worth.remark for worth in self.worths if worth.remark)

    @property
    def tightest(self) -> Worth | None:
        """The limit with least room for its uncertainty; None where nothing is held against a limit."""
        return min(self.worths, key=lambda worth: worth.ratio, default=None)

    @property
    def ability(self) -> Ability:
        """What the bench can do of it."""
        if self.left_out is not None:
            return Ability.NOT_FOR_MODEL
        if self.obstacles:
            return Ability.CANT
        return Ability.WITH_LARGER_UNCERTAINTY if self.remarks else Ability.CAN

    @property
    def cheapest_missing(self) -> str:
        """The remedy that costs least among those needed, "" where nothing is missing."""
        if not self.obstacles:
            return ""
        return min(self.obstacles, key=lambda obstacle: _CHEAPEST_FIRST.index(obstacle.cost)).remedy

    @property
    def obstacle(self) -> str:
        """Everything that stands in the way and the cheapest thing missing, in one sentence; "" where nothing does."""
        if not self.obstacles:
            return ""
        reasons = "; ".join(obstacle.what for obstacle in self.obstacles)
        return f"this bench can't: {reasons}. Cheapest thing missing: {self.cheapest_missing}."

    def to_json(self) -> dict[str, object]:
        """Return it as plain values."""
        return {
            "procedure": self.procedure,
            "title": self.title,
            "stage": self.stage,
            "functions": list(self.functions),
            "ability": self.ability.value,
            "bench_time_s": self.bench_time_s,
            "capture_bytes": self.capture_bytes,
            "obstacles": [{"what": o.what, "remedy": o.remedy, "cost": o.cost.value} for o in self.obstacles],
            "cheapest_missing": self.cheapest_missing,
            "remarks": list(self.remarks),
            "expected_uncertainties": [worth.to_json() for worth in self.worths],
            "left_out": self.left_out.reason if self.left_out else "",
            "untested": self.left_out.untested if self.left_out else "",
            "leaves_untested": list(self.leaves_untested),
            "profiles": [
                {
                    "profile": way.profile,
                    "means": way.means.value if way.means else "",
                    "lacking": way.lacking,
                    "cheapest_missing": way.remedy,
                }
                for way in self.needs.ways
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanCheck:
    """A plan held against a bench."""

    plan: str
    bench: str
    model: str
    steps: tuple[StepCheck, ...]
    not_tested: tuple[str, ...]  # functions of the unit that no step that can be done touches
    left_out: tuple[str, ...]  # procedures that the plan does without, though they look at functions it touches
    partial: bool  # whether it leaves out so much, by design, that no run of it can read as acceptance

    @property
    def bench_time_s(self) -> float:
        """Bench time of the steps that can be done."""
        return math.fsum(step.bench_time_s for step in self.steps if step.ability is not Ability.CANT)

    def to_json(self) -> dict[str, object]:
        """Return it as plain values."""
        return {
            "schema_version": SCHEMA_VERSION,
            "plan": self.plan,
            "bench": self.bench,
            "model": self.model,
            "bench_time_s": self.bench_time_s,
            "procedures": [step.to_json() for step in self.steps],
            "not_tested": list(self.not_tested),
            "left_out_procedures": list(self.left_out),
            "partial": self.partial,
        }


def setup_for(step: Step, *, unit: UnitSheet, aircraft: AircraftSheet, plan: Plan, bench: BenchSheet) -> Setup:
    """Return what a procedure is given for one step of a plan."""
    return Setup(unit=as_fitted(unit, aircraft), aircraft=aircraft, plan=plan, step=step, bench=bench.facts)


def check_plan(
    plan: Plan, procedures: Mapping[str, Procedure], *, unit: UnitSheet, aircraft: AircraftSheet, bench: BenchSheet
) -> PlanCheck:
    """Return every step of a plan held against a bench.

    Raises:
        KeyError: the plan names a procedure that `procedures` lacks; its loader refuses such a plan.
    """
    steps: list[StepCheck] = []
    plan_bytes = 0
    for step in plan.steps:
        setup = setup_for(step, unit=unit, aircraft=aircraft, plan=plan, bench=bench)
        checked = check_step(procedures[step.procedure], setup, bench, bytes_before=plan_bytes)
        plan_bytes += checked.capture_bytes
        steps.append(_waiting(checked, step, steps))
    touched = {name for step in steps if step.ability is not Ability.CANT for name in step.functions}
    planned = {step.procedure for step in steps}
    others = (
        (procedure, setup_for(_unplanned(name), unit=unit, aircraft=aircraft, plan=plan, bench=bench))
        for name, procedure in procedures.items()
        if name not in planned
    )
    return PlanCheck(
        plan=plan.name,
        bench=bench.name,
        model=unit.model,
        steps=tuple(steps),
        not_tested=tuple(function.name for function in unit.functions if function.name not in touched),
        left_out=tuple(
            procedure.name
            for procedure, setup in others
            if not (isinstance(procedure, Selective) and procedure.not_for_model(setup))
            and touched.intersection(procedure.functions(setup))
        ),
        partial=plan.partial,
    )


def _unplanned(procedure: str) -> Step:
    """Return a step that no plan has: only to ask a procedure what it would look at."""
    return Step(procedure=procedure, stage="final", gated_by=())


def needs_of(procedure: Procedure, setup: Setup) -> Needs:
    """Return what a procedure needs for this model: of a bus nothing where the model has none."""
    needs = procedure.needs(setup)
    return needs if setup.unit.bus.reports else replace(needs, bus=False)


def worth_of(unit: UnitSheet, key: str, standard_uncertainty: float) -> Worth | None:
    """Return what a measurement is worth against the limit `key`; None where the unit sheet has no such limit."""
    limit = unit.limits.get(key)
    return None if limit is None else Worth(limit=limit, expanded_uncertainty=COVERAGE_FACTOR * standard_uncertainty)


def _waiting(checked: StepCheck, step: Step, before: Sequence[StepCheck]) -> StepCheck:
    """Return the step with what it waits for and this bench can't do, so that it can't be done either."""
    gates = [other for other in before if other.procedure in step.gated_by and checked.needs.waits_for(other.needs)]
    missing = [other for other in gates if other.ability is Ability.CANT]
    obstacles = tuple(
        Obstacle(what=f"waits for {other.procedure}", remedy=other.cheapest_missing, cost=Cost.WIRE)
        for other in missing
    )
    return replace(checked, obstacles=(*checked.obstacles, *obstacles))


def lasts_s(step: Step, needs: Needs) -> float:
    """Return the bench time a step takes at most, with all its tries."""
    return step.repeat.lasts_s(needs.bench_time_s) if step.repeat is not None else needs.bench_time_s


def check_step(procedure: Procedure, setup: Setup, bench: BenchSheet, *, bytes_before: int = 0) -> StepCheck:
    """Return one step held against a bench; `bytes_before` is what earlier steps of the plan capture."""
    left_out = procedure.not_for_model(setup) if isinstance(procedure, Selective) else None
    if left_out is not None:
        return StepCheck(
            procedure=procedure.name,
            title=procedure.title,
            stage=setup.step.stage,
            functions=(),
            bench_time_s=0.0,
            capture_bytes=0,
            left_out=left_out,
        )
    try:
        needs = needs_of(procedure, setup)
    except MissingFigureError as error:
        remedy = f"{error.key} in the unit sheet"
        return StepCheck(
            procedure=procedure.name,
            title=procedure.title,
            stage=setup.step.stage,
            functions=procedure.functions(setup),
            bench_time_s=0.0,
            capture_bytes=0,
            obstacles=(Obstacle(what=str(error), remedy=remedy, cost=Cost.FIGURE, key=error.key),),
        )
    capture_bytes = captured_bytes(needs)
    obstacles = [
        *sampling_obstacles(needs, bench),
        *volume_obstacles(needs, bytes_before + capture_bytes),
        *wiring_obstacles(needs, bench),
        *airspeed_obstacles(needs, setup.unit, bench),
        *power_obstacles(needs, bench),
    ]
    worths = {key: worth_of(setup.unit, key, standard_uncertainty) for key, standard_uncertainty in needs.limits}
    found = (limit_obstacle(key, worth) for key, worth in worths.items())
    obstacles += [obstacle for obstacle in found if obstacle is not None]
    return StepCheck(
        procedure=procedure.name,
        title=procedure.title,
        stage=setup.step.stage,
        functions=procedure.functions(setup),
        needs=needs,
        bench_time_s=lasts_s(setup.step, needs),
        capture_bytes=capture_bytes,
        obstacles=tuple(dict.fromkeys(obstacles)),
        worths=tuple(worth for worth in worths.values() if worth is not None),
        leaves_untested=needs.untested,
    )
