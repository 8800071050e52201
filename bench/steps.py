"""Which steps of a plan a run takes: all of them, or what `--only` names with everything it waits for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bench.errors import Problem, Refusals, UsageError
from bench.records.serial_number import clean_text
from test_plans.procedure import Needs, NotForModel, Procedure
from test_plans.sheets import Setup, Step

CLOSING_PROCEDURE = "discharge"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step ready to be taken; `obstacle` says why this bench can't, "" where it can."""

    step: Step
    procedure: Procedure
    setup: Setup
    needs: Needs
    obstacle: str = ""
    remark: str = ""
    left_out: NotForModel | None = None  # why it is not for this model
    faults: tuple[Problem, ...] = ()  # what of it goes beyond a figure of a sheet

    @property
    def name(self) -> str:
        """The procedure's name."""
        return self.step.procedure

    @property
    def functions(self) -> tuple[str, ...]:
        """The functions of the unit it touches."""
        return () if self.left_out else self.procedure.functions(self.setup)

    @property
    def function(self) -> str:
        """The first of them, "" where it touches none."""
        return next(iter(self.functions), "")

    @property
    def closing(self) -> bool:
        """Whether it leaves the bench safe: taken in every run, and no part of what is proved."""
        return self.name == CLOSING_PROCEDURE

    @property
    def proves_bench(self) -> bool:
        """Whether it looks at the bench alone, with the unit unplugged."""
        return not self.closing and self.left_out is None and not self.functions


def choose(steps: Sequence[PlannedStep], only: Sequence[str]) -> tuple[PlannedStep, ...]:
    """Return the steps to take, in the plan's order: all that are for this model where `only` is empty.

    `only` names procedures or functions; what their steps are gated by comes along, and so does the discharge.

    Raises:
        UsageError: names that are neither, or procedures that are not for this model; all of them.
    """
    left_out = {step.name: step.left_out.reason for step in steps if step.left_out is not None}
    by_name = {step.name: step for step in steps if step.left_out is None}
    if not only:
        return tuple(by_name.values())
    functions = sorted({function for step in by_name.values() for function in step.functions})
    refusals = Refusals()
    named: list[str] = []
    for name in only:
        meant = [step.name for step in by_name.values() if name == step.name or name in step.functions]
        if name in left_out:
            refusals.add(UsageError(f"--only {name}: it is not for this model: {left_out[name]}."))
        elif not meant:
            refusals.add(
                UsageError(
                    f"--only {clean_text(name, 80)}: no procedure of this plan has that name, and none tests such a "
                    f"function. Procedures: {', '.join(by_name)}. Functions: {', '.join(functions)}."
                )
            )
        named += meant
    if refusals:
        raise refusals.all()
    wanted = _with_gates(named, by_name)
    wanted |= {step.name for step in by_name.values() if step.closing}
    return tuple(step for step in by_name.values() if step.name in wanted)


def _with_gates(names: Sequence[str], by_name: Mapping[str, PlannedStep]) -> set[str]:
    wanted: set[str] = set()
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name not in wanted and name in by_name:
            wanted.add(name)
            waiting.extend(by_name[name].step.gated_by)
    return wanted
