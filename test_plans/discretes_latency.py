"""Latency of every discrete: from the edge at the pin to the start of the frame that reports it, 59 edges each way.

One discrete is switched at a time, at random phase to the unit's scan; the bench keeps off the bus for 60 ms after
each edge. Going active and going inactive are judged apart: each worst case takes 59 edges of its own (95/95). Edges
whose frame followed another one without a pause are taken again.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.edges import find_edges
from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.statistics import WORST_CASE_TRIALS, summarise_latencies
from analysis.uncertainty import Estimate, bounded, combined, exact
from analysis.verdict import Cause
from test_plans.conditions import count
from test_plans.discrete_bench import PIN_LINES, did_not_move, discrete_needs, pin_capture, pins_of, wake
from test_plans.driving import Action, drive_at, levels_of, play, spaced_instants
from test_plans.expected import typical
from test_plans.held_pins import reach_doubts
from test_plans.latency_edges import (
    ANSWER_WITHIN_S,
    QUIET_S,
    START_BOUND_S,
    EdgeResult,
    Outcome,
    PinEdge,
    Strays,
    bursts_of,
    pair,
)
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.receive_line import LINE
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.silence import silence_doubts

RATE_HZ = 50_000.0
FIRST_S = 0.2
SPACING_S = (0.100, 0.120)
SPARE = 5 / WORST_CASE_TRIALS  # of 59 edges one or two fall into the unit's own periodic frames
WAYS = ((True, "active"), (False, "inactive"))
MOST_REPEATS = 2


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


class DiscreteLatency:
    """Worst-case latency of every discrete."""

    name = "discrete-latency"
    title = "Discrete inputs: latency to the avionics bus"
    conditions = ("voltage_v", "current_limit_a", "edges")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup, untested="Latency of the discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per discrete at 50 kS/s."""
        duration_s = _duration_s(_both_ways(_wanted(setup)))
        return discrete_needs(
            setup,
            *(
                pin_capture(discrete.name, (discrete,), sample_rate_hz=RATE_HZ, duration_s=duration_s)
                for discrete in setup.unit.discretes
            ),
            limits=(("discrete-latency", _expected(setup)),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Switch one discrete after the other."""
        wake(rig, setup)
        for discrete in setup.unit.discretes:
            self._take(rig, discrete, discrete.name, _both_ways(_wanted(setup)))

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Repeat edges that were hidden behind another frame."""
        taken = False
        for discrete in setup.unit.discretes:
            edges = self.edges(evidence, setup, discrete)
            missing = _wanted(setup) - min(len(edges.latencies_s(state)) for state, _ in WAYS)
            repeats = len(edges.captures) - 1
            if edges.doubts or not edges.of(Outcome.HIDDEN) or missing <= 0 or repeats >= MOST_REPEATS:
                continue
            self._take(rig, discrete, f"{discrete.name}.repeat-{repeats + 1}", _both_ways(missing))
            taken = True
        return taken

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each discrete the worst latency each way, that every edge was reported, and the distribution."""
        found = {discrete: self.edges(evidence, setup, discrete) for discrete in setup.unit.discretes}
        for discrete, edges in found.items():
            yield answers(edges, setup, discrete)
            for state, way in WAYS:
                yield worst_latency({discrete: edges}, setup, state=state, way=way)
        yield distribution(found, setup)

    def together(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the worst latency each way over the edges of all discretes, and the rest of each discrete as ever."""
        found = {discrete: self.edges(evidence, setup, discrete) for discrete in setup.unit.discretes}
        for discrete, edges in found.items():
            yield answers(edges, setup, discrete)
        for state, way in WAYS:
            yield worst_latency(found, setup, state=state, way=way)
        yield distribution(found, setup)

    def _take(self, rig: Rig, discrete: Discrete, name: str, n_edges: int) -> None:
        levels = levels_of(discrete)
        instants = spaced_instants(
            n_edges, first_s=FIRST_S, shortest_s=SPACING_S[0], longest_s=SPACING_S[1], key=f"{self.name}/{name}"
        )
        with rig.capture(name, pins_of((discrete,)), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            for index, instant_s in enumerate(np.round(instants * RATE_HZ) / RATE_HZ):
                at_s = float(instant_s)
                level_v = levels.active_v if index % 2 == 0 else levels.inactive_v
                actions.append(drive_at(session, discrete.name, level_v, at_s))
            for at_s, _ in actions:
                session.quiet_bus(from_s=at_s, to_s=at_s + QUIET_S)
            play(session, actions)
            session.wait_until(actions[-1][0] + ANSWER_WITHIN_S)

    def edges(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> Edges:
        """Return the edges of a discrete over all its captures."""
        results: list[EdgeResult] = []
        doubts: list[Doubt] = []
        names: list[str] = []
        stray: list[Strays] = []
        timebase_bound = 0.0
        for name in self._captures(evidence, discrete):
            record = Record(evidence, name)
            doubts.extend(record.missing or record.doubts(pins_of((discrete,))))
            if record.capture is None:
                continue
            names.append(name)
            doubts.extend(silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s))
            doubts.extend(reach_doubts(record, setup, discrete))
            edges = pin_edges(record, discrete)
            asked = len(record.stimuli(discrete.name))
            if len(edges) != asked:
                doubts.append(did_not_move(name, discrete, len(edges), asked))
            line = record.capture.line(LINE)
            bursts = bursts_of(line, record.capture.sample_rate_hz, setup.unit.bus.bit_rate)
            timebase_bound = max(timebase_bound, record.capture.timebase_bound)
            paired, strays = pair(
                edges, bursts, record.reports(), discrete.report, timebase_bound=record.capture.timebase_bound
            )
            results.extend(paired)
            stray.append(strays)
        return Edges(
            results=tuple(results),
            stray=tuple(stray),
            captures=tuple(names),
            doubts=tuple(dict.fromkeys(doubts)),
            timebase_bound=timebase_bound,
        )

    def _captures(self, evidence: Evidence, discrete: Discrete) -> list[str]:
        repeats = [name for name in evidence.names() if name.startswith(f"{discrete.name}.repeat-")]
        return [discrete.name, *repeats]


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
    worst = _latency(max(latencies), timebase_bound, captures) if latencies else nothing()
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
        notes=_spread_notes(latencies, hidden),
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


def _spread_notes(latencies_s: Sequence[float], hidden: int) -> tuple[str, ...]:
    if not latencies_s:
        return ()
    spread = summarise_latencies(latencies_s)
    span = f"{1000 * spread.minimum_s:.2f} to {1000 * spread.maximum_s:.2f} ms, median {1000 * spread.median_s:.2f} ms"
    return (f"{spread.n} edges: {span}; {hidden} more hidden behind other frames",)


def pin_edges(record: Record, discrete: Discrete) -> tuple[PinEdge, ...]:
    """Return the edges at a discrete's pin, each half a sample before the first sample of its new state.

    Level is the middle between the two levels the pin is switched between; where it does not move there is no edge.
    """
    if record.capture is None:
        return ()
    levels = levels_of(discrete)
    rising_is_active = levels.active_v > levels.inactive_v
    capture = record.capture
    channel = capture.channels[voltage_signal(discrete.name)]
    codes = capture.codes(channel.name)
    high, low = float(codes.max()), float(codes.min())
    if (high - low) * channel.scale < 0.5 * abs(levels.active_v - levels.inactive_v):
        return ()
    middle, half = 0.5 * (high + low), 0.1 * (high - low)
    found = find_edges(codes, middle - half, middle + half)
    return tuple(
        PinEdge(time_s=(float(position) - 0.5) / capture.sample_rate_hz, state=bool(rising) is rising_is_active)
        for position, rising in zip(found.positions, found.rising, strict=True)
    )


def _latency(value_s: float, timebase_bound: float, captures: Sequence[str]) -> Estimate:
    """Return a latency with its budget: half a sample at the pin, 30 us at the frame start, the timebase."""
    inputs = (
        bounded(0.0, 0.5 / RATE_HZ, "pin edge between two samples"),
        bounded(0.0, 0.5 * START_BOUND_S, "frame start before its first dominant sample"),
        bounded(0.0, timebase_bound * value_s, "sample clock"),
    )
    total = combined(value_s, ((exact(value_s), 1.0), *((part, 1.0) for part in inputs)))
    return Estimate(value=total.value, terms=total.terms, captures=tuple(captures))


def _expected(setup: Setup) -> float:
    return _latency(typical(setup, "discrete-latency"), setup.bench.clock_bound, ()).standard_uncertainty


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


def _wanted(setup: Setup) -> int:
    return count(setup, "edges", WORST_CASE_TRIALS)


def _both_ways(n: int) -> int:
    """Return how many edges give n each way with some to spare; even, so that the discrete ends as it began."""
    return 2 * (n + max(1, round(SPARE * n)))


def _duration_s(n_edges: int) -> float:
    return FIRST_S + math.ceil(n_edges * SPACING_S[1]) + ANSWER_WITHIN_S
