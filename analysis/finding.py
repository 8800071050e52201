"""A limit, and the finding that comes of holding a result against it: plain data, no arithmetic."""

import math
from dataclasses import dataclass
from enum import StrEnum

from analysis.verdict import Cause, Verdict


class LimitKind(StrEnum):
    """How a limit may be applied."""

    SPECIFICATION = "specification"
    TEST_LIMIT = "test_limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A tolerance interval with its source; an open side is -inf or inf."""

    id: str
    quantity_unit: str
    source: str
    date: str
    low: float = -math.inf
    high: float = math.inf
    nominal: float = math.nan
    kind: LimitKind = LimitKind.SPECIFICATION
    worst_case: bool = False  # a latency limit that speaks of the worst case, so needs 59 trials (95/95)

    def __post_init__(self) -> None:
        if math.isnan(self.low) or math.isnan(self.high) or self.low >= self.high:
            raise ValueError(f"limit {self.id}: low {self.low} is not below high {self.high}")
        if math.isinf(self.low) and math.isinf(self.high):
            raise ValueError(f"limit {self.id}: open on both sides")

    @property
    def quoted(self) -> str:
        """Source and date as a finding quotes them: "wiring drawing 12, 2026-11-25"."""
        return f"{self.source}, {self.date}" if self.date else self.source


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judged result; the fields the JSON output and the record carry, in that order.

    Logical findings carry `trials` and no uncertainty (value, u, limits are NaN). `margin` is the signed
    distance to the nearer limit in the measured unit, `margin_percent` the same in per cent of what is
    allowed (of the limit itself where it is one-sided, of half the interval where it is two-sided).
    Of a procedure that was taken over and over the rate at which it fails lies between `rate_low` and `rate_high` at
    95 %, or, one-sided, below `rate_bound`; NaN of any other.
    """

    id: str
    procedure: str
    function: str
    title: str
    verdict: Verdict
    cause: Cause | None
    value: float = math.nan
    quantity_unit: str = ""
    standard_uncertainty: float = math.nan
    degrees_of_freedom: float = math.nan
    low: float = math.nan
    high: float = math.nan
    margin: float = math.nan
    margin_percent: float = math.nan
    rule: str = ""
    conformity_probability: float = math.nan
    limit_id: str = ""
    limit_source: str = ""
    capture: str = ""
    captures: tuple[str, ...] = ()
    attempt: int = 1
    trials: int | None = None
    failures: int | None = None
    rate_low: float = math.nan
    rate_high: float = math.nan
    rate_bound: float = math.nan
    expanded_uncertainty: float = math.nan
    reasons: tuple[str, ...] = ()
    next_step: str = ""
    pins: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    mandatory: bool = True
