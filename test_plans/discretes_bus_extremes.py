"""Latency of the discretes at the ends of the normal bus: the latency procedure, with the bus ramped there first.

The unit is woken at its nominal voltage, for it need not start at the lowest one, and left at nominal again.

All discretes are read in one scan and sent by one firmware, so the bus moves the latency of all of them or of none.
Condition `trials` therefore shares so many edges each way out among all discretes, and judges the worst of them
together; one discrete that alone is late is found at nominal. Without it each discrete has its own worst case.
"""

import math
from collections.abc import Iterable
from dataclasses import replace
from enum import StrEnum

from analysis.measurement import Result
from test_plans.conditions import count, number
from test_plans.discrete_bench import wake
from test_plans.discretes_latency import DiscreteLatency
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.rig import Rig
from test_plans.sheets import Setup

RAMP_V_PER_S = 2.0
SETTLE_S = 0.5


class BusEnd(StrEnum):
    """An end of the normal bus, as the unit sheet's ratings give it."""

    LOWEST = "lowest"
    HIGHEST = "highest"


class DiscreteLatencyAt:
    """Worst-case latency of every discrete at one end of the normal bus."""

    conditions = (*DiscreteLatency.conditions, "trials")

    def __init__(self, end: BusEnd) -> None:
        self.name = f"discrete-latency-{end.value}"
        self.title = f"Discrete inputs: latency at the {end.value} bus voltage"
        self._end = end
        self._latency = DiscreteLatency()

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return self._latency.not_for_model(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return self._latency.functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return what the latency needs, and the time of the ramps."""
        needs = self._latency.needs(self._there(setup))
        away_v = abs(self._voltage_v(setup) - setup.unit.nominal_voltage_v)
        return replace(needs, bench_time_s=needs.bench_time_s + 2 * (away_v / RAMP_V_PER_S + SETTLE_S))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Go to the bus voltage, take the latencies, come back."""
        self._go(rig, setup)
        self._latency.stimulate(rig, self._there(setup))
        self._come_back(rig, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Repeat edges that were hidden behind another frame, at the same voltage."""
        self._go(rig, setup)
        taken = self._latency.follow_up(rig, self._there(setup), evidence)
        self._come_back(rig, setup)
        return taken

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give what the latency gives, of each discrete or of all together, named by the voltage."""
        at, judged = (
            f"at {self._voltage_v(setup):g} V",
            self._latency.together if _shared(setup) else self._latency.evaluate,
        )
        for result in judged(evidence, self._there(setup)):
            yield replace(result, id=f"{result.id}.{self._end.value}-bus", title=f"{result.title}, {at}")

    def _voltage_v(self, setup: Setup) -> float:
        unit = setup.unit
        rated_v = unit.lowest_voltage_v if self._end is BusEnd.LOWEST else unit.highest_voltage_v
        return number(setup, "voltage_v", rated_v)

    def _there(self, setup: Setup) -> Setup:
        conditions = {**setup.step.conditions, "voltage_v": self._voltage_v(setup)}
        if shared := _shared(setup):
            conditions["edges"] = math.ceil(shared / len(setup.unit.discretes))
        return replace(setup, step=replace(setup.step, conditions=conditions))

    def _nominal(self, setup: Setup) -> Setup:
        conditions = {**setup.step.conditions, "voltage_v": setup.unit.nominal_voltage_v}
        return replace(setup, step=replace(setup.step, conditions=conditions))

    def _go(self, rig: Rig, setup: Setup) -> None:
        wake(rig, self._nominal(setup))
        rig.ramp_supply(self._voltage_v(setup), rate_v_per_s=RAMP_V_PER_S)
        rig.wait(SETTLE_S)

    def _come_back(self, rig: Rig, setup: Setup) -> None:
        rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=RAMP_V_PER_S)
        rig.wait(SETTLE_S)


def _shared(setup: Setup) -> int:
    """Return the edges each way that all discretes share; 0 where each takes its own."""
    return count(setup, "trials", 0)
