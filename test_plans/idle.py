"""Outputs that must not move: one observation over a capture, in 5 ms means against the sheet's idle limit."""

from collections.abc import Iterable

from analysis.measurement import Observation
from test_plans.bench_channels import unproved
from test_plans.readings import Record
from test_plans.sheets import Setup
from test_plans.signals import output_facts, voltage_signal
from test_plans.switch_lines import stray_doubts


def idle_observation(
    record: Record, setup: Setup, outputs: Iterable[str], id_: str, title: str, *, start_s: float = 0.0
) -> Observation:
    """Return whether all of these outputs stayed idle over a capture, in 5 ms means against the sheet's idle limit."""
    limit = setup.unit.limits["idle-output"]
    watched = tuple(outputs)
    moved = []
    for name in watched if record.capture else ():
        largest = record.largest(voltage_signal(name), start_s)
        if not limit.low <= largest.value <= limit.high:
            moved.append(f"{output_facts(setup.unit, name)[1]} at {largest.value:.2f} V")
    return Observation(
        id=id_,
        title=title,
        function=output_facts(setup.unit, watched[0])[0] if watched else "",
        statement=f"each of {len(watched)} other outputs stays within {limit.low:g} to {limit.high:g} V",
        trials=int(record.capture is not None),
        failures=int(bool(moved)),
        detail="; ".join(moved),
        source=limit.quoted,
        doubts=(*record.doubts([voltage_signal(name) for name in watched], start_s), *stray_doubts(record, start_s)),
        captures=record.names,
        notes=unproved(setup, watched),
    )
