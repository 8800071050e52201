"""Whether a unit came back from one fall and rise of the bus, and how often it and its hold-up output went. Pure.

Life shows in the pulses of a PWM output at half level, in reports, or in frames on the receive line that the bench did
not send: a unit that hangs shows none of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.edges import find_edges
from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_ramp import lit, monitored_output
from test_plans.bus_ramp_readings import PWM_HIGH_V, PWM_LOW_V, SILENT_PERIODS
from test_plans.bus_slope import Achieved, Slope, achieved, slope_doubts
from test_plans.hold_up import OFF_PART
from test_plans.profile_shot import hold_up_of
from test_plans.readings import FILTER_S, Record
from test_plans.receive_line import foreign_bursts_s
from test_plans.reset_counts import ITEM
from test_plans.sheets import Setup
from test_plans.signals import voltage_signal

LAST_S = 0.2  # at the end of a capture: pulses in it show life
STANDS_S = 0.5  # at the end of a capture the bus must have stood where the unit works


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRun:
    """One fall and rise.

    Args:
        slope: as asked for.
        rates: as achieved at the pins.
        turned_s: capture time at which the bus stood lowest.
        alive_before: it showed life ahead of the fall.
        alive_after: it did once the bus was back.
        silences: how often its pulses ceased and came again; None where none are looked at.
        resets: by its own count; None where it was not reported before and after.
        changes: how often the hold-up output went or came.
        doubts: why the capture shows nothing.
    """

    record: Record
    slope: Slope
    rates: Achieved
    turned_s: float
    alive_before: bool
    alive_after: bool
    silences: int | None
    resets: int | None
    changes: int
    doubts: tuple[Doubt, ...]

    @property
    def hung(self) -> bool:
        """Whether it surely did not come back."""
        return self.alive_before and not self.alive_after and not self.doubts


def read_runs(shots: Iterable[tuple[Record, Slope]], setup: Setup, *, before_s: float) -> tuple[ScanRun, ...]:
    """Return captures as read, in the order taken; `before_s` is how long the bus stands ahead of each fall."""
    counted: int | None = None
    found = []
    for record, slope in shots:
        run = _read(record, slope, setup, before_s=before_s, counted=counted)
        found.append(run)
        # What was reported ahead of a reset, or in a capture before the last, says nothing of what the count is now.
        since = record.reports(ITEM)
        counted = record.count(ITEM, last=True) if since and since[-1].time_s > run.turned_s else None
    return tuple(found)


def shows_life(record: Record, setup: Setup, from_s: float, to_s: float) -> bool:
    """Say whether pulses, reports or frames of the unit show in a stretch."""
    pulses = _edges_s(record, setup)
    if np.any((pulses >= from_s) & (pulses < to_s)):
        return True
    if any(from_s <= event.time_s < to_s for event in record.reports()):
        return True
    bursts = None if record.capture is None else foreign_bursts_s(record.capture)
    return bursts is not None and bool(np.any((bursts >= from_s) & (bursts < to_s)))


def _read(record: Record, slope: Slope, setup: Setup, *, before_s: float, counted: int | None) -> ScanRun:
    rates = achieved(record, slope, setup)
    bus = record.smoothed("unit.voltage")
    turned_s = float(bus.argmin()) * FILTER_S if bus.size else 0.0
    back_s = _back_s(record, setup, turned_s)
    alive_before = shows_life(record, setup, 0.0, before_s)
    last_s = record.duration_s if monitored_output(setup) is None else LAST_S
    pulses = _edges_s(record, setup)
    alive_after = bool(np.any(pulses >= record.duration_s - last_s)) or _heard(record, back_s)
    return ScanRun(
        record=record,
        slope=slope,
        rates=rates,
        turned_s=turned_s,
        alive_before=alive_before,
        alive_after=alive_after,
        silences=_silences(record, setup),
        resets=_resets(record, turned_s, counted),
        changes=_changes(record, setup),
        doubts=_doubts(record, slope, setup, rates, alive_before=alive_before),
    )


def _heard(record: Record, from_s: float) -> bool:
    """Say whether a report came, or a frame of the unit was on the line, from an instant on."""
    if any(event.time_s >= from_s for event in record.reports()):
        return True
    bursts = None if record.capture is None else foreign_bursts_s(record.capture)
    return bursts is not None and bool(np.any(bursts >= from_s))


def _back_s(record: Record, setup: Setup, turned_s: float) -> float:
    """Return when the bus, after its turn, was where the unit works."""
    bus = record.smoothed("unit.voltage", turned_s)
    back = np.flatnonzero(bus >= setup.unit.lowest_voltage_v)
    return turned_s + float(back[0]) * FILTER_S if back.size else record.duration_s


def _edges_s(record: Record, setup: Setup) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    output = monitored_output(setup)
    if output is None or record.capture is None:
        return np.empty(0)
    volts = record.samples(voltage_signal(output.name))
    return np.asarray(find_edges(volts, PWM_LOW_V, PWM_HIGH_V).positions / record.capture.sample_rate_hz)


def _silences(record: Record, setup: Setup) -> int | None:
    output, edges_s = monitored_output(setup), _edges_s(record, setup)
    if output is None:
        return None
    return int(np.count_nonzero(np.diff(edges_s) > SILENT_PERIODS / output.frequency_hz))


def _resets(record: Record, turned_s: float, counted: int | None) -> int | None:
    """Return how far the reset count went up; `counted` is what it was left at before."""
    before = record.count(ITEM, last=True, before_s=turned_s)
    before = counted if before is None else before
    after = [event for event in record.reports(ITEM) if event.time_s > turned_s]
    return None if before is None or not after else int(after[-1].fields["count"]) - before


def _changes(record: Record, setup: Setup) -> int:
    output = hold_up_of(setup)
    if output is None:
        return 0
    there = record.samples(voltage_signal(output.name)) > OFF_PART * output.held_v
    return int(np.count_nonzero(there[1:] != there[:-1]))


def _doubts(record: Record, slope: Slope, setup: Setup, rates: Achieved, *, alive_before: bool) -> tuple[Doubt, ...]:
    if record.capture is None:
        return record.missing
    output, hold_up = monitored_output(setup), hold_up_of(setup)
    looked_at = [voltage_signal(one.name) for one in (output, hold_up) if one is not None]
    found = [*record.doubts(("unit.voltage", *looked_at)), *slope_doubts(record, slope, rates)]
    stood = record.smoothed("unit.voltage", record.duration_s - STANDS_S)
    if not stood.size or stood.min() < setup.unit.lowest_voltage_v:
        reason = f"{record.name}: the bus was not back at {setup.unit.lowest_voltage_v:g} V when life was looked for"
        step = "see what holds the supply, and the contactor"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    if output is not None and not lit(record, setup, output):
        reason = f"{record.name}: the rheostat of {output.title} did not stand at half all the time"
        step = "unplug the unit and drive the line again (bench-check)"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))
    if not found and not alive_before:
        reason = f"{record.name}: the unit showed no life before the bus fell"
        step = "see power-up, and what the steps before left it in"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))
    return tuple(dict.fromkeys(found))
