"""Random numbers that depend on what they are for, never on when they are drawn; and the drawing of good units.

Each number comes from a Philox generator keyed by the seed and a text, so adding a component, or asking in
another order, changes nothing else.
"""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from instruments.simulated.philox import PhiloxStream

MOST_TRIES = 1000
_STREAM = PhiloxStream()


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantitySpec:
    """How one quantity of good units is spread: normal, cut to [low, high]; `sd` 0 gives the nominal."""

    nominal: float
    sd: float = 0.0
    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self) -> None:
        if not self.low <= self.nominal <= self.high:
            raise ValueError(f"nominal {self.nominal} is outside {self.low} to {self.high}")
        if self.sd < 0.0:
            raise ValueError(f"standard deviation {self.sd} is negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedCheck:
    """`minuend` - `subtrahend` must lie in [low, high], or both are drawn again."""

    minuend: str
    subtrahend: str
    low: float = -math.inf
    high: float = math.inf


def keyed_uniform(low: float, high: float, seed: int, *parts: str | int) -> float:
    """Return one number, uniform in [low, high), that depends on the seed and the parts alone."""
    return low + (high - low) * float(_STREAM.at(_key(seed, *parts)).random())


def _key(seed: int, *parts: str | int) -> int:
    text = "\x1f".join(str(part) for part in (seed, *parts))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=16).digest(), "little")


def draw_unit(seed: int, specs: Mapping[str, QuantitySpec], derived: Sequence[DerivedCheck] = ()) -> dict[str, float]:
    """Draw a good unit: every quantity inside its own bounds, every derived check held.

    Args:
        seed: the unit's seed.
        specs: flat name (`unit.quiescent_a`) to its spread, each in the SI unit its name says.
        derived: differences that must hold as well; both quantities of one that does not are drawn again.

    Returns:
        Flat name to value, names in the order of `specs`.

    Raises:
        ValueError: a check names an unknown quantity, or bounds are so narrow that no draw falls inside.
    """
    for check in derived:
        for name in (check.minuend, check.subtrahend):
            if name not in specs:
                raise ValueError(f"derived check: {name} is no drawn quantity. Give it a spread or drop the check.")
    tries = dict.fromkeys(specs, 0)
    quantities = {name: _draw_inside(seed, name, spec, tries) for name, spec in specs.items()}
    while broken := [check for check in derived if not _holds(check, quantities)]:
        for name in dict.fromkeys(name for check in broken for name in (check.minuend, check.subtrahend)):
            quantities[name] = _draw_inside(seed, name, specs[name], tries)
    return quantities


def apply_defect(
    quantities: Mapping[str, float],
    specs: Mapping[str, QuantitySpec],
    name: str,
    deviation: float,
    severity: float,
) -> dict[str, float]:
    """Return the quantities with `name` replaced by its nominal plus severity times deviation.

    Raises:
        ValueError: `name` has no spread, so no nominal to deviate from.
    """
    if name not in specs:
        raise ValueError(f"defect: {name} is no drawn quantity. Check the name against the unit sheet.")
    return {**quantities, name: specs[name].nominal + severity * deviation}


def _holds(check: DerivedCheck, quantities: Mapping[str, float]) -> bool:
    return check.low <= quantities[check.minuend] - quantities[check.subtrahend] <= check.high


def _draw_inside(seed: int, name: str, spec: QuantitySpec, tries: dict[str, int]) -> float:
    while tries[name] < MOST_TRIES:
        tries[name] += 1
        value = spec.nominal + spec.sd * float(_STREAM.at(_key(seed, name, tries[name])).standard_normal())
        if spec.low <= value <= spec.high:
            return value
    raise ValueError(
        f"{name}: no draw in {MOST_TRIES} fell inside {spec.low} to {spec.high} with every derived check held. "
        "Widen the bounds, reduce the spread or correct the check."
    )
