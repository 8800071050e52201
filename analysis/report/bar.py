"""The position bar: where a value lies within its limits, as a small drawing that needs no colour.

Not allowed is hatched, allowed is blank, a limit is a tall line; the value is a diamond on a thick stroke that
spans the expanded uncertainty. What lies off the drawing is shown by an arrow head at its edge. A pure SVG
builder: coordinates in, text out, no ids, so that any number of bars may share a page.
"""

import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

from analysis.finding import Finding

WIDTH = 150.0
HEIGHT = 14.0
MIDDLE = HEIGHT / 2.0
TOP = 2.0
BOTTOM = HEIGHT - 2.0

# Where limits stand, as fractions of the width: a two-sided interval fills the middle half.
TWO_SIDED_LOW = 0.25
TWO_SIDED_HIGH = 0.75
ONE_SIDED_HIGH = 0.75
ONE_SIDED_LOW = 0.25

FINEST_SCALE = sys.float_info.min  # a scale below it would be rounded to nothing

HATCH_STEP = 4.0
ARROW = 8.0


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale: quantity `zero` stands at x = 0, and one drawing unit is `per_unit` of quantity."""

    zero: float
    per_unit: float

    def x(self, value: float) -> float:
        """Return where `value` stands, unclipped, in drawing units."""
        return (value - self.zero) / self.per_unit


@dataclass(frozen=True, slots=True)
class BarGeometry:
    """Everything the drawing shows, in drawing units; None where there is none.

    `low` and `high` are the limits, `value` the measured value and `left`, `right` the ends of value +/- U,
    all cut to the drawing; `beyond` is -1 or +1 where the value itself lies off the drawing, else 0.
    """

    low: float | None
    high: float | None
    value: float
    left: float
    right: float
    beyond: int


def bar_axis(low: float, high: float, value: float) -> Axis:
    """Choose the scale: limits stand at fixed places, so that bars of one table compare at a glance.

    Two-sided limits stand at a quarter and three quarters. A single limit stands at a quarter or three
    quarters of a scale that runs to zero where the value has the limit's sign; a limit of zero is scaled by
    the value.

    Raises:
        ValueError: both sides are open, or the value is not finite.
    """
    if not math.isfinite(value):
        raise ValueError("a bar needs a finite value")
    if math.isfinite(low) and math.isfinite(high):
        per_unit = max((high - low) / ((TWO_SIDED_HIGH - TWO_SIDED_LOW) * WIDTH), FINEST_SCALE)
        return Axis(low - TWO_SIDED_LOW * WIDTH * per_unit, per_unit)
    if math.isfinite(high):
        per_unit = max((abs(high) or 2.0 * abs(value) or 1.0) / (ONE_SIDED_HIGH * WIDTH), FINEST_SCALE)
        return Axis(high - ONE_SIDED_HIGH * WIDTH * per_unit, per_unit)
    if math.isfinite(low):
        # Twice the limit stands at the middle of what is left, so a value well clear of it is still drawn.
        per_unit = max((abs(low) or abs(value) or 1.0) / (ONE_SIDED_LOW * WIDTH), FINEST_SCALE)
        return Axis(low - ONE_SIDED_LOW * WIDTH * per_unit, per_unit)
    raise ValueError("a bar needs a limit on at least one side")


def bar_geometry(finding: Finding) -> BarGeometry | None:
    """Return where things stand for a measured finding with a limit; None when there is nothing to draw."""
    if not math.isfinite(finding.value) or not (math.isfinite(finding.low) or math.isfinite(finding.high)):
        return None
    axis = bar_axis(finding.low, finding.high, finding.value)
    reach = finding.expanded_uncertainty if math.isfinite(finding.expanded_uncertainty) else 0.0
    at = axis.x(finding.value)
    return BarGeometry(
        low=axis.x(finding.low) if math.isfinite(finding.low) else None,
        high=axis.x(finding.high) if math.isfinite(finding.high) else None,
        value=_cut(at),
        left=_cut(axis.x(finding.value - reach)),
        right=_cut(axis.x(finding.value + reach)),
        beyond=-1 if at < 0.0 else 1 if at > WIDTH else 0,
    )


def position_bar(finding: Finding, label: str) -> str:
    """Return the bar as an `<svg>` element, or "" when there is nothing to draw; `label` is read out aloud."""
    geometry = bar_geometry(finding)
    if geometry is None:
        return ""
    parts = "".join(_draw(geometry))
    return (
        f'<svg class="bar" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" height="{HEIGHT:g}" '
        f'role="img" aria-label="{escape(label)}">{parts}</svg>'
    )


def _draw(geometry: BarGeometry) -> Iterator[str]:
    low = 0.0 if geometry.low is None else geometry.low
    high = WIDTH if geometry.high is None else geometry.high
    yield f'<path class="h" d="{_hatch(0.0, low)}{_hatch(high, WIDTH)}"/>'
    yield f'<path class="f" d="M{low:.1f} {BOTTOM:g}H{high:.1f}"/>'
    for limit in (geometry.low, geometry.high):
        if limit is not None:
            yield f'<path class="l" d="M{limit:.1f} 0V{HEIGHT:g}"/>'
    if geometry.right - geometry.left > 0.05:
        yield f'<path class="u" d="M{geometry.left:.1f} {MIDDLE:g}H{geometry.right:.1f}"/>'
    yield f'<path class="v" d="{_marker(geometry)}"/>'


def _marker(geometry: BarGeometry) -> str:
    """A diamond at the value, or an arrow head at the edge beyond which it lies."""
    if geometry.beyond == 0:
        return f"M{geometry.value:.1f} {MIDDLE - 5.0:g}l3.5 5-3.5 5-3.5-5z"
    tip = WIDTH if geometry.beyond > 0 else 0.0
    return f"M{tip:g} {MIDDLE:g}l{-ARROW * geometry.beyond:g} -5v10z"


def _hatch(left: float, right: float) -> str:
    """Slanted strokes that fill left..right between top and bottom, cut at both ends."""
    if right - left < 0.05:
        return ""
    rise = BOTTOM - TOP
    strokes = []
    start = math.floor((left - rise) / HATCH_STEP) * HATCH_STEP
    while start < right:
        # A stroke runs from (start, bottom) to (start + rise, top); keep the part within left..right.
        first, last = max(start, left), min(start + rise, right)
        if last - first > 0.05:
            strokes.append(f"M{first:.1f} {BOTTOM - (first - start):.1f}L{last:.1f} {BOTTOM - (last - start):.1f}")
        start += HATCH_STEP
    return "".join(strokes)


def _cut(x: float) -> float:
    return min(max(x, 0.0), WIDTH)
