"""Uncertainty budgets after the GUM (JCGM 100:2008): estimates that remember where their uncertainty comes from.

An `Estimate` is a value with its sensitivities to error sources. Two estimates that share a source, say the gain
error of one channel, are correlated through it, and every operation here keeps that, so nobody has to state a
correlation coefficient. Doubts travel along: what rests on a clipped reading is as doubtful as the reading.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from analysis.measurement import Component, Doubt, Measurement

T = TypeVar("T")

COVERAGE = math.erf(math.sqrt(2.0))  # 95.45 %, so that k is 2 with infinite degrees of freedom


class Pooling(StrEnum):
    """How contributions of sources in one group add up."""

    QUADRATURE = "quadrature"  # independent; one evaluation, so one number of degrees of freedom for the group
    LINEAR = "linear"  # parts of one stated bound: its halves may both stand at their worst


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source of error, with sensitivity kept by the estimates that depend on it.

    Args:
        name: what it is, as the budget prints it; identity together with `group`.
        standard_uncertainty: in the source's own unit, at least 0.
        degrees_of_freedom: at least 1; infinite for a known bound.
        group: sources that are printed and pooled as one line; by default the source alone.
        pooling: how the group's contributions add.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    group: str = ""
    pooling: Pooling = Pooling.QUADRATURE

    def __post_init__(self) -> None:
        if self.standard_uncertainty < 0.0 or self.degrees_of_freedom < 1.0:
            raise ValueError(
                f"source {self.name}: uncertainty {self.standard_uncertainty} or degrees of freedom "
                f"{self.degrees_of_freedom} are not possible"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """How an estimate depends on one source: `sensitivity` is the partial derivative."""

    source: Source
    sensitivity: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its dependence on error sources, its doubts and the captures it came from."""

    value: float
    terms: tuple[Term, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    captures: tuple[str, ...] = ()

    @property
    def components(self) -> tuple[Component, ...]:
        """The budget, one line per group of sources, largest first; contributions in the value's unit."""
        groups: dict[str, list[Term]] = {}
        for term in self.terms:
            groups.setdefault(term.source.group or term.source.name, []).append(term)
        lines = [_pooled(name, terms) for name, terms in groups.items()]
        return tuple(sorted(lines, key=lambda line: -line.contribution))

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty (JCGM 100, 5.1.2), the root sum of squares of `components`."""
        return math.hypot(*(line.contribution for line in self.components))

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom of `components`."""
        return effective_degrees_of_freedom(self.components)

    def measurement(
        self,
        *,
        id: str,  # noqa: A002, the contract's own name
        limit: str,
        title: str,
        function: str,
        quantity_unit: str,
        pins: tuple[str, ...] = (),
        notes: tuple[str, ...] = (),
        doubts: tuple[Doubt, ...] = (),
        trials: int | None = None,
    ) -> Measurement:
        """Return it as a `Measurement`, with its budget, captures and doubts; `doubts` are added to its own.

        Without a value there is no uncertainty either: both are NaN.
        """
        return Measurement(
            id=id,
            limit=limit,
            title=title,
            function=function,
            value=self.value,
            quantity_unit=quantity_unit,
            standard_uncertainty=math.nan if math.isnan(self.value) else self.standard_uncertainty,
            degrees_of_freedom=math.nan if math.isnan(self.value) else self.degrees_of_freedom,
            components=self.components,
            doubts=_merged((self.doubts, doubts)),
            captures=self.captures,
            pins=pins,
            notes=notes,
            trials=trials,
        )


def _pooled(name: str, terms: Sequence[Term]) -> Component:
    contributions = [abs(term.sensitivity) * term.source.standard_uncertainty for term in terms]
    linear = terms[0].source.pooling is Pooling.LINEAR
    return Component(
        name=name,
        contribution=math.fsum(contributions) if linear else math.hypot(*contributions),
        degrees_of_freedom=min(term.source.degrees_of_freedom for term in terms),
    )


def effective_degrees_of_freedom(components: Iterable[Component]) -> float:
    """Return u^4 / sum(u_i^4 / nu_i), Welch-Satterthwaite (JCGM 100, G.4.1); infinite where nothing limits it.

    >>> round(effective_degrees_of_freedom([
    ...     Component(name="a", contribution=0.25, degrees_of_freedom=9),
    ...     Component(name="b", contribution=0.57, degrees_of_freedom=4),
    ...     Component(name="c", contribution=0.82, degrees_of_freedom=14)]), 1)
    19.0
    """
    lines = tuple(components)
    largest = max((line.contribution for line in lines), default=0.0)
    if not largest > 0.0 or math.isinf(largest):
        return math.inf
    # Scaled by the largest, so that fourth powers of microvolts do not vanish.
    parts = [(line.contribution / largest, line.degrees_of_freedom) for line in lines]
    limiting = math.fsum(part**4 / nu for part, nu in parts)
    return math.fsum(part**2 for part, _ in parts) ** 2 / limiting if limiting > 0.0 else math.inf


def coverage_factor(degrees_of_freedom: float, coverage: float = COVERAGE) -> float:
    """Return the two-sided factor k: Student's t quantile, the normal one for infinite degrees of freedom.

    Degrees of freedom are not rounded (JCGM 100, G.4.1 allows interpolation). NaN gives NaN.

    >>> round(coverage_factor(math.inf), 6), round(coverage_factor(10.0), 2)
    (2.0, 2.28)
    """
    quantile = 0.5 * (1.0 + coverage)
    if math.isinf(degrees_of_freedom):
        return float(ndtri(quantile))
    return float(stdtrit(degrees_of_freedom, quantile))


def exact(value: float) -> Estimate:
    """Return a value without uncertainty, such as a count or a conversion factor."""
    return Estimate(value=value)


def bounded(value: float, half_width: float, name: str) -> Estimate:
    """Return a value known to lie within +/- `half_width`: u = a / sqrt(3) (JCGM 100, 4.3.7).

    Two estimates made with the same name and half-width share that error.
    """
    return Estimate(
        value=value,
        terms=(Term(source=Source(name=name, standard_uncertainty=half_width / math.sqrt(3.0)), sensitivity=1.0),),
    )


def resolved(value: float, step: float, name: str) -> Estimate:
    """Return a value read in steps: u = step / sqrt(12) (JCGM 100, F.2.2.1)."""
    return bounded(value, 0.5 * step, name)


def repeated(values: Sequence[float] | NDArray[np.float64], name: str) -> Estimate:
    """Return the mean of independent repeats: u = s / sqrt(n), n - 1 degrees of freedom (JCGM 100, 4.2.3).

    Raises:
        ValueError: fewer than two values.
    """
    return simultaneous({name: values}, name)[name]


def simultaneous(sets: Mapping[str, Sequence[float] | NDArray[np.float64]], name: str) -> dict[str, Estimate]:
    """Return the means of quantities observed together, correlated as observed (JCGM 100, 5.2.3 and H.2).

    The covariance of the means is split into independent sources, which the estimates share. Together they are one
    evaluation with n - 1 degrees of freedom.

    Args:
        sets: quantity to its n observations, the k-th of each taken together.
        name: of the evaluation, as the budget prints it; unique within what is combined later.

    Raises:
        ValueError: fewer than two observations, or unequally many.
    """
    lengths = {len(values) for values in sets.values()}
    if len(lengths) != 1 or min(lengths) < 2:
        raise ValueError(
            f"{name}: needs equally many observations of each quantity, at least two; got {sorted(lengths)}"
        )
    n = lengths.pop()
    data = np.array([np.asarray(values, dtype=np.float64) for values in sets.values()])
    means = data.mean(axis=1)
    scatter = data - means[:, None]
    # Rows of left * singular give the covariance of the means; no square of the data is ever formed.
    left, singular, _ = np.linalg.svd(scatter / math.sqrt(n * (n - 1)), full_matrices=False)
    sources = [
        Source(name=f"{name} {i + 1}", standard_uncertainty=1.0, degrees_of_freedom=n - 1, group=name)
        for i in range(len(singular))
    ]
    return {
        quantity: Estimate(
            value=float(means[row]),
            terms=tuple(
                Term(source=source, sensitivity=float(left[row, i] * singular[i])) for i, source in enumerate(sources)
            ),
        )
        for row, quantity in enumerate(sets)
    }


def combined(value: float, inputs: Iterable[tuple[Estimate, float]]) -> Estimate:
    """Return a function's value with first-order uncertainty (JCGM 100, 5.1.2 and 5.2.2).

    Args:
        value: f at the inputs' values.
        inputs: (input, partial derivative of f with respect to it) of every input.
    """
    pairs = tuple(inputs)
    sensitivities: dict[Source, float] = {}
    for estimate, derivative in pairs:
        for term in estimate.terms:
            sensitivities[term.source] = sensitivities.get(term.source, 0.0) + derivative * term.sensitivity
    return Estimate(
        value=value,
        terms=tuple(Term(source=source, sensitivity=c) for source, c in sensitivities.items()),
        doubts=_merged(estimate.doubts for estimate, _ in pairs),
        captures=_merged(estimate.captures for estimate, _ in pairs),
    )


def total(*parts: Estimate) -> Estimate:
    """Return the sum of the parts."""
    return combined(math.fsum(part.value for part in parts), ((part, 1.0) for part in parts))


def difference(minuend: Estimate, subtrahend: Estimate) -> Estimate:
    """Return `minuend` - `subtrahend`; the offset of a shared channel cancels, its gain acts on the difference."""
    return combined(minuend.value - subtrahend.value, ((minuend, 1.0), (subtrahend, -1.0)))


def product(a: Estimate, b: Estimate) -> Estimate:
    """Return a * b."""
    return combined(a.value * b.value, ((a, b.value), (b, a.value)))


def ratio(numerator: Estimate, denominator: Estimate) -> Estimate:
    """Return `numerator` / `denominator`, e.g. a resistance V / I; NaN where the denominator is 0."""
    if denominator.value == 0.0:
        return combined(math.nan, ((numerator, math.nan), (denominator, math.nan)))
    value = numerator.value / denominator.value
    return combined(value, ((numerator, 1.0 / denominator.value), (denominator, -value / denominator.value)))


def scaled(estimate: Estimate, factor: float) -> Estimate:
    """Return `estimate` times an exact factor, e.g. 100 for per cent."""
    return combined(factor * estimate.value, ((estimate, factor),))


def with_doubts(estimate: Estimate, *doubts: Doubt) -> Estimate:
    """Return `estimate` with further doubts."""
    return Estimate(
        value=estimate.value,
        terms=estimate.terms,
        doubts=_merged((estimate.doubts, doubts)),
        captures=estimate.captures,
    )


def _merged(sets: Iterable[Iterable[T]]) -> tuple[T, ...]:
    """Return everything once, in order of first appearance."""
    return tuple(dict.fromkeys(item for items in sets for item in items))
