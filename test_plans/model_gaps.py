"""What a model has not got, or has but does not show: why a procedure is left out for it. Pure look-up in the sheet."""

from test_plans.procedure import NotForModel
from test_plans.sheets import Setup


def without_function(setup: Setup, name: str) -> NotForModel | None:
    """Return why a procedure for function `name` is left out: the model has none of that name."""
    if name in {function.name for function in setup.unit.functions}:
        return None
    return NotForModel(reason=f"model {setup.unit.model} has no function {name}")


def without_dimming(setup: Setup) -> NotForModel | None:
    """Return why a dimming procedure is left out: no dimming output."""
    if setup.unit.dimming:
        return None
    return NotForModel(reason=f"model {setup.unit.model} has no dimming output")


def without_trim(setup: Setup) -> NotForModel | None:
    """Return why a trim procedure is left out: no trim output."""
    return None if setup.unit.trims else NotForModel(reason=f"model {setup.unit.model} has no trim output")


def without_discretes(setup: Setup) -> NotForModel | None:
    """Return why a procedure for discretes is left out: no discrete input."""
    if setup.unit.discretes:
        return None
    return NotForModel(reason=f"model {setup.unit.model} has no discrete input")


def without_reported_discretes(setup: Setup, untested: str = "") -> NotForModel | None:
    """Return why a procedure that reads discretes on the bus is left out; `untested` is what stays unknown by it."""
    if (missing := without_discretes(setup)) is not None:
        return missing
    if all(discrete.report for discrete in setup.unit.discretes):
        return None
    reason = f"model {setup.unit.model} reports no state of its discretes on a bus"
    return NotForModel(reason=reason, untested=untested)


def without_shown_discretes(setup: Setup) -> NotForModel | None:
    """Return why the procedure that asks a person is left out: every discrete is reported, or there is none."""
    if (missing := without_discretes(setup)) is not None:
        return missing
    if any(discrete.shown_by for discrete in setup.unit.discretes):
        return None
    return NotForModel(reason=f"model {setup.unit.model} reports its discretes on a bus, so nobody need look")


def without_limit(setup: Setup, *keys: str, of: str = "its outputs") -> NotForModel | None:
    """Return why a procedure is left out: the sheet of the model lacks a limit that it measures against, `of` what."""
    missing = [key for key in keys if key not in setup.unit.limits]
    if not missing:
        return None
    return NotForModel(
        reason=f"the sheet of model {setup.unit.model} gives no {' and no '.join(missing)}",
        untested=f"{', '.join(missing)} of {of}",
    )
