"""Signals as pieces, and their values at many instants at once.

A node's voltage (against the unit's signal ground) or a current is, piece by piece,
constant + slope t + k_v V(t) + k_i I(t), possibly chopped by PWM or capped below the bus, a sine of ripple or the
exponentials of a motor on it. V and I come from the input network. Values depend on the instants alone, never on how
many are asked for together.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.network import Segment
from instruments.simulated.timeline import Timeline
from instruments.simulated.transient import Transient

Values = float | NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Chopping:
    """PWM: high for `on_ns` from `origin_ns` + k periods on; low is 0."""

    origin_ns: int
    period_ns: float
    on_ns: int

    def next_start_ns(self, time_ns: int) -> int:
        """Return the first start of a period at or after `time_ns`."""
        count = math.ceil((time_ns - self.origin_ns) / self.period_ns)
        while (start_ns := self.origin_ns + round(count * self.period_ns)) < time_ns:
            count += 1
        return start_ns

    def intervals(self, first_ns: int, last_ns: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return starts and ends of the high stretches that touch [first, last]."""
        low = math.floor((first_ns - self.origin_ns) / self.period_ns) - 1
        high = math.ceil((last_ns - self.origin_ns) / self.period_ns) + 1
        counts = np.arange(low, high + 1, dtype=np.float64)
        starts = self.origin_ns + np.rint(counts * self.period_ns).astype(np.int64)
        return starts, starts + self.on_ns


@dataclass(frozen=True, slots=True)
class Ripple:
    """A sine through all time, of half its peak-to-peak value."""

    amplitude: float
    period_ns: float


class Swing(NamedTuple):
    """One exponential: the real part of amplitude exp(rate t), t in seconds from the piece's start."""

    amplitude: complex
    rate_per_s: complex


@dataclass(frozen=True, slots=True)
class Piece:
    """One stretch of a signal; `headroom_v` caps `constant` at V(t) - headroom (never below 0)."""

    constant: float = 0.0
    slope_per_s: float = 0.0
    k_v: float = 0.0
    k_i: float = 0.0
    headroom_v: float | None = None
    chopping: Chopping | None = None
    ripple: Ripple | None = None
    swings: tuple[Swing, ...] = ()


ZERO = Piece()


class Signal:
    """A node or a current through all time."""

    def __init__(self) -> None:
        self.timeline: Timeline[Piece] = Timeline(ZERO)

    def put(self, start_ns: int, piece: Piece) -> None:
        """Let it follow `piece` from `start_ns` on."""
        if (
            piece != self.timeline.last
            or piece.slope_per_s != 0.0
            or piece.swings
            or self.timeline.last_start_ns >= start_ns
        ):
            self.timeline.put(start_ns, piece)


class Window:
    """Instants to be sampled, with V(t) and I(t) worked out at most once."""

    def __init__(self, times_ns: NDArray[np.int64], history: Timeline[Segment]) -> None:
        self.times_ns = times_ns
        self._segments = history.window(times_ns)
        self._voltage: Values | None = None
        self._current: Values | None = None
        self._ground: Values | None = None

    def voltage(self) -> Values:
        """Return volts across the unit's input capacitor; a float where it never changes."""
        if self._voltage is None:
            self._voltage = self._values([segment.voltage for _, _, segment in self._segments])
        return self._voltage

    def current(self) -> Values:
        """Return amps in the leads."""
        if self._current is None:
            self._current = self._values([segment.current for _, _, segment in self._segments])
        return self._current

    def terminal(self) -> Values:
        """Return volts at the supply's terminals."""
        return self._values([segment.terminal for _, _, segment in self._segments])

    def ground_drop(self) -> Values:
        """Return volts along the ground pin, positive when current returns through it."""
        if self._ground is None:
            self._ground = self._values(
                [segment.current.scaled(segment.ground_ohm) for _, _, segment in self._segments]
            )
        return self._ground

    def signal(self, signal: Signal) -> Values:
        """Return the values of a signal."""
        pieces = signal.timeline.window(self.times_ns)
        if len(pieces) == 1:
            return self._piece(pieces[0][0], pieces[0][1], pieces[0][2])
        out = np.empty(len(self.times_ns))
        for span, start_ns, piece in pieces:
            out[span] = self._piece(span, start_ns, piece)
        return out

    def _values(self, courses: list[Transient]) -> Values:
        if len(courses) == 1 and courses[0].swing == 0.0 and courses[0].slope_per_s == 0.0:
            return courses[0].level
        out = np.empty(len(self.times_ns))
        for (span, start_ns, _), course in zip(self._segments, courses, strict=True):
            if course.swing == 0.0 and course.slope_per_s == 0.0:
                out[span] = course.level
                continue
            dt_s = (self.times_ns[span] - start_ns) / NS_PER_S
            values = course.level + course.slope_per_s * dt_s
            if course.swing != 0.0:
                values += course.swing * np.exp(-dt_s / course.tau_s)
            out[span] = values
        return out

    def _piece(self, span: slice, start_ns: int, piece: Piece) -> Values:
        value: Values = piece.constant
        if piece.slope_per_s != 0.0:
            value = value + piece.slope_per_s * ((self.times_ns[span] - start_ns) / NS_PER_S)
        if piece.k_v != 0.0:
            value = value + piece.k_v * _part(self.voltage(), span)
        if piece.k_i != 0.0:
            value = value + piece.k_i * _part(self.current(), span)
        if piece.swings:
            value = value + swung(piece.swings, (self.times_ns[span] - start_ns) / NS_PER_S)
        if piece.headroom_v is not None:
            value = np.minimum(value, np.maximum(_part(self.voltage(), span) - piece.headroom_v, 0.0))
        if piece.ripple is not None:
            phase = self.times_ns[span] / piece.ripple.period_ns
            value = value + piece.ripple.amplitude * np.sin(2.0 * np.pi * phase)
        if piece.chopping is not None:
            return self._chopped(span, piece.chopping, value)
        return value

    def _chopped(self, span: slice, chopping: Chopping, value: Values) -> NDArray[np.float64]:
        times_ns = self.times_ns[span]
        starts, ends = chopping.intervals(int(times_ns[0]), int(times_ns[-1]))
        out = np.zeros(len(times_ns))
        lows, highs = np.searchsorted(times_ns, starts).tolist(), np.searchsorted(times_ns, ends).tolist()
        for low, high in zip(lows, highs, strict=True):
            if low < high:
                out[low:high] = _part(value, slice(low, high))
        return out


def swung(swings: tuple[Swing, ...], times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum of exponentials at times from their start, shape (n,)."""
    out = np.zeros(len(times_s))
    for amplitude, rate_per_s in swings:
        if amplitude.imag == 0.0 and rate_per_s.imag == 0.0:
            out += amplitude.real * np.exp(rate_per_s.real * times_s)
        else:
            out += (amplitude * np.exp(rate_per_s * times_s)).real
    return out


def _part(values: Values, span: slice) -> Values:
    return values[span] if isinstance(values, np.ndarray) else values
