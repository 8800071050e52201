"""Panel dimming switched off: what each output takes from a small voltage fed back into it.

The bench feeds its reference through 10 kohm into every output at once; what is missing at the pin has gone into it.
"""

import math
from collections.abc import Iterable
from dataclasses import replace

from analysis.measurement import Measurement, Result
from analysis.uncertainty import Estimate, bounded, difference, ratio
from test_plans.dimming_bench import dimming_function, dimming_needs, outputs_of, wake
from test_plans.dimming_levels import steady_doubts
from test_plans.expected import load_of, reading, typical, worst
from test_plans.model_gaps import without_dimming
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import BenchFacts, DimmingOutput, LoadPosition, Setup
from test_plans.signals import voltage_signal

FEED = "10 kohm"
RATE_HZ = 5000.0
SETTLE_S = 0.1
LOOK_S = 0.3


class DimmingOffState:
    """Back-feed of outputs that are off."""

    name = "dimming-off-state"
    title = "Panel dimming off: what its outputs take when fed from outside"
    conditions = ("voltage_v", "current_limit_a", "rheostats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a feed for every output and one look at all of them."""
        outputs = outputs_of(setup)
        need = CaptureNeed(
            name="fed",
            signals=_signals(setup),
            sample_rate_hz=RATE_HZ,
            duration_s=SETTLE_S + LOOK_S,
            highest_v=dict.fromkeys(_signals(setup), setup.bench.reference_v),
        )
        return replace(
            dimming_needs(setup, (need,), (("dimming-off-current", _expected(setup)),)),
            loads=tuple((output.name, FEED) for output in outputs),
            load_current_a=setup.bench.reference_v / 10e3,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Feed all outputs while their rheostats stand at zero."""
        wake(rig, setup)
        for output in outputs_of(setup):
            rig.set_load(output.name, FEED)
        with rig.capture("fed", _signals(setup), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(SETTLE_S + LOOK_S)
        for output in outputs_of(setup):
            rig.set_load(output.name, "open")

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the current into every output."""
        record = Record(evidence, "fed")
        for output in outputs_of(setup):
            yield self._current(record, setup, output)

    def _current(self, record: Record, setup: Setup, output: DimmingOutput) -> Measurement:
        facts = setup.bench
        feed = facts.loads.get(output.name, {}).get(FEED)
        if feed is not None and feed.to_reference:
            pin = record.mean(voltage_signal(output.name), SETTLE_S, SETTLE_S + LOOK_S)
            found = _into(pin, facts, feed, output)
            found = doubted(found, *steady_doubts(record, setup, SETTLE_S, SETTLE_S + LOOK_S))
        else:
            found = nothing(*record.missing)
        return found.measurement(
            id=f"{output.name}.off-current",
            limit="dimming-off-current",
            title=f"{output.title}: current it takes when off",
            function=dimming_function(setup),
            quantity_unit="A",
            pins=(output.pin,),
            notes=(f"fed with {facts.reference_v:g} V through {FEED}",),
        )


def _into(pin: Estimate, facts: BenchFacts, feed: LoadPosition, output: DimmingOutput) -> Estimate:
    """Return the current that a feed drives into an output's pin."""
    resistor = bounded(feed.resistance_ohm, feed.relative_bound * feed.resistance_ohm, f"feed of {output.name}")
    return ratio(difference(bounded(facts.reference_v, facts.reference_bound_v, "reference"), pin), resistor)


def _expected(setup: Setup) -> float:
    facts, found = setup.bench, []
    for output in outputs_of(setup):
        feed = load_of(setup, output.name, FEED)
        if math.isfinite(feed.resistance_ohm):  # else said already: the bench has no such feed
            pin_v = facts.reference_v - typical(setup, "dimming-off-current") * feed.resistance_ohm
            found.append(_into(reading(setup, voltage_signal(output.name), pin_v), facts, feed, output))
    return worst(*found)


def _signals(setup: Setup) -> tuple[str, ...]:
    return tuple(voltage_signal(output.name) for output in outputs_of(setup))
