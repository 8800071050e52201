"""Latency of every discrete: from the edge at the pin to the start of the frame that reports it, 59 edges each way.

One discrete is switched at a time, at random phase to the unit's scan; the bench keeps off the bus for 60 ms after
each edge. Going active and going inactive are judged apart: each worst case takes 59 edges of its own (95/95). Edges
whose frame followed another one without a pause are taken again.
"""

from collections.abc import Iterable

import numpy as np

from analysis.edges import find_edges
from analysis.measurement import Doubt, Result
from analysis.statistics import WORST_CASE_TRIALS
from test_plans.conditions import count
from test_plans.discrete_bench import PIN_LINES, did_not_move, discrete_needs, pin_capture, pins_of, wake
from test_plans.driving import Action, drive_at, levels_of, play, spaced_instants
from test_plans.expected import typical
from test_plans.held_pins import reach_doubts
from test_plans.latency_edges import (
    ANSWER_WITHIN_S,
    QUIET_S,
    EdgeResult,
    Outcome,
    PinEdge,
    Strays,
    bursts_of,
    pair,
)
from test_plans.latency_findings import RATE_HZ, Edges, answers, distribution, latency_estimate, worst_latency
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.receive_line import LINE
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.silence import silence_doubts

FIRST_S = 0.2
SPACING_S = (0.100, 0.120)
SPARE = 5 / WORST_CASE_TRIALS  # of 59 edges one or two fall into the unit's own periodic frames
WAYS = ((True, "active"), (False, "inactive"))
MOST_REPEATS = 2


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
        n_edges = _both_ways(_wanted(setup))
        lasts_s = {one: _instants_s(one.name, n_edges)[-1] + ANSWER_WITHIN_S for one in setup.unit.discretes}
        return discrete_needs(
            setup,
            *(
                pin_capture(discrete.name, (discrete,), sample_rate_hz=RATE_HZ, duration_s=duration_s)
                for discrete, duration_s in lasts_s.items()
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
        with rig.capture(name, pins_of((discrete,)), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            for index, at_s in enumerate(_instants_s(name, n_edges)):
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


def _expected(setup: Setup) -> float:
    return latency_estimate(typical(setup, "discrete-latency"), setup.bench.clock_bound, ()).standard_uncertainty


def _wanted(setup: Setup) -> int:
    return count(setup, "edges", WORST_CASE_TRIALS)


def _both_ways(n: int) -> int:
    """Return how many edges give n each way with some to spare; even, so that the discrete ends as it began."""
    return 2 * (n + max(1, round(SPARE * n)))


def _instants_s(capture: str, n_edges: int) -> list[float]:
    """Return when a discrete is switched in a capture, on the sample grid; the same for every run."""
    shortest_s, longest_s = SPACING_S
    key = f"{DiscreteLatency.name}/{capture}"
    instants_s = spaced_instants(n_edges, first_s=FIRST_S, shortest_s=shortest_s, longest_s=longest_s, key=key)
    return [float(instant_s) for instant_s in np.round(instants_s * RATE_HZ) / RATE_HZ]
