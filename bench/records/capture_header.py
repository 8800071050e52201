"""Everything of a capture but its samples, to JSON and back; the head of a log and of a Parquet file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.capture import AnalogChannel, Capture, Event, Events, Gap, SampleSource
from bench.records.json_values import (
    Scalar,
    fields_from_json,
    fields_to_json,
    number_from_json,
    number_to_json,
)

WORDS_COLUMN = "words"
MAX_LINES = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What is known of a capture before its first sample; `start_s` is bench time, the rest as in `Capture`.

    Raises:
        ValueError: two signals or lines of one name, a signal called `words`, or more than 64 lines.
    """

    name: str
    procedure: str
    attempt: int
    sample_rate_hz: float
    timebase_bound: float
    start_s: float
    channels: tuple[AnalogChannel, ...]
    lines: tuple[str, ...]
    settings: Mapping[str, Scalar]

    def __post_init__(self) -> None:
        signals = [channel.name for channel in self.channels]
        if len(set(signals)) < len(signals) or len(set(self.lines)) < len(self.lines):
            raise ValueError(f"capture {self.name}: a signal or line is named twice")
        if WORDS_COLUMN in signals:
            raise ValueError(
                f"capture {self.name}: no signal may be called {WORDS_COLUMN!r}, the digital lines' column"
            )
        if len(self.lines) > MAX_LINES:
            raise ValueError(f"capture {self.name}: {len(self.lines)} lines; a word holds {MAX_LINES}")

    def word_dtype(self) -> np.dtype[Any] | None:
        """Return the narrowest unsigned type, little-endian, that holds the lines; None without lines."""
        for width_bytes in (1, 2, 4, 8):
            if 0 < len(self.lines) <= 8 * width_bytes:
                return np.dtype(f"<u{width_bytes}")
        return None

    def sample_bytes(self) -> int:
        """Return the raw size of one sample instant: all codes and the word."""
        word_dtype = self.word_dtype()
        return 2 * len(self.channels) + (word_dtype.itemsize if word_dtype is not None else 0)

    def capture(self, *, n_samples: int, gaps: Sequence[Gap], events: Events, source: SampleSource) -> Capture:
        """Return the capture that this header begins."""
        return Capture(
            name=self.name,
            procedure=self.procedure,
            attempt=self.attempt,
            sample_rate_hz=self.sample_rate_hz,
            timebase_bound=self.timebase_bound,
            start_s=self.start_s,
            n_samples=n_samples,
            channels={channel.name: channel for channel in self.channels},
            lines=self.lines,
            gaps=tuple(gaps),
            events=events,
            settings=self.settings,
            source=source,
        )


def header_of(capture: Capture) -> CaptureHeader:
    """Return the header of a capture."""
    return CaptureHeader(
        name=capture.name,
        procedure=capture.procedure,
        attempt=capture.attempt,
        sample_rate_hz=capture.sample_rate_hz,
        timebase_bound=capture.timebase_bound,
        start_s=capture.start_s,
        channels=tuple(capture.channels.values()),
        lines=capture.lines,
        settings=capture.settings,
    )


def header_to_json(header: CaptureHeader) -> dict[str, Any]:
    """Return the header for a file."""
    return {
        "name": header.name,
        "procedure": header.procedure,
        "attempt": header.attempt,
        "sample_rate_hz": number_to_json(header.sample_rate_hz),
        "timebase_bound": number_to_json(header.timebase_bound),
        "start_s": number_to_json(header.start_s),
        "channels": [_channel_to_json(channel) for channel in header.channels],
        "lines": list(header.lines),
        "settings": fields_to_json(header.settings),
    }


def header_from_json(document: Mapping[str, Any]) -> CaptureHeader:
    """Return the header that `header_to_json` wrote."""
    return CaptureHeader(
        name=document["name"],
        procedure=document["procedure"],
        attempt=document["attempt"],
        sample_rate_hz=number_from_json(document["sample_rate_hz"]),
        timebase_bound=number_from_json(document["timebase_bound"]),
        start_s=number_from_json(document["start_s"]),
        channels=tuple(_channel_from_json(channel) for channel in document["channels"]),
        lines=tuple(document["lines"]),
        settings=fields_from_json(document["settings"]),
    )


def event_to_json(event: Event) -> dict[str, Any]:
    """Return an event for a file."""
    return {
        "time_s": number_to_json(event.time_s),
        "uncertainty_s": number_to_json(event.uncertainty_s),
        "kind": event.kind,
        "fields": fields_to_json(event.fields),
    }


def event_from_json(document: Mapping[str, Any]) -> Event:
    """Return the event that `event_to_json` wrote."""
    return Event(
        time_s=number_from_json(document["time_s"]),
        uncertainty_s=number_from_json(document["uncertainty_s"]),
        kind=document["kind"],
        fields=fields_from_json(document["fields"]),
    )


def gaps_to_json(gaps: Sequence[Gap]) -> list[list[int]]:
    """Return gaps as [first sample, number of samples]."""
    return [[gap.first_sample, gap.n_samples] for gap in gaps]


def gaps_from_json(document: Sequence[Sequence[int]]) -> tuple[Gap, ...]:
    """Return the gaps that `gaps_to_json` wrote."""
    return tuple(Gap(first_sample=first, n_samples=count) for first, count in document)


def _channel_to_json(channel: AnalogChannel) -> dict[str, Any]:
    return {
        "name": channel.name,
        "quantity_unit": channel.quantity_unit,
        "scale": number_to_json(channel.scale),
        "offset": number_to_json(channel.offset),
        "relative_bound": number_to_json(channel.relative_bound),
        "absolute_bound": number_to_json(channel.absolute_bound),
        "noise": number_to_json(channel.noise),
        "instrument": channel.instrument,
        "calibration": channel.calibration,
        "wiring": channel.wiring,
    }


def _channel_from_json(document: Mapping[str, Any]) -> AnalogChannel:
    return AnalogChannel(
        name=document["name"],
        quantity_unit=document["quantity_unit"],
        scale=number_from_json(document["scale"]),
        offset=number_from_json(document["offset"]),
        relative_bound=number_from_json(document["relative_bound"]),
        absolute_bound=number_from_json(document["absolute_bound"]),
        noise=number_from_json(document["noise"]),
        instrument=document["instrument"],
        calibration=document["calibration"],
        wiring=document["wiring"],
    )
