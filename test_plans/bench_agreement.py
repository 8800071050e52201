"""Whether the bench's own figures agree in one steady stretch of a capture, and what could not be checked.

Four ways to look: the supply's read-back against the shunt, the positive leg against the negative one, volts at the
supply less the leads' drop against volts at the pins, and a branch current against V/R of its load. Each residue is
judged by `analysis.power`; what rests on figures that contradict each other is in doubt, cause bench.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analysis.capture import Event
from analysis.measurement import Doubt, Observation
from analysis.power import (
    Consistency,
    branch_agrees,
    consistency_doubts,
    is_steady,
    leads_agree,
    legs_agree,
    readback_agrees,
)
from analysis.uncertainty import Estimate, bounded
from test_plans.bench_observation import bench_observation
from test_plans.readings import Record
from test_plans.sheets import BenchFacts, LoadPosition, Setup

SIGNALS = ("supply.voltage", "unit.current.high", "return.current")  # what a capture holds to be checked in full
LEAD_TOLERANCE = 0.25  # of the expected resistance, within which `bench-leads` lets a run go on
READ_BACK_LATE_S = 0.02  # a reading asked for at the end of a capture comes a little after it


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What one stretch shows of the bench: the checks made, and in words what could not be checked and why."""

    checks: tuple[Consistency, ...] = ()
    unchecked: tuple[str, ...] = ()

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Doubts about all that rests on this stretch."""
        return consistency_doubts(self.checks)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a result resting on this stretch says of the checks that were not made; nothing where all were."""
        return (f"bench not checked here: {'; '.join(self.unchecked)}",) if self.unchecked else ()


def agreement_in(record: Record, setup: Setup, start_s: float, stop_s: float | None = None) -> Agreement:
    """Check supply, leads and legs against each other in a stretch, as far as the capture holds the signals.

    While the bus moves capacitors draw current and nothing is compared.
    """
    capture = record.capture
    if capture is None:
        return Agreement(unchecked=("no capture",))
    if not is_steady(record.samples("unit.voltage", start_s, stop_s), capture.sample_rate_hz):
        return Agreement(unchecked=("the bus did not stand still",))
    current, checks, unchecked = forward_current(record, start_s, stop_s), [], []
    if record.holds("supply.voltage"):
        supply, pins = (record.mean(signal, start_s, stop_s) for signal in ("supply.voltage", "unit.voltage"))
        checks.append(leads_agree(supply, pins, current, expected_leads(setup.bench)))
    else:
        unchecked.append("leads (volts at the supply were not sampled)")
    if record.holds("return.current"):
        checks.append(legs_agree(current, record.mean("return.current", start_s, stop_s)))
    else:
        unchecked.append("legs (the negative one was not sampled)")
    last_s = (record.duration_s if stop_s is None else stop_s) + (READ_BACK_LATE_S if stop_s is None else 0.0)
    readings = [event for event in record.supply_readings() if start_s <= event.time_s <= last_s]
    if readings:
        checks.append(readback_agrees(read_back_current(readings[-1], setup.bench), current))
    else:
        unchecked.append("read-back (the supply was not read)")
    unchecked += [f"{check.name} ({_why(check)})" for check in checks if check.agrees is None]
    return Agreement(checks=tuple(checks), unchecked=tuple(unchecked))


def branch_check(current: Estimate, voltage: Estimate, load: LoadPosition, output: str) -> Consistency:
    """Check the current of an output against V/R of the load that stands on it."""
    resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, f"load of {output}")
    return branch_agrees(current, voltage, resistor)


def forward_current(record: Record, start_s: float, stop_s: float | None) -> Estimate:
    """Return the current of the positive leg: by the narrow channel in its range, else by the wide one."""
    wide = record.holds("unit.current.high")
    clipped = record.capture is not None and (
        not record.holds("unit.current") or record.capture.clipped("unit.current", start_s, stop_s)
    )
    return record.mean("unit.current.high" if wide and clipped else "unit.current", start_s, stop_s)


def expected_leads(facts: BenchFacts) -> Estimate:
    """Return the resistance of both leads and the run path, as `bench-leads` has proved it: to a quarter."""
    ohm = facts.lead_positive_ohm + facts.lead_negative_ohm + facts.path_resistance_ohm.get("run", 0.0)
    return bounded(ohm, LEAD_TOLERANCE * ohm, "expected lead resistance")


def read_back_current(event: Event, facts: BenchFacts) -> Estimate:
    """Return the current that the supply showed in one of its own readings."""
    shown_a = float(event.fields["current_a"])
    bound_a = facts.supply_current_relative_bound * abs(shown_a) + facts.supply_current_absolute_bound_a
    return bounded(shown_a, bound_a, "supply read-back")


def agreement_observation(
    record: Record, id_: str, title: str, agreements: Iterable[Agreement]
) -> Iterator[Observation]:
    """Yield one observation about the bench over several stretches; none where nothing at all could be checked."""
    everything = tuple(agreements)
    checks = [check for agreement in everything for check in agreement.checks if check.agrees is not None]
    if not checks:
        return
    yield bench_observation(
        id_,
        title,
        "supply, shunts and leads tell the same",
        wrong=_contradictions(checks),
        tried=True,
        captures=record.names,
        notes=(
            f"{len(checks)} checks in {len(everything)} steady stretch{'es' if len(everything) > 1 else ''}",
            *dict.fromkeys(note for agreement in everything for note in agreement.notes),
        ),
    )


def _contradictions(checks: Sequence[Consistency]) -> tuple[str, ...]:
    return tuple(
        f"{check.name}: differ by {check.residue.value:.3g} where {check.residue.standard_uncertainty:.2g} is expected"
        for check in checks
        if check.agrees is False
    )


def _why(check: Consistency) -> str:
    return check.residue.doubts[0].reason if check.residue.doubts else "no figure"
