"""What the edges of discretes and their answers say: that each was reported, the worst latency, the distribution.

Pure: edges paired with frames and contents in, findings out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation
from analysis.statistics import summarise_latencies
from analysis.uncertainty import Estimate, bounded, combined, exact
from analysis.verdict import Cause
from test_plans.latency_edges import ANSWER_WITHIN_S, START_BOUND_S, EdgeResult, Outcome, Strays
from test_plans.readings import doubted, nothing
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

RATE_HZ = 50_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """All edges of one discrete over all its captures, and contents that answered none."""

    results: tuple[EdgeResult, ...]
    stray: tuple[Strays, ...]
    captures: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    timebase_bound: float  # of the sample clock, as a fraction

    def of(self, outcome: Outcome) -> tuple[EdgeResult, ...]:
        """Return the edges with one outcome."""
        return tuple(result for result in self.results if result.outcome is outcome)

    def latencies_s(self, state: bool) -> list[float]:
        """Return the latencies measured towards one state, in seconds."""
        return [result.latency_s for result in self.of(Outcome.MEASURED) if result.edge.state is state]


def answers(edges: Edges, setup: Setup, discrete: Discrete) -> Observation:
    """Return whether every edge of a discrete was reported."""
    unanswered = edges.of(Outcome.NO_ANSWER)
    return Observation(
        id=f"{discrete.name}.every-edge-reported",
        title=f"{discrete.title}: every change is reported",
        function=function_named(setup.unit, "discretes"),
        statement=f"each edge at the pin is reported within {ANSWER_WITHIN_S:g} s",
        trials=len(edges.results),
        failures=len(unanswered),
        detail=f"{len(unanswered)} of {len(edges.results)} edges brought neither a frame nor a content",
        doubts=(*edges.doubts, *_lost_contents(edges, discrete)),
        captures=edges.captures,
        pins=(discrete.pin,),
    )


def worst_latency(found: Mapping[Discrete, Edges], setup: Setup, *, state: bool, way: str) -> Measurement:
    """Return the worst latency towards a state: of one discrete, or of several over the edges of all together."""
    latencies = [latency_s for edges in found.values() for latency_s in edges.latencies_s(state)]
    doubts = [doubt for discrete, edges in found.items() for doubt in (*edges.doubts, *_lost_contents(edges, discrete))]
    unanswered = sum(len(edges.of(Outcome.NO_ANSWER)) for edges in found.values())
    if unanswered and not doubts:
        doubts.append(Doubt(reason=f"{unanswered} edges were never reported", cause=Cause.UNIT))
    if not latencies and not doubts:
        doubts.append(
            Doubt(reason="every frame was hidden behind another one", cause=Cause.BENCH, next_step="run it again")
        )
    timebase_bound = max(edges.timebase_bound for edges in found.values())
    captures = tuple(name for edges in found.values() for name in edges.captures)
    worst = latency_estimate(max(latencies), timebase_bound, captures) if latencies else nothing()
    only = next(iter(found)) if len(found) == 1 else None
    hidden = sum(len(edges.of(Outcome.HIDDEN)) for edges in found.values())
    return doubted(worst, *dict.fromkeys(doubts)).measurement(
        id=f"{only.name if only else 'discretes'}.latency-{way}",
        limit="discrete-latency",
        title=f"{only.title if only else 'All discretes'}, going {way}: worst latency from pin to frame",
        function=function_named(setup.unit, "discretes"),
        quantity_unit="s",
        pins=tuple(discrete.pin for discrete in found),
        trials=len(latencies),
        notes=(*_spread_notes(latencies, hidden), *_latest_note(found, state)),
    )


def distribution(found: Mapping[Discrete, Edges], setup: Setup) -> Curve:
    """Return how the latencies of each discrete are spread."""
    shown: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    for discrete, edges in found.items():
        latencies = sorted(result.latency_s for result in edges.of(Outcome.MEASURED))
        if latencies:
            share = np.arange(1, len(latencies) + 1) / len(latencies)
            shown[discrete.title] = (
                tuple(1000.0 * latency for latency in latencies),
                tuple(100.0 * float(part) for part in share),
            )
    return Curve(
        id="discretes.latency",
        title="Latency from pin to frame start",
        function=function_named(setup.unit, "discretes"),
        x_label="latency, ms",
        y_label="edges not later, %",
        series=shown,
    )


def latency_estimate(value_s: float, timebase_bound: float, captures: Sequence[str]) -> Estimate:
    """Return a latency with its budget: half a sample at the pin, 30 us at the frame start, the timebase."""
    inputs = (
        bounded(0.0, 0.5 / RATE_HZ, "pin edge between two samples"),
        bounded(0.0, 0.5 * START_BOUND_S, "frame start before its first dominant sample"),
        bounded(0.0, timebase_bound * value_s, "sample clock"),
    )
    total = combined(value_s, ((exact(value_s), 1.0), *((part, 1.0) for part in inputs)))
    return Estimate(value=total.value, terms=total.terms, captures=tuple(captures))


def _spread_notes(latencies_s: Sequence[float], hidden: int) -> tuple[str, ...]:
    if not latencies_s:
        return ()
    spread = summarise_latencies(latencies_s)
    span = f"{1000 * spread.minimum_s:.2f} to {1000 * spread.maximum_s:.2f} ms, median {1000 * spread.median_s:.2f} ms"
    return (f"{spread.n} edges: {span}; {hidden} more hidden behind other frames",)


def _latest_note(found: Mapping[Discrete, Edges], state: bool) -> tuple[str, ...]:
    """Return whose edge is the latest one, where several discretes are judged together."""
    latest = {discrete: max(edges.latencies_s(state), default=0.0) for discrete, edges in found.items()}
    return (f"the latest of {max(latest, key=lambda one: latest[one]).title}",) if len(latest) > 1 else ()


def _lost_contents(edges: Edges, discrete: Discrete) -> tuple[Doubt, ...]:
    """Return the doubts of frames and contents that do not belong together, or to no edge.

    A frame nobody decoded and a content without frame are the bench's doing. A change that came by a frame, and so of
    the unit, while the sampled pin stood still was either made up by the unit or is a disturbance between two samples.
    """
    counts = {
        "frames of it were not decoded": len(edges.of(Outcome.NO_CONTENT)),
        "contents came without a frame on the receive line": len(edges.of(Outcome.NO_FRAME)),
        "contents came with neither a frame on the receive line nor an edge at the pin": sum(
            stray.unseen for stray in edges.stray
        ),
    }
    found = [
        Doubt(
            reason=f"{discrete.title}: {n} {what}",
            cause=Cause.BENCH,
            next_step="check the bus interface and the receive line, then run it again",
        )
        for what, n in counts.items()
        if n
    ]
    if carried := sum(stray.carried for stray in edges.stray):
        reason = f"{discrete.title}: {carried} changes came by frames on the receive line, without an edge at the pin"
        step = (
            f"take the stimulus off pin {discrete.pin}, hold the pin by a plain wire and watch its change counter: "
            "if it still counts, it is the unit's"
        )
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))
    return tuple(found)
