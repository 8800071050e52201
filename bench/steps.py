"""Which steps of a plan a run takes: all of them, or what `--only` names with everything it waits for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bench.errors import UsageError
from test_plans.procedure import Needs, Procedure
from test_plans.sheets import Setup, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step ready to be taken; `obstacle` says why this bench can't, "" where it can."""

    step: Step
    procedure: Procedure
    setup: Setup
    needs: Needs
    obstacle: str = ""
    remark: str = ""

    @property
    def name(self) -> str:
        """The procedure's name."""
        return self.step.procedure

    @property
    def functions(self) -> tuple[str, ...]:
        """The functions of the unit it touches."""
        return self.procedure.functions(self.setup)


CLOSING_PROCEDURE = "discharge"


def choose(steps: Sequence[PlannedStep], only: str | None) -> tuple[PlannedStep, ...]:
    """Return the steps to take, in the plan's order.

    `only` names a procedure or a function; what its steps are gated by comes along, and so does the discharge.

    Raises:
        UsageError: `only` names neither.
    """
    if only is None:
        return tuple(steps)
    by_name = {step.name: step for step in steps}
    named = [step.name for step in steps if only == step.name or only in step.functions]
    if not named:
        functions = sorted({function for step in steps for function in step.functions})
        raise UsageError(
            f"--only {only}: no procedure and no function of this plan has that name. "
            f"Procedures: {', '.join(by_name)}. Functions: {', '.join(functions)}."
        )
    wanted = _with_gates(named, by_name)
    if CLOSING_PROCEDURE in by_name:
        wanted.add(CLOSING_PROCEDURE)
    return tuple(step for step in steps if step.name in wanted)


def _with_gates(names: Sequence[str], by_name: Mapping[str, PlannedStep]) -> set[str]:
    wanted: set[str] = set()
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name not in wanted and name in by_name:
            wanted.add(name)
            waiting.extend(by_name[name].step.gated_by)
    return wanted
