"""The least-squares straight line, by centred sums: what is fitted is y = offset + slope x, x without error.

Centred, the sums lose no digits to a mean that is large beside the spread. NIST's certified Norris line comes out to
more than 12 digits (tests).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """A fitted line.

    Args:
        offset: at x = 0, in y's unit.
        slope: in y's unit per x's.
        u_offset, u_slope: standard uncertainties from the residues alone; NaN for two points.
        residual_sd: of the residues, n - 2 degrees of freedom, in y's unit; NaN for two points.
        worst_residual: largest magnitude of y less the line.
    """

    offset: float
    slope: float
    u_offset: float
    u_slope: float
    residual_sd: float
    worst_residual: float


def fit_line(x: Samples, y: Samples) -> LineFit:
    """Return the line through points of shape (n,).

    Raises:
        ValueError: fewer than two points, x and y of unlike length, or all x alike.

    >>> fit_line(np.array([1.0, 2.0, 3.0]), np.array([3.0, 5.0, 7.0])).slope
    2.0
    """
    n = len(x)
    if n < 2 or len(y) != n:
        raise ValueError(f"fit_line: wants as many x as y, two or more of each; got {n} and {len(y)}")
    mean_x, mean_y = float(x.mean()), float(y.mean())
    from_x, from_y = x - mean_x, y - mean_y
    spread = float(from_x @ from_x)
    if spread == 0.0:
        raise ValueError(f"fit_line: all x are {mean_x:g}: no line")
    slope = float(from_x @ from_y) / spread
    residues = from_y - slope * from_x
    sd = math.sqrt(float(residues @ residues) / (n - 2)) if n > 2 else math.nan
    return LineFit(
        offset=mean_y - slope * mean_x,
        slope=slope,
        u_offset=sd * math.sqrt(1.0 / n + mean_x**2 / spread),
        u_slope=sd / math.sqrt(spread),
        residual_sd=sd,
        worst_residual=float(np.abs(residues).max()),
    )
