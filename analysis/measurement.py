"""What `evaluate` makes of captures: a measured value, or an exact count, with every doubt about it.

Nothing here knows a limit: judging is `analysis.judge`'s.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.verdict import Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reason why a result can't be judged as it stands; `cause` says whose doing it is.

    `next_step` names the one step that would decide, where there is one. `pin` is the pin that did not go where it was
    driven, where that is the doubt. `proved_by` is the id of an earlier result that proved this fault of the unit: then
    it is not proved here once more, but keeps this result from being had.
    """

    reason: str
    cause: Cause
    next_step: str = ""
    pin: str = ""
    proved_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of an uncertainty budget: `contribution` is |c_i| u_i in the measurand's own unit."""

    name: str
    contribution: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A value with its standard uncertainty, in the unit of measure named by `quantity_unit`.

    Args:
        id: characteristic, e.g. `pitch.left.up.drop`; unique within a run's attempt.
        limit: key of the limit in the unit sheet that this value is held against.
        title: what was measured, in words a technician uses ("Pitch up, left seat: drop").
        function: function of the unit sheet that this characteristic belongs to.
        value: measured value; NaN where it could not be measured (then give a doubt).
        quantity_unit: "V", "A", "ohm", "s", "Hz", "%", "" ...
        standard_uncertainty: u, same unit; includes everything of `components`.
        degrees_of_freedom: effective degrees of freedom (Welch-Satterthwaite); inf if known bound only.
        components: the budget behind u, largest first.
        doubts: why it can't be judged; any doubt makes the finding inconclusive (or the unit's where proved).
        captures: names of the captures it came from.
        pins: connector pins concerned.
        trials: for a latency, the number of edges that `value` is the largest of; a worst-case limit asks for 59.
    """

    id: str
    limit: str
    title: str
    function: str
    value: float
    quantity_unit: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    components: tuple[Component, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    captures: tuple[str, ...] = ()
    pins: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trials: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """A logical result: exact, `failures` out of `trials`; it holds when there is no failure.

    `statement` says what must hold ("follows its stimulus"), `detail` what was seen instead.
    `cause_if_failed` is UNIT unless the observation is about the bench itself, or can't tell; `next_step` then is the
    one step that would mend or decide it.
    """

    id: str
    title: str
    function: str
    statement: str
    trials: int
    failures: int
    detail: str = ""
    source: str = ""
    cause_if_failed: Cause = Cause.UNIT
    next_step: str = ""
    doubts: tuple[Doubt, ...] = ()
    captures: tuple[str, ...] = ()
    pins: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A figure for the report: several named series over one axis, with optional limit lines and single points.

    Series, bands and marks map a name to (x, y) tuples of equal length; decimated to what a page can show. Two bands
    over the same x are shaded between. Marks are drawn as points, each name by a sign of its own.
    """

    id: str
    title: str
    function: str
    x_label: str
    y_label: str
    series: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]
    bands: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = field(default_factory=dict)
    capture: str = ""
    marks: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = field(default_factory=dict)
    logarithmic_x: bool = False


Result = Measurement | Observation | Curve
