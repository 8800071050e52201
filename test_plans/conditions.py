"""Conditions of a plan step by key, with the default a procedure's physics suggests.

The sheets' reader has checked keys and units; a wrong type here is a programming error and says so.
"""

from analysis.finding import Limit
from test_plans.sheets import Setup

RESERVE = 1.4  # current limit over what a conforming unit may draw; 1.3 is the least that the plan check takes


def number(setup: Setup, key: str, default: float) -> float:
    """Return condition `key` as a number, or `default` where the step does not give it.

    Raises:
        TypeError: the condition is there and is no number.
    """
    value = setup.step.conditions.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"plan {setup.plan.name}, step {setup.step.procedure}: {key} must be a number, not {value!r}")
    return float(value)


def count(setup: Setup, key: str, default: int) -> int:
    """Return condition `key` as a whole number."""
    return round(number(setup, key, default))


def text(setup: Setup, key: str, default: str) -> str:
    """Return condition `key` as text.

    Raises:
        TypeError: the condition is there and is no text.
    """
    value = setup.step.conditions.get(key, default)
    if not isinstance(value, str):
        raise TypeError(f"plan {setup.plan.name}, step {setup.step.procedure}: {key} must be text, not {value!r}")
    return value


def names(setup: Setup, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
    """Return condition `key` as a tuple of names.

    Raises:
        TypeError: the condition is there and is no list of names.
    """
    value = setup.step.conditions.get(key, default)
    if not isinstance(value, tuple):
        raise TypeError(f"plan {setup.plan.name}, step {setup.step.procedure}: {key} must be a list, not {value!r}")
    return value


def bus_voltage_v(setup: Setup) -> float:
    """Return the bus voltage this step is run at: condition `voltage_v`, else the model's nominal one."""
    return number(setup, "voltage_v", setup.unit.nominal_voltage_v)


class MissingFigureError(LookupError):
    """The unit sheet lacks a figure that a step of the plan needs: `key` names it as it stands in the file."""

    def __init__(self, what: str, key: str) -> None:
        self.key = key
        super().__init__(what)


def conforming_a(setup: Setup, condition: str) -> float:
    """Return what a conforming unit may draw in a condition of the unit sheet's `[conforming-current]`.

    Raises:
        MissingFigureError: the sheet does not say; reading it as nothing would make any current limit adequate.
    """
    known = setup.unit.conforming_current_a
    if condition not in known:
        what = (
            f"step {setup.step.procedure}: the sheet of model {setup.unit.model} does not say what a conforming unit "
            f"draws in condition {condition}; it has {', '.join(known) or 'none'}"
        )
        raise MissingFigureError(what, f"conforming-current.{condition}")
    return known[condition]


def required_limit(setup: Setup, key: str) -> Limit:
    """Return a limit that a procedure takes its own figures from.

    Raises:
        MissingFigureError: the sheet has no such limit.
    """
    limit = setup.unit.limits.get(key)
    if limit is None:
        what = f"step {setup.step.procedure}: the sheet of model {setup.unit.model} has no limit {key}"
        raise MissingFigureError(what, f"limits.{key}")
    return limit


def current_limit_a(setup: Setup, condition: str, default_a: float) -> float:
    """Return the supply's current limit: condition `current_limit_a`, else 1.4 times what a good unit may draw."""
    conforming_a = setup.unit.conforming_current_a.get(condition)
    return number(setup, "current_limit_a", default_a if conforming_a is None else round(RESERVE * conforming_a, 3))
