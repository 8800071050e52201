"""The one way out: every step towards a safe bench is tried, whatever another one did, and what failed is named."""

from collections.abc import Callable, Sequence

from bench.errors import UnsafeError


def take_every_step(steps: Sequence[tuple[str, Callable[[], None]]]) -> None:
    """Take all steps in order; each is (the state it leads to, in words; what leads to it).

    Raises:
        UnsafeError: a step failed or can't be read back: that state is unknown, and each is named.
    """
    problems: list[str] = []
    for what, step in steps:
        try:
            step()
        except Exception as error:  # noqa: BLE001  (whatever one step does, every other one is tried)
            problems.append(f"{what}: unknown ({error})")
    if problems:
        raise UnsafeError(tuple(problems))
