"""Series resistance of stimulus lines: a known resistor at each pin, all on one relay, shows it without the unit.

A line that carries nothing reads sound whatever its resistance is; with a load at its pin it does not. Only where the
bench sheet has such a relay: `loads.lines`.
"""

from collections.abc import Iterator, Sequence

from analysis.measurement import Observation
from analysis.uncertainty import Estimate, bounded, combined, difference
from test_plans.bench_observation import bench_observation
from test_plans.driving import LEAD_S
from test_plans.procedure import CaptureNeed
from test_plans.readings import Record, agreement
from test_plans.rig import Rig
from test_plans.sheets import LoadPosition, Setup
from test_plans.signals import stimuli_of, voltage_signal

LOAD = "lines"
RATE_HZ = 1000.0
LEVEL_V = 8.0
LOOK_S = 0.15
SETTLE_S = 0.05


def line_load(setup: Setup) -> tuple[str, LoadPosition] | None:
    """Return position and resistor of the relay; None where the bench has none."""
    positions = setup.bench.loads.get(LOAD, {})
    return next(((name, load) for name, load in positions.items() if name != "open"), None)


def loaded_need(setup: Setup, name: str, lines: Sequence[str]) -> tuple[CaptureNeed, ...]:
    """Return the capture that `load_lines` takes; none without such a relay."""
    if line_load(setup) is None:
        return ()
    signals = tuple(voltage_signal(line) for line in lines)
    highest = dict.fromkeys(signals, LEVEL_V)
    return (
        CaptureNeed(name=name, signals=signals, sample_rate_hz=RATE_HZ, duration_s=LEAD_S + LOOK_S, highest_v=highest),
    )


def load_lines(rig: Rig, setup: Setup, name: str, lines: Sequence[str]) -> None:
    """Drive lines with the load on, the unit unplugged; nothing where the bench has no such relay."""
    load = line_load(setup)
    if load is None:
        return
    rig.set_load(LOAD, load[0])
    with rig.capture(name, [voltage_signal(line) for line in lines], sample_rate_hz=RATE_HZ) as session:
        for line in lines:
            session.drive(line, LEVEL_V, at_s=LEAD_S)
        session.wait_until(LEAD_S + LOOK_S)
    for line in lines:
        rig.drive(line, 0.0)
    rig.set_load(LOAD, "open")


def resistance_fault(record: Record, setup: Setup, line: str) -> str:
    """Say where a loaded pin stood when its line has not the series resistance of the bench sheet, "" where it has."""
    load, steps = line_load(setup), record.stimuli(line)
    if load is None or not steps:
        return f"{line} was not driven"
    pin = record.mean(voltage_signal(line), steps[0].time_s + SETTLE_S, record.duration_s - 0.005)
    expected = _expected(setup, load[1], line)
    if agreement(difference(pin, expected)) and not pin.doubts:
        return ""
    return (
        f"{line} reads {pin.value:.3f} V across {load[0]} at its pin, where {expected.value:.3f} V was expected: "
        f"its series resistance is not {setup.bench.stimulus_resistance_ohm:.0f} ohm"
    )


def resistance_observation(record: Record, setup: Setup) -> Iterator[Observation]:
    """Yield whether every stimulus line has the series resistance of the bench sheet; nothing without the relay."""
    if line_load(setup) is None:
        return
    lines = stimuli_of(setup.unit)
    yield bench_observation(
        "bench-check.stimulus-resistance",
        "Bench: series resistance of stimulus lines",
        f"each of {len(lines)} lines stands under load where its resistor puts it",
        wrong=[said for line in lines if (said := resistance_fault(record, setup, line))] if record.capture else (),
        tried=record.capture is not None,
        captures=record.names,
        doubts=record.missing,
    )


def _expected(setup: Setup, load: LoadPosition, line: str) -> Estimate:
    """Return where a pin stands between its line and the load: V R / (R + r)."""
    facts = setup.bench
    drive = bounded(
        LEVEL_V, facts.stimulus_relative_bound * LEVEL_V + facts.stimulus_absolute_bound_v, f"stimulus {line}"
    )
    series_ohm, load_ohm = facts.stimulus_resistance_ohm, load.resistance_ohm
    series = bounded(series_ohm, facts.stimulus_resistance_bound * series_ohm, f"stimulus resistor {line}")
    resistor = bounded(load_ohm, load.relative_bound * load_ohm, f"load of {line}")
    whole_ohm = series_ohm + load_ohm
    per_ohm2 = LEVEL_V / whole_ohm**2
    return combined(
        LEVEL_V * load_ohm / whole_ohm,
        ((drive, load_ohm / whole_ohm), (resistor, per_ohm2 * series_ohm), (series, -per_ohm2 * load_ohm)),
    )
