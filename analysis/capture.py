"""`Capture`: sampled record of named signals on one timebase, with stimuli and events alongside.

Pure data: the samples come from a `SampleSource` handed in (a log, a Parquet file, an array), one channel
at a time, and the events from `Events`, one kind at a time, so a long record never stands in memory whole.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

CODE_MIN = -32768
CODE_MAX = 32767


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalogChannel:
    """How codes of one channel become a quantity, and how well: value = code * scale + offset.

    Args:
        name: signal, e.g. `pitch.voltage`.
        quantity_unit: "V" or "A".
        scale: quantity per code.
        offset: quantity at code 0.
        relative_bound: instrument bound as a fraction of reading (half-width).
        absolute_bound: instrument bound in the quantity's unit (half-width).
        noise: rms noise of one sample, in the quantity's unit.
        instrument: instrument and physical channel, e.g. `daq ai07`.
        calibration: calibration id, or what stands in its place.
        wiring: what it is wired to, e.g. `P1-4 to P1-5`.
    """

    name: str
    quantity_unit: str
    scale: float
    offset: float
    relative_bound: float
    absolute_bound: float
    noise: float
    instrument: str
    calibration: str
    wiring: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Samples lost: `n_samples` from index `first_sample` on are not known (stored as code 0)."""

    first_sample: int
    n_samples: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at `time_s` (capture time: 0 at sample 0), known to +/- `uncertainty_s`.

    Kinds: `stimulus` (fields: line, value), `report` (a decoded frame of the unit: fields item, state,
    counter, ...), `sent` (a frame the bench sent), `supply` (fields: voltage_v, current_a, set_v, limit_a),
    `answer` (fields: prompt, answer, of a look also asked and lit: names with commas between), `note`.
    """

    time_s: float
    uncertainty_s: float
    kind: str
    fields: Mapping[str, float | int | str | bool]


def name_of(event: Event) -> str:
    """Return what an event is about: the item of a report, the line of a stimulus; "" of any other."""
    return str(event.fields.get("item", event.fields.get("line", "")))


class Events(Protocol):
    """The events of a capture in order of time, wherever they stand; none need be in memory."""

    def __iter__(self) -> Iterator[Event]:
        """Yield every event: of a long capture a great many."""
        ...

    def __len__(self) -> int:
        """Return how many there are."""
        ...

    def of(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        """Return those of one kind, or those of them that are about `name` (`name_of`)."""
        ...

    def times_s(self, kind: str) -> NDArray[np.float64]:
        """Return when those of one kind were, shape (n,), ascending."""
        ...


class EventList(tuple[Event, ...]):
    """A few events in memory, in order of time; satisfies `Events`."""

    __slots__ = ()

    def of(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        """Return those of one kind, or those of them that are about `name`."""
        return tuple(event for event in self if event.kind == kind and name in {None, name_of(event)})

    def times_s(self, kind: str) -> NDArray[np.float64]:
        """Return when those of one kind were, shape (n,)."""
        return np.array([event.time_s for event in self if event.kind == kind], dtype=np.float64)


class SampleSource(Protocol):
    """Where samples come from; arrays are read-only views or fresh copies."""

    def codes(self, channel: str) -> NDArray[np.int16]:
        """Return the codes of one analogue channel, shape (n_samples,)."""
        ...

    def words(self) -> NDArray[np.unsignedinteger[Any]]:
        """Return the digital words, shape (n_samples,), of any width; bit i is the i-th name of `Capture.lines`."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One sampled record.

    Args:
        name: unique within its procedure and attempt, e.g. `discrete-1.ramp`.
        procedure: name of the procedure that took it.
        attempt: 1 for the first.
        sample_rate_hz: nominal sample rate; `timebase_bound` is the sample clock's bound as a fraction.
        start_s: bench time of sample 0.
        n_samples: samples per channel, lost ones included.
        channels: analogue channels by signal name.
        lines: digital lines, bit 0 first.
        gaps: lost samples.
        events: in order of time.
        settings: what was asked of the bench during it (numbers with units in their names, or text).
        source: where samples are read from.
    """

    name: str
    procedure: str
    attempt: int
    sample_rate_hz: float
    timebase_bound: float
    start_s: float
    n_samples: int
    channels: Mapping[str, AnalogChannel]
    lines: tuple[str, ...]
    gaps: tuple[Gap, ...]
    events: Events
    settings: Mapping[str, float | int | str | bool]
    source: SampleSource = field(compare=False, repr=False)

    @property
    def duration_s(self) -> float:
        """Length of the record in seconds by its own sample clock."""
        return self.n_samples / self.sample_rate_hz

    def codes(self, name: str) -> NDArray[np.int16]:
        """Return raw codes of signal `name`, shape (n_samples,).

        Raises:
            KeyError: the capture has no such signal.
        """
        if name not in self.channels:
            raise KeyError(f"capture {self.name} has no signal {name}; it has {', '.join(self.channels)}")
        return self.source.codes(name)

    def channel(self, name: str, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Return signal `name` in its quantity, float64, shape (n,), for one stretch of capture time.

        Raises:
            KeyError: the capture has no such signal.
        """
        codes = self.codes(name)[self.span(start_s, stop_s)]
        channel = self.channels[name]
        return codes.astype(np.float64) * channel.scale + channel.offset

    def line(self, name: str) -> NDArray[np.bool_]:
        """Return digital line `name`, bool, shape (n_samples,), a fresh copy.

        Raises:
            KeyError: the capture has no such line.
        """
        if name not in self.lines:
            raise KeyError(f"capture {self.name} has no line {name}; it has {', '.join(self.lines)}")
        words = self.source.words()
        line: NDArray[np.bool_] = words & words.dtype.type(1 << self.lines.index(name)) != 0
        return line

    def span(self, start_s: float, stop_s: float | None) -> slice:
        """Return the slice of samples in [start_s, stop_s), cut to the record."""
        first = max(0, round(start_s * self.sample_rate_hz))
        last = self.n_samples if stop_s is None else min(self.n_samples, round(stop_s * self.sample_rate_hz))
        return slice(first, max(first, last))

    def clipped(self, name: str, start_s: float = 0.0, stop_s: float | None = None) -> bool:
        """Say whether any sample of `name` in the stretch stands at an end of the converter's range."""
        codes = self.codes(name)[self.span(start_s, stop_s)]
        return bool(codes.size) and bool(codes.max() == CODE_MAX or codes.min() == CODE_MIN)

    def gapped(self, start_s: float = 0.0, stop_s: float | None = None) -> bool:
        """Say whether any sample in the stretch was lost."""
        span = self.span(start_s, stop_s)
        return any(gap.first_sample < span.stop and gap.first_sample + gap.n_samples > span.start for gap in self.gaps)

    def events_of(self, kind: str, name: str | None = None) -> tuple[Event, ...]:
        """Return the events of one kind, or those of them about one item or line, in order of time."""
        return self.events.of(kind, name)
