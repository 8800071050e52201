"""Linearity of a staircase: differential and integral, end-point, and whether it is monotonic.

Vocabulary of IEEE Std 1241 for converters: a step of the ideal line between the two ends is one LSB, here of whatever
unit the levels have. DNL_k = (y_k+1 - y_k) / LSB - 1 and INL_k = (y_k - y_0) / LSB - k, so INL is the running sum of
DNL. A DNL at or below -1 LSB is a step that does not rise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.line_fit import fit_line

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Linearity of n levels.

    Args:
        lsb: one step of the end-point line, in the levels' unit; negative for a falling staircase.
        dnl: in LSB, shape (n - 1,).
        inl: in LSB, shape (n,); 0 at both ends.
        best_slope: of the least-squares line over the step number, in the levels' unit per step.
        best_offset: its level at step 0.
        best_residual: largest magnitude of level less that line.
    """

    lsb: float
    dnl: NDArray[np.float64]
    inl: NDArray[np.float64]
    best_slope: float
    best_offset: float
    best_residual: float

    @property
    def monotonic(self) -> bool:
        """Whether every step of the staircase goes on; for exact levels, noisy ones have `steps_back`."""
        return bool((self.dnl > -1.0).all())

    @property
    def worst_inl(self) -> float:
        """INL of largest magnitude, with its sign, in LSB."""
        return float(self.inl[np.argmax(np.abs(self.inl))])

    @property
    def worst_dnl(self) -> float:
        """DNL of largest magnitude, with its sign, in LSB."""
        return float(self.dnl[np.argmax(np.abs(self.dnl))])


def linearity(levels: Sequence[float] | NDArray[np.float64]) -> Linearity:
    """Return the linearity of levels taken at even steps of the input.

    Args:
        levels: shape (n,), n at least 3.

    Raises:
        ValueError: fewer than three levels, one that is no number, or both ends alike.

    >>> found = linearity([0.0, 1.0, 2.2, 3.0])
    >>> round(found.worst_inl, 3), found.monotonic
    (0.2, True)
    """
    values = np.asarray(levels, dtype=np.float64)
    if len(values) < 3 or not np.isfinite(values).all():
        raise ValueError(f"linearity: wants three levels or more, all of them numbers; got {values.tolist()}")
    lsb = float(values[-1] - values[0]) / (len(values) - 1)
    if lsb == 0.0:
        raise ValueError("linearity: both ends of the staircase are alike, so it has no step to measure by")
    steps = np.arange(len(values), dtype=np.float64)
    best = fit_line(steps, values)
    return Linearity(
        lsb=lsb,
        dnl=np.diff(values) / lsb - 1.0,
        inl=(values - values[0]) / lsb - steps,
        best_slope=best.slope,
        best_offset=best.offset,
        best_residual=best.worst_residual,
    )


def steps_back(
    levels: Sequence[float] | NDArray[np.float64],
    standard_uncertainty: float,
    *,
    coverage_factor: float = COVERAGE_FACTOR,
) -> NDArray[np.int64]:
    """Return the steps k, from level k to k + 1, that surely fall: by more than k sqrt(2) u.

    sqrt(2) u is the uncertainty of a difference of two independent levels; a smaller fall may be noise. NaN falls
    nowhere.

    Args:
        levels: of a staircase that should rise, shape (n,).
        standard_uncertainty: u of one level, apart from what all levels share; the levels' unit.
        coverage_factor: how many uncertainties make it sure.
    """
    falls = -np.diff(np.asarray(levels, dtype=np.float64))
    return np.flatnonzero(falls > coverage_factor * math.sqrt(2.0) * standard_uncertainty).astype(np.int64)
