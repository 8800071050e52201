"""What every driver of a kind has to do, as checks that any test runner or a self-check of a bench can call.

A check is a plain function; it returns when the driver keeps the contract and raises `ContractViolation` when not.
Each takes a probe that looks at the instrument or the plant directly, so that a driver never confirms itself.
"""

from collections.abc import Callable

from instruments.errors import InstrumentError


class ContractViolation(AssertionError):  # noqa: N818 - it says what it is
    """A driver did not do what its capability protocol promises."""


def require(condition: bool, promise: str) -> None:
    """Raise `ContractViolation` with `promise` unless `condition` holds; unlike `assert`, never compiled away."""
    if not condition:
        raise ContractViolation(promise)


def require_raises(kind: type[InstrumentError], call: Callable[[], object], promise: str) -> str:
    """Return the message of the exception of that kind that `call` raises; `ContractViolation` where it raises none."""
    try:
        call()
    except kind as error:
        return str(error)
    raise ContractViolation(f"{promise}: {kind.__name__} is raised")
