"""Captures as `evaluate` reads them: what is missing or spoilt becomes a doubt, never an exception.

Only what several procedures share; the arithmetic of uncertainty is `analysis.uncertainty`'s.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.capture import CODE_MAX, Capture, Event
from analysis.measurement import Doubt, Observation
from analysis.power import AGREES_WITHIN_U, LIMITING_FRACTION, limiting_doubt, limiting_samples
from analysis.ramp import threshold_on_ramp
from analysis.reading import at_channel, mean_reading, stretch_doubts
from analysis.uncertainty import Estimate, combined, with_doubts
from analysis.verdict import Cause
from test_plans.conditions import conforming_a
from test_plans.procedure import Evidence, MissingCaptureError
from test_plans.receive_line import foreign_bursts_s
from test_plans.sheets import Setup

FILTER_S = 0.005  # bandwidth of "voltage on an output": short spikes don't turn a motor
SILENT_S = 2.0
SILENT_PERIODS = 1.25  # of the report period without any report: more is silence
HEARD_WITHIN_S = 0.02  # a burst of several frames and the host's delay
WHOLE_RANGE = 0.99  # of a current's range: from there on it may be any current
RECOVERS_BLOCKS = 4  # of 5 ms, after a limit was left
DIP_FRACTION = 0.05  # of its setting: a bus that falls further, for 5 ms, was not standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """A stimulus as it was handed to the bench: capture time and new value (volts, or closed)."""

    time_s: float
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A straight line through a stretch of one signal: its value at one instant, and its slope."""

    value: Estimate
    slope_per_s: float


