"""Captures as `evaluate` reads them: what is missing or spoilt becomes a doubt, never an exception.

Only what several procedures share; the arithmetic of uncertainty is `analysis.uncertainty`'s.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Capture, Event
from analysis.measurement import Doubt, Observation
from analysis.power import LIMITING_FRACTION, limiting_doubt
from analysis.ramp import threshold_on_ramp
from analysis.reading import at_channel, mean_reading, stretch_doubts
from analysis.uncertainty import Estimate, combined
from analysis.verdict import Cause
from test_plans.procedure import Evidence, MissingCaptureError
from test_plans.sheets import Setup

FILTER_S = 0.005  # bandwidth of "voltage on an output": short spikes don't turn a motor
SILENT_S = 2.0
AGREEMENT_U = 3.0


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


def doubted(estimate: Estimate, *doubts: Doubt) -> Estimate:
    """Return a plain estimate with further doubts."""
    merged = tuple(dict.fromkeys((*estimate.doubts, *doubts)))
    return Estimate(value=estimate.value, terms=estimate.terms, doubts=merged, captures=estimate.captures)


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
    return abs(residue.value) <= AGREEMENT_U * residue.standard_uncertainty


def supply_doubts(
    record: Record, setup: Setup, condition: str, start_s: float = 0.0, stop_s: float | None = None
) -> tuple[Doubt, ...]:
    """Return doubts about the supply in a steady stretch, read from samples, attributed by the sheet.

    It stands below its setting and the current is at 97 % of the limit or more: the bench's where the limit is under
    1.3 times what a conforming unit may draw, else undecided here (a draw the unit does not explain). It stands below
    its setting without reaching the limit: the bench's.
    """
    if record.capture is None:
        return ()
    at_s = start_s + 1e-9
    set_v, limit_a = record.setting("set_voltage_v", at_s), record.setting("current_limit_a", at_s)
    voltage = record.mean("unit.voltage", start_s, stop_s)
    current = record.mean("unit.current.high" if record.holds("unit.current.high") else "unit.current", start_s, stop_s)
    facts = setup.bench
    bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
    u = math.hypot(voltage.standard_uncertainty, bound_v / math.sqrt(3.0))
    if not voltage.value < set_v - AGREEMENT_U * u:
        return ()
    seen = f"{record.name}: {voltage.value:.2f} V at the unit with {set_v:.2f} V set, {current.value:.2f} A flowing"
    conforming_a = setup.unit.conforming_current_a.get(condition, 0.0)
    if current.value < LIMITING_FRACTION * limit_a:
        return (
            Doubt(
                reason=f"{seen}, below the limit of {limit_a:.2f} A: the supply does not hold its setting",
                cause=Cause.BENCH,
                next_step="check the supply's sense leads and its current limit on a known load",
            ),
        )
    return (limiting_doubt(limit_a=limit_a, conforming_a=conforming_a),)


def silence_doubts(record: Record, evidence: Evidence) -> tuple[Doubt, ...]:
    """Return the doubt that no report came at all in a capture of 2 s and more.

    The link between unit and bench is proved once the ready time was measured; then silence is the unit's.
    """
    if record.duration_s < SILENT_S or record.reports():
        return ()
    ready = evidence.earlier(READY_ID)
    proved = ready is not None and math.isfinite(ready.value)
    return (
        Doubt(
            reason=f"{record.name}: no report of the unit on the avionics bus in {record.duration_s:.1f} s"
            + (", though they came at power-up" if proved else ""),
            cause=Cause.UNIT if proved else Cause.UNDECIDED,
            next_step="check the bus lines and their termination, then put a known good unit on the bench",
        ),
    )


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
