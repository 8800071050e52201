"""Captures as `evaluate` reads them: what is missing or spoilt becomes a doubt, never an exception.

Only what several procedures share; the arithmetic of uncertainty is `analysis.uncertainty`'s.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Capture, Event
from analysis.line_fit import fit_line
from analysis.measurement import Doubt
from analysis.power import AGREES_WITHIN_U
from analysis.reading import at_channel, mean_reading, stretch_doubts
from analysis.uncertainty import Estimate, combined, with_doubts
from analysis.verdict import Cause
from test_plans.procedure import Evidence, MissingCaptureError

FILTER_S = 0.005  # bandwidth of "voltage on an output": short spikes don't turn a motor


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
        line = fit_line(offsets_s, values)
        estimate = at_channel(self.capture.channels[signal], line.offset, u_noise=line.u_offset, capture=self.name)
        doubts = stretch_doubts(self.capture, signal, start_s, stop_s, least_samples=3)
        return Fit(value=doubted(estimate, *doubts), slope_per_s=line.slope)

    def stimuli(self, line: str) -> tuple[Stimulus, ...]:
        """Return what one stimulus line was told, in order of time."""
        return tuple(
            Stimulus(time_s=event.time_s, value=float(event.fields.get("value", math.nan)))
            for event in self._events("stimulus", line)
        )

    def reports(self, item: str | None = None) -> tuple[Event, ...]:
        """Return the unit's reports, of one item or all, in order of time."""
        return self._events("report", item)

    def report_times_s(self) -> NDArray[np.float64]:
        """Return when the unit's reports came, of whatever item, shape (n,), ascending."""
        return np.empty(0) if self.capture is None else self.capture.events.times_s("report")

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

    def _events(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        return () if self.capture is None else self.capture.events_of(kind, name)


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


def agreement(residue: Estimate) -> bool:
    """Say whether a residue is explained by its uncertainty: within 3 u. NaN is not."""
    return abs(residue.value) <= AGREES_WITHIN_U * residue.standard_uncertainty
