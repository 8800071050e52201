"""Mean and scatter of samples that come block by block, as numerically sound as two passes over all of them.

Each block's squares are taken about the block's own mean and blocks are merged pairwise: Chan, Golub, LeVeque,
"Updating formulae and a pairwise algorithm for computing sample variances" (1979). Sums of squares about zero would
lose every digit where the mean is large beside the scatter, and give a negative variance on NIST's NumAcc4.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Moments:
    """Number, mean, and sum of squares about the mean; of no samples the mean is 0 and counts for nothing."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0

    @property
    def sd(self) -> float:
        """Standard deviation of the samples, n - 1 degrees of freedom; NaN for fewer than two."""
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else math.nan

    def merged(self, other: "Moments") -> "Moments":
        """Return the moments of both sets of samples together."""
        n = self.n + other.n
        if not self.n or not other.n:
            return self if self.n else other
        apart = other.mean - self.mean
        return Moments(
            n,
            self.mean + apart * other.n / n,
            self.squares + other.squares + apart * apart * self.n * other.n / n,
        )


def moments(block: NDArray[np.float64]) -> Moments:
    """Return the moments of one block of samples, shape (n,)."""
    n = len(block)
    if not n:
        return Moments()
    mean = float(block.mean())
    about = block - mean
    left = float(about.sum())  # what rounding left of the mean
    squares = float(np.square(about).sum()) - left * left / n  # no dot product: BLAS would start threads for it
    return Moments(n, mean + left / n, max(squares, 0.0))  # in this order NaN stays NaN


def merged(parts: Sequence[Moments]) -> Moments:
    """Return the moments of all parts together; two halves at a time, so that rounding grows with their logarithm."""
    if len(parts) < 2:
        return parts[0] if parts else Moments()
    half = len(parts) // 2
    return merged(parts[:half]).merged(merged(parts[half:]))