class Record:
    """One capture of the evidence, or the doubt that it is missing."""

    def __init__(self, evidence: Evidence, name: str) -> None:
        self.name = name
        self.capture: Capture | None = None
        self.missing: tuple[Doubt, ...] = ()
        try:
            self.capture = evidence.capture(name)
        except MissingCaptureError:
            self.missing = (
                Doubt(
                    reason=f"capture {name} was not taken or can't be read",
                    cause=Cause.BENCH,
                    next_step="run the procedure again",
                ),
            )

    @property
    def names(self) -> tuple[str, ...]:
        """The capture's name for a result, empty where it is missing."""
        return () if self.capture is None else (self.name,)

    @property
    def duration_s(self) -> float:
        """Length of the capture; 0 where it is missing."""
        return 0.0 if self.capture is None else self.capture.duration_s

    def holds(self, signal: str) -> bool:
        """Say whether the capture has this analogue signal."""
        return self.capture is not None and signal in self.capture.channels

    def mean(self, signal: str, start_s: float = 0.0, stop_s: float | None = None) -> Estimate:
        """Return the mean of a signal over a stretch; NaN with a doubt where there is none."""
        if self.capture is None:
            return nothing(*self.missing)
        if signal not in self.capture.channels:
            return nothing(absent(self.name, signal))
        return mean_reading(self.capture, signal, start_s, stop_s)

    def doubts(self, signals: Iterable[str], start_s: float = 0.0, stop_s: float | None = None) -> tuple[Doubt, ...]:
        """Return why these signals can't be relied on over a stretch."""
        if self.capture is None:
            return self.missing
        found: list[Doubt] = []
        for signal in signals:
            if signal in self.capture.channels:
                found.extend(stretch_doubts(self.capture, signal, start_s, stop_s))
            else:
                found.append(absent(self.name, signal))
        return tuple(dict.fromkeys(found))

    def gap_doubts(self, start_s: float = 0.0, stop_s: float | None = None) -> tuple[Doubt, ...]:
        """Return the doubt that samples of any kind were lost in a stretch, or that there are none."""
        if self.capture is None:
            return self.missing
        if not self.capture.gapped(start_s, stop_s):
            return ()
        reason = f"{self.name}: samples were lost"
        step = "repeat the procedure; if it happens again, check the link to the DAQ"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)

    def samples(self, signal: str, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Return samples of a signal, shape (n,); empty where there are none."""
        if not self.holds(signal) or self.capture is None:
            return np.empty(0)
        return self.capture.channel(signal, start_s, stop_s)

    def smoothed(self, signal: str, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Return means of consecutive 5 ms of a signal, shape (n,)."""
        values = self.samples(signal, start_s, stop_s)
        if self.capture is None:
            return values
        length = max(1, round(FILTER_S * self.capture.sample_rate_hz))
        n = values.size // length
        return np.asarray(values[: n * length].reshape(n, length).mean(axis=1), dtype=np.float64)

    def driven(self, signal: str, level_v: float, start_s: float, stop_s: float) -> tuple[tuple[float, float], ...]:
        """Return (from, to) of every stretch in which the 5 ms mean of |signal| is at least `level_v`, capture time.

        A stretch that begins or ends with [start_s, stop_s) begins or ends there; each instant is known to 5 ms.
        """
        active = np.abs(self.smoothed(signal, start_s, stop_s)) >= level_v
        if not active.any():
            return ()
        padded = np.concatenate(([False], active, [False]))
        changes = np.flatnonzero(padded[1:] != padded[:-1])
        instants_s = start_s + changes * FILTER_S
        return tuple(zip(instants_s[::2].tolist(), instants_s[1::2].tolist(), strict=True))

    def largest(self, signal: str, start_s: float = 0.0, stop_s: float | None = None) -> Estimate:
        """Return the 5 ms mean of largest magnitude in a stretch, with its sign."""
        values = self.smoothed(signal, start_s, stop_s)
        if self.capture is None or not values.size:
            return nothing(*(self.missing or (absent(self.name, signal),)))
        channel = self.capture.channels[signal]
        value = float(values[np.argmax(np.abs(values))])
        length = max(1, round(FILTER_S * self.capture.sample_rate_hz))
        found = at_channel(channel, value, u_noise=channel.noise / math.sqrt(length), capture=self.name)
        return doubted(found, *stretch_doubts(self.capture, signal, start_s, stop_s))

    def fit(self, signal: str, at_s: float, half_width_s: float) -> Fit:
        """Fit a straight line over `at_s` +/- `half_width_s`; u is that of the line at `at_s`, from its residues."""
        start_s, stop_s = at_s - half_width_s, at_s + half_width_s
        values = self.samples(signal, start_s, stop_s)
        if self.capture is None or values.size < 3:
            return Fit(value=nothing(*(self.missing or (absent(self.name, signal),))), slope_per_s=math.nan)
        first = self.capture.span(start_s, stop_s).start
        offsets_s = (np.arange(first, first + values.size) / self.capture.sample_rate_hz) - at_s
        slope, level = np.polyfit(offsets_s, values, 1)
        residues = values - (slope * offsets_s + level)
        u = float(residues.std(ddof=2)) / math.sqrt(values.size) if values.size > 2 else 0.0
        estimate = at_channel(self.capture.channels[signal], float(level), u_noise=u, capture=self.name)
        doubts = stretch_doubts(self.capture, signal, start_s, stop_s, least_samples=3)
        return Fit(value=doubted(estimate, *doubts), slope_per_s=float(slope))

    def stimuli(self, line: str) -> tuple[Stimulus, ...]:
        """Return what one stimulus line was told, in order of time."""
        return tuple(
            Stimulus(time_s=event.time_s, value=float(event.fields.get("value", math.nan)))
            for event in self._events("stimulus")
            if event.fields.get("line") == line
        )

    def reports(self, item: str | None = None) -> tuple[Event, ...]:
        """Return the unit's reports, of one item or all, in order of time."""
        return tuple(event for event in self._events("report") if item is None or event.fields.get("item") == item)

    def notes(self, key: str) -> tuple[tuple[float, float | int | str | bool], ...]:
        """Return (capture time, value) of every note that has `key`."""
        return tuple((event.time_s, event.fields[key]) for event in self._events("note") if key in event.fields)

    def supply_readings(self) -> tuple[Event, ...]:
        """Return the supply's own readings."""
        return self._events("supply")

    def setting(self, key: str, at_s: float | None = None) -> float:
        """Return a setting of the bench as it stood at `at_s` (default: at the start); NaN where it is not known."""
        value: float | int | str | bool = math.nan if self.capture is None else self.capture.settings.get(key, math.nan)
        for time_s, noted in self.notes(key):
            if at_s is not None and time_s <= at_s:
                value = noted
        return float(value)

    def count(self, item: str, *, last: bool = False, before_s: float = math.inf) -> int | None:
        """Return the count that report `item` showed first, or last, ahead of `before_s`; None where it never came."""
        events = [event for event in self.reports(item) if event.time_s < before_s]
        return int(events[-1 if last else 0].fields["count"]) if events else None

    def _events(self, kind: str) -> tuple[Event, ...]:
        if self.capture is None:
            return ()
        return tuple(sorted(self.capture.events_of(kind), key=lambda event: event.time_s))


def nothing(*doubts: Doubt) -> Estimate:
    """Return an estimate without a value: NaN, and why."""
    return Estimate(value=math.nan, doubts=doubts)


doubted = with_doubts  # the name procedures know it by


def absent(capture: str, signal: str) -> Doubt:
    """Return the doubt that a capture does not hold a signal in the stretch asked for."""
    return Doubt(
        reason=f"{capture}: no samples of {signal} in the stretch", cause=Cause.BENCH, next_step="run it again"
    )


def magnitude(estimate: Estimate) -> Estimate:
    """Return |estimate|."""
    sign = -1.0 if estimate.value < 0.0 else 1.0
    return combined(abs(estimate.value), ((estimate, sign),))


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """A delay known to lie within `mean_s` +/- `bound_s`."""

    mean_s: float
    bound_s: float

    @classmethod
    def between(cls, shortest_s: float, longest_s: float) -> Self:
        """Return the delay that lies anywhere between two bounds."""
        return cls(mean_s=0.5 * (shortest_s + longest_s), bound_s=0.5 * (longest_s - shortest_s))


def crossing_on_ramp(
    record: Record,
    signal: str,
    *,
    detected_s: float,
    delay: Delay,
    interval_s: float = 0.0,
    half_width_s: float = 0.025,
) -> Estimate:
    """Return where a ramp stood when a threshold was crossed that was noticed only later.

    The ramp is read by a straight line about the instant of detection; what it moved in the delay, and in half the
    interval at which anybody looked, is taken off by `analysis.ramp`.
    """
    fit = record.fit(signal, detected_s, half_width_s)
    if math.isnan(fit.value.value):
        return fit.value
    found = threshold_on_ramp(
        fit.value,
        rate_v_per_s=fit.slope_per_s,
        delay_s=delay.mean_s,
        delay_bound_s=delay.bound_s,
        sample_interval_s=interval_s,
        name=f"{record.name} {signal} at {detected_s:.3f} s",
    )
    return doubted(found, *fit.value.doubts)


def agreement(residue: Estimate) -> bool:
    """Say whether a residue is explained by its uncertainty: within 3 u. NaN is not."""
    return abs(residue.value) <= AGREES_WITHIN_U * residue.standard_uncertainty


def supply_doubts(
    record: Record, setup: Setup, condition: str, start_s: float = 0.0, stop_s: float | None = None
) -> tuple[Doubt, ...]:
    """Return doubts about the supply in a steady stretch, read from samples, attributed by the sheet.

    Off the setting without reaching the limit: the bench's (`bus_doubts`); what the supply limits while it charges the
    bus again is no draw to explain. Else any sample below the setting with the current at 97 % of the limit or more:
    it limits, which is the bench's where the limit is under 1.3 times what a conforming unit may draw, else undecided
    here (a draw the unit does not explain).
    """
    if record.capture is None:
        return ()
    if off := bus_doubts(record, setup, start_s, stop_s):
        return off
    at_s = start_s + 1e-9
    set_v, limit_a = record.setting("set_voltage_v", at_s), record.setting("current_limit_a", at_s)
    flowing = "unit.current.high" if record.holds("unit.current.high") else "unit.current"
    limiting = limiting_samples(
        record.samples(flowing, start_s, stop_s),
        record.samples("unit.voltage", start_s, stop_s),
        limit_a=limit_a,
        set_v=set_v,
        tolerance_v=supply_tolerance_v(record, setup, set_v),
    )
    if not limiting.size:
        return ()
    return (limiting_doubt(limit_a=limit_a, conforming_a=conforming_a(setup, condition)),)


def bus_doubts(record: Record, setup: Setup, start_s: float = 0.0, stop_s: float | None = None) -> tuple[Doubt, ...]:
    """Return the bench's doubts that the bus stood where it was set in a stretch with one setting, in 5 ms means.

    What is looked at is only where the supply did not limit: there nothing the unit draws can move the bus. Its mean
    off the setting by more than 3 u, either way, is the supply's, the leads' or the channel's of `unit.voltage`; so is
    a short dip by a twentieth of the setting.
    """
    set_v = record.setting("set_voltage_v", start_s + 1e-9)
    free = record.smoothed("unit.voltage", start_s, stop_s)[unlimited(record, start_s, stop_s)]
    if record.capture is None or not free.size:
        return ()
    facts = setup.bench
    bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
    read = record.mean("unit.voltage", start_s, stop_s)
    allowed_v = AGREES_WITHIN_U * math.hypot(read.standard_uncertainty, bound_v / math.sqrt(3.0))
    mean_v, lowest_v = float(free.mean()), float(free.min())
    limit_a = record.setting("current_limit_a", start_s + 1e-9)
    if lowest_v < (1.0 - DIP_FRACTION) * set_v or mean_v < set_v - allowed_v:
        at = f"{mean_v:.2f} V" if lowest_v > mean_v - DIP_FRACTION * set_v else f"down to {lowest_v:.2f} V"
        reason = f"{at} at the unit with {set_v:.2f} V set, below the limit of {limit_a:.2f} A"
        whose = _supply_reads(record, set_v, start_s, stop_s) or "the supply does not hold its setting"
        step = "check the contactor, the supply's sense leads and its current limit on a known load"
    elif mean_v > set_v + allowed_v:
        reason, whose = f"{mean_v:.2f} V at the unit with {set_v:.2f} V set", "more than was set"
        step = "check the input of unit.voltage and the supply's sense leads (bench-check)"
    else:
        return ()
    return (Doubt(reason=f"{record.name}: {reason}: {whose}", cause=Cause.BENCH, next_step=step),)


def unlimited(record: Record, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.bool_]:
    """Return in which 5 ms of a stretch the supply surely did not limit, nor just before, and no sample is lost.

    Shape (n,), as `Record.smoothed` of the bus; all False where no current is known. A current at the end of its range
    may be any current.
    """
    capture = record.capture
    flowing = "unit.current.high" if record.holds("unit.current.high") else "unit.current"
    volts, amps = record.smoothed("unit.voltage", start_s, stop_s), record.samples(flowing, start_s, stop_s)
    if capture is None or not volts.size or not amps.size:
        return np.zeros(volts.size, dtype=np.bool_)
    length = max(1, round(FILTER_S * capture.sample_rate_hz))
    highest_a = min(
        LIMITING_FRACTION * record.setting("current_limit_a", start_s + 1e-9),
        WHOLE_RANGE * CODE_MAX * capture.channels[flowing].scale,
    )
    most = amps[: volts.size * length].reshape(volts.size, length).max(axis=1)
    spoilt = most >= highest_a
    for _ in range(RECOVERS_BLOCKS):
        spoilt[1:] |= spoilt[:-1]
    span = capture.span(start_s, stop_s)
    for gap in capture.gaps:
        first = (gap.first_sample - span.start) // length
        last = (gap.first_sample + gap.n_samples - 1 - span.start) // length
        spoilt[max(0, first) : max(0, last + 1)] = True
    return np.asarray(~spoilt, dtype=np.bool_)


def _supply_reads(record: Record, set_v: float, start_s: float, stop_s: float | None) -> str:
    """Say that the supply's own terminals stood at the setting all the time, where they did and were sampled."""
    at_supply = record.smoothed("supply.voltage", start_s, stop_s)
    if not at_supply.size or at_supply.min() < (1.0 - DIP_FRACTION) * set_v:
        return ""
    return (
        f"the supply's terminals stand at {float(at_supply.mean()):.2f} V; the contactor, the leads or the input of "
        "unit.voltage"
    )


def supply_tolerance_v(record: Record, setup: Setup, set_v: float) -> float:
    """Return how far below its setting a supply that regulates may read: bounds of setting and reading together."""
    facts = setup.bench
    bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
    if record.capture is None or not record.holds("unit.voltage"):
        return bound_v
    channel = record.capture.channels["unit.voltage"]
    return bound_v + channel.relative_bound * abs(set_v) + channel.absolute_bound


def silence_doubts(record: Record, evidence: Evidence, *, period_s: float = 1.0) -> tuple[Doubt, ...]:
    """Return the doubt that no report came in a capture of 2 s and more, or in a long stretch of it.

    The link between unit and bench is proved once the ready time was measured. Whose the silence is then, the receive
    line tells: the bench's where it shows frames that the host never had; the unit's where it shows none although the
    bus stood at its setting; undecided where the line was not sampled. A stretch of a capture is called silent only
    where the line says so: what a unit must report in it, its own characteristic asks for.
    """
    if record.capture is None:
        return ()
    bursts_s = foreign_bursts_s(record.capture)
    step = "check the bus lines and their termination, then put a known good unit on the bench"
    shown_s = np.empty(0) if bursts_s is None else bursts_s
    for from_s, to_s in _without_report(record, SILENT_PERIODS * period_s):
        unheard = int(np.count_nonzero((shown_s > from_s + HEARD_WITHIN_S) & (shown_s < to_s - HEARD_WITHIN_S)))
        if unheard:
            reason = (
                f"{record.name}: the host had no report for {to_s - from_s:.1f} s, "
                f"while the receive line shows {unheard} bursts that are not the bench's own"
            )
            return (Doubt(reason=reason, cause=Cause.BENCH, next_step="check the bus interface, then run it again"),)
    if record.duration_s < SILENT_S or record.reports():
        return ()
    ready = evidence.earlier(READY_ID)
    proved = ready is not None and math.isfinite(ready.value)
    silent_line = proved and bursts_s is not None and _bus_stood(record)
    return (
        Doubt(
            reason=f"{record.name}: no report of the unit on the avionics bus in {record.duration_s:.1f} s"
            + (", though they came at power-up" if proved else "")
            + (", and none of its frames on the receive line" if silent_line else ""),
            cause=Cause.UNIT if silent_line else Cause.UNDECIDED,
            next_step=step,
        ),
    )


def _without_report(record: Record, longest_s: float) -> list[tuple[float, float]]:
    """Return (from, to) of every stretch of a capture without a single report that is longer than `longest_s`."""
    instants_s = [0.0, *(event.time_s for event in record.reports()), record.duration_s]
    return [(one, other) for one, other in pairwise(instants_s) if other - one > longest_s]


def _bus_stood(record: Record) -> bool:
    """Say whether the bus stood near its setting all the time, in 5 ms means."""
    volts = record.smoothed("unit.voltage")
    return bool(volts.size) and bool(volts.min() >= (1.0 - DIP_FRACTION) * record.setting("set_voltage_v"))


READY_ID = "power-up.ready-time"


def bench_observation(
    id: str,  # noqa: A002  (the contract's own name)
    title: str,
    statement: str,
    *,
    wrong: Sequence[str],
    tried: bool,
    captures: Sequence[str],
    doubts: Sequence[Doubt] = (),
    notes: Sequence[str] = (),
) -> Observation:
    """Return an observation about the bench itself: `wrong` names what does not hold, in words.

    It is one trial however many channels it looks at: different channels are no repeats of each other.
    """
    return Observation(
        id=id,
        title=title,
        function="",
        statement=statement,
        trials=int(tried),
        failures=int(tried and bool(wrong)),
        detail="; ".join(wrong),
        source="bench sheet",
        cause_if_failed=Cause.BENCH,
        doubts=tuple(dict.fromkeys(doubts)),
        captures=tuple(dict.fromkeys(captures)),
        notes=tuple(notes),
    )
