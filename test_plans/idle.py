"""Outputs that must not move: one observation over a capture, in 5 ms means against the sheet's idle limit."""

from collections.abc import Iterable, Sequence

from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.bench_channels import unproved
from test_plans.readings import Record
from test_plans.sheets import Setup
from test_plans.signals import output_facts, voltage_signal
from test_plans.switch_lines import stray_doubts


def idle_observation(
    record: Record,
    setup: Setup,
    outputs: Iterable[str],
    id_: str,
    title: str,
    *,
    function: str,
    pins: tuple[str, ...],
    start_s: float = 0.0,
) -> Observation:
    """Return whether all of these outputs stayed idle over a capture, in 5 ms means against the sheet's idle limit.

    It speaks of what was driven meanwhile, so it belongs to that one's `function` and `pins`; which other output moved
    stands in the detail.
    """
    watched = tuple(outputs)
    moved = moved_outputs(record, setup, watched, start_s)
    return Observation(
        id=id_,
        title=title,
        function=function,
        statement=idle_statement(setup, len(watched)),
        trials=int(record.capture is not None),
        failures=int(bool(moved)),
        detail="; ".join(moved),
        source=setup.unit.limits["idle-output"].quoted,
        doubts=idle_doubts(record, setup, watched, start_s),
        captures=record.names,
        pins=pins,
        notes=unproved(setup, watched),
    )


def idle_statement(setup: Setup, n_outputs: int) -> str:
    """Return what must hold of so many outputs, in words."""
    limit = setup.unit.limits["idle-output"]
    return f"each of {n_outputs} other outputs stays within {limit.low:g} to {limit.high:g} V"


def moved_outputs(record: Record, setup: Setup, outputs: Sequence[str], start_s: float = 0.0) -> tuple[str, ...]:
    """Return in words which of these outputs left the idle limit in a capture, and where they stood."""
    limit = setup.unit.limits["idle-output"]
    largest = {name: record.largest(voltage_signal(name), start_s).value for name in outputs if record.capture}
    return tuple(
        f"{output_facts(setup.unit, name)[1]} at {value:.2f} V"
        for name, value in largest.items()
        if not limit.low <= value <= limit.high
    )


def idle_doubts(record: Record, setup: Setup, outputs: Sequence[str], start_s: float = 0.0) -> tuple[Doubt, ...]:
    """Return why outputs that moved, or did not, say nothing of the unit: their channels, or a command nobody gave."""
    return (
        *record.doubts([voltage_signal(name) for name in outputs], start_s),
        *stray_doubts(record, start_s),
        *wiper_doubts(record, setup, outputs, start_s),
    )


def wiper_doubts(record: Record, setup: Setup, outputs: Iterable[str], start_s: float = 0.0) -> tuple[Doubt, ...]:
    """Return the doubt that a rheostat's pin, at rest, stood where it lights the outputs; only where one is lit.

    The resistance of the bench's line may be wrong, or the unit may pull its pin up: the unit unplugged tells.
    """
    unit = setup.unit
    dimmers = [dimmer for dimmer in unit.dimming if dimmer.name in tuple(outputs)]
    if record.capture is None or not moved_outputs(record, setup, [dimmer.name for dimmer in dimmers], start_s):
        return ()
    lit_from = min(dimmer.off_below for dimmer in dimmers)
    found = []
    for rheostat in unit.rheostats:
        signal = voltage_signal(rheostat.name)
        if not record.holds(signal) or record.stimuli(rheostat.name):
            continue
        stood_v = float(record.largest(signal, start_s).value)
        if stood_v >= lit_from * rheostat.full_travel_v:
            found.append(
                Doubt(
                    reason=f"{record.name}: pin {rheostat.pin} stood at {stood_v:.2f} V with {rheostat.name} at rest",
                    cause=Cause.UNDECIDED,
                    next_step=f"measure the series resistance of line {rheostat.name}, with the unit unplugged",
                )
            )
    return tuple(found)
