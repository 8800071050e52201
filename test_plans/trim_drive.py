"""When a trim output drove and which way, and when its switches stood closed, both on the DAQ's own samples.

A pulsed output drives without a break as long as its pauses are shorter than `PULSE_GAP_S`.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.edges import line_edges
from analysis.measurement import Doubt, Measurement, Observation
from analysis.uncertainty import Estimate
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.readings import Record
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import stray_doubts
from test_plans.trim_bench import LIGHT
from test_plans.trim_switches import MOTION_V, duty_doubts

PULSE_GAP_S = 0.004
DRIVING_PART = 0.5  # of the bus
EDGE_S = 0.001  # at either end of a drive the output is on its way
SETTLE_S = 0.1  # on, off and hand-over take no longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """A stretch in which an output drove one way (+1: plus pin positive), in capture time."""

    start_s: float
    end_s: float
    direction: int

    @property
    def duration_s(self) -> float:
        """How long it drove."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """A stretch in which a switch line stood at ground, as read back at its pin, in capture time."""

    closed_s: float
    opened_s: float


def drives_of(record: Record, axis: TrimAxis) -> tuple[Drive, ...]:
    """Return every stretch in which the output drove, in order of time; each end is known to half a sample."""
    volts = record.samples(voltage_signal(axis.name))
    bus = record.samples("unit.voltage")
    if record.capture is None or not volts.size or not bus.size:
        return ()
    level_v = DRIVING_PART * float(np.median(bus))
    ways = (volts > level_v).astype(np.int8) - (volts < -level_v).astype(np.int8)
    changes = np.flatnonzero(np.diff(np.concatenate(([0], ways, [0]))))
    found: list[Drive] = []
    rate_hz = record.capture.sample_rate_hz
    for first, last in pairwise(changes.tolist()):
        way = int(ways[first]) if first < ways.size else 0
        if not way:
            continue
        start_s, end_s = (float(first) - 0.5) / rate_hz, (float(last) - 0.5) / rate_hz
        if found and found[-1].direction == way and start_s - found[-1].end_s < PULSE_GAP_S:
            found[-1] = Drive(start_s=found[-1].start_s, end_s=end_s, direction=way)
        else:
            found.append(Drive(start_s=start_s, end_s=end_s, direction=way))
    return tuple(found)


def presses_of(record: Record, switch: TrimSwitch) -> tuple[Press, ...]:
    """Return every stretch in which a switch line stood closed, in order of time."""
    if record.capture is None or switch.name not in record.capture.lines:
        return ()
    edges = line_edges(record.capture.line(switch.name))
    instants_s = (edges.positions - 0.5) / record.capture.sample_rate_hz
    closing, opening = instants_s[edges.rising], instants_s[~edges.rising]
    found = []
    for closed_s in closing:
        after = opening[opening > closed_s]
        if after.size:
            found.append(Press(closed_s=float(closed_s), opened_s=float(after[0])))
    return tuple(found)


def press_doubts(record: Record, switch: TrimSwitch, presses: Sequence[Press]) -> tuple[Doubt, ...]:
    """Return the doubt that the line, read back at its pin, did not move as often as it was told to."""
    if record.capture is None:
        return record.missing
    asked = sum(bool(stimulus.value) for stimulus in record.stimuli(switch.name))
    if asked and asked == len(presses):
        return ()
    return (
        Doubt(
            reason=f"{record.name}: line {switch.name} closed pin {switch.pin} {len(presses)} times of {asked} asked",
            cause=Cause.UNDECIDED if asked else Cause.BENCH,
            next_step="unplug the unit and work the line again (bench-check)",
        ),
    )


def sample_doubts(record: Record, setup: Setup, axis: TrimAxis, condition: str = LIGHT) -> tuple[Doubt, ...]:
    """Return why what an output shows in a capture says nothing of the unit.

    Samples lost or clipped, a switch line closed that nobody closed, a supply that does not hold, an output pulsed.
    """
    if record.capture is None:
        return record.missing
    found = [
        *record.doubts(("unit.voltage", voltage_signal(axis.name))),
        *stray_doubts(record),
        *supply_doubts(record, setup, condition),
    ]
    full_kt = setup.unit.full_trim_airspeed_kt
    for drive in drives_of(record, axis):
        span = (drive.start_s + EDGE_S, drive.end_s - EDGE_S)
        found.extend(duty_doubts(record, axis, *span, full_airspeed_kt=full_kt))
    return tuple(dict.fromkeys(found))


def first_drive(drives: Iterable[Drive], direction: int, from_s: float, to_s: float) -> Drive | None:
    """Return the first drive one way that begins in [from_s, to_s)."""
    return next((drive for drive in drives if drive.direction == direction and from_s <= drive.start_s < to_s), None)


def driven_part(drives: Iterable[Drive], direction: int, from_s: float, to_s: float) -> float:
    """Return which part of a stretch the output drove one way, 0 to 1."""
    inside = [min(drive.end_s, to_s) - max(drive.start_s, from_s) for drive in drives if drive.direction == direction]
    return sum(span for span in inside if span > 0.0) / (to_s - from_s)


def drives_throughout(drives: Iterable[Drive], direction: int, from_s: float, to_s: float) -> bool:
    """Say whether the output drove one way through all of a stretch."""
    return driven_part(drives, direction, from_s, to_s) > 0.999


def rests(record: Record, axis: TrimAxis, from_s: float, to_s: float) -> bool:
    """Say whether the output stood at rest through all of a stretch, in 5 ms means."""
    means = record.smoothed(voltage_signal(axis.name), from_s, to_s)
    return bool(means.size) and float(np.max(np.abs(means))) <= MOTION_V


def axis_observation(
    axis: TrimAxis,
    record: Record,
    *,
    id_: str,
    title: str,
    statement: str,
    tried: Sequence[str],
    doubts: Iterable[Doubt] = (),
) -> Observation:
    """Return an observation about one axis: `tried` has an entry a trial, what went wrong in words or ""."""
    wrong = [words for words in tried if words]
    return Observation(
        id=id_,
        title=f"{axis.title}: {title}",
        function=axis.function,
        statement=statement,
        trials=len(tried),
        failures=len(wrong),
        detail="; ".join(dict.fromkeys(wrong)),
        doubts=tuple(dict.fromkeys(doubts)),
        captures=record.names,
        pins=(axis.plus_pin, axis.minus_pin),
    )


def time_measurement(
    found: Estimate, axis: TrimAxis, *, id_: str, limit: str, title: str, trials: int, notes: tuple[str, ...] = ()
) -> Measurement:
    """Return a time about one axis, the worst of `trials`, as a measurement."""
    return found.measurement(
        id=id_,
        limit=limit,
        title=f"{axis.title}: {title}",
        function=axis.function,
        quantity_unit="s",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=notes,
        trials=trials,
    )


def seats_of(axis: TrimAxis) -> tuple[str, ...]:
    """Return the seats of an axis in order of priority."""
    return tuple(dict.fromkeys(switch.seat for switch in axis.switches))


def of_seat(axis: TrimAxis, seat: str) -> tuple[TrimSwitch, ...]:
    """Return the switches of one seat."""
    return tuple(switch for switch in axis.switches if switch.seat == seat)


def opposite_of(axis: TrimAxis, switch: TrimSwitch) -> TrimSwitch | None:
    """Return the same seat's switch that drives the other way; None where it has none."""
    return next((other for other in of_seat(axis, switch.seat) if other.polarity != switch.polarity), None)
