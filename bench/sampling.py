"""The capture that runs now: scan started, blocks stored and watched, events logged beside them.

Knows the DAQ and the wiring of its inputs; drives no output and decides nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.capture import AnalogChannel, Event
from bench.guard import Guard
from bench.records.capture_header import CaptureHeader
from bench.sheets.bench_sheet import BenchSheet
from instruments.capabilities import DataAcquisition, SampleBlock, ScanRequest
from instruments.clock import Clock
from instruments.errors import InstrumentTimeoutError
from test_plans.untouched import HIGHEST_RATE_HZ, NOTHING_BESIDE, SETTING

NO_SAMPLES_S = 0.500
GUARD_SIGNALS = ("unit.voltage", "unit.current")

Field = float | int | str | bool


class CaptureSink(Protocol):
    """Where a capture's samples and events go."""

    def append(self, first_sample: int, codes: NDArray[np.int16], words: NDArray[np.uint64]) -> None:
        """Take samples, codes (n, n_channels), words (n,); a jump of `first_sample` is a gap."""
        ...

    def event(self, event: Event) -> None:
        """Take an event."""
        ...

    def close(self) -> None:
        """End the capture."""
        ...


class Recorder(Protocol):
    """Where the rig leaves what it saw."""

    def open_capture(self, header: CaptureHeader) -> CaptureSink:
        """Begin a capture."""
        ...

    def prompt(self, action: str, text: str) -> None:
        """Record that a person is asked."""
        ...

    def answer(self, action: str, text: str, answer: str) -> None:
        """Record what the person answered."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was last seen at the unit, with the bench time of it."""

    time_s: float = 0.0
    unit_voltage_v: float = float("nan")
    unit_current_a: float = float("nan")


class Sampler:
    """At most one capture at a time."""

    def __init__(
        self, *, sheet: BenchSheet, daq: DataAcquisition, clock: Clock, guard: Guard, recorder: Recorder
    ) -> None:
        self._sheet = sheet
        self._daq = daq
        self._clock = clock
        self._guard = guard
        self._recorder = recorder
        self._header: CaptureHeader | None = None
        self._names: tuple[str, ...] = ()
        self._watched: list[tuple[int, AnalogChannel]] = []  # what the guard wants in its quantity
        self._sink: CaptureSink | None = None
        self._last_samples_s = 0.0
        self.procedure = ""
        self.attempt = 1
        self.beside = NOTHING_BESIDE
        self.readings = Readings()

    def start(
        self,
        name: str,
        signals: Sequence[str],
        *,
        lines: Sequence[str],
        sample_rate_hz: float,
        settings: Mapping[str, Field],
        now_s: float,
    ) -> CaptureHeader:
        """Start a scan of these signals, the guard's, and what is watched beside them where there is room for it.

        Raises:
            ValueError: another capture is running.
            KeyError: the bench sheet wires no such signal or line.
        """
        if self._header is not None:
            raise ValueError(f"capture {name}: capture {self._header.name} is still running")
        wanted = tuple(dict.fromkeys((*GUARD_SIGNALS, *signals)))
        added, lines = self._beside(wanted, tuple(lines), sample_rate_hz)
        wanted = (*wanted, *added)
        wiring = [self._sheet.signals[signal] for signal in wanted]
        request = ScanRequest(
            channels=tuple((wire.channel, wire.range_v) for wire in wiring),
            lines=tuple(self._sheet.lines[line] for line in lines),
            sample_rate_hz=sample_rate_hz,
        )
        header = CaptureHeader(
            name=name,
            procedure=self.procedure,
            attempt=self.attempt,
            sample_rate_hz=sample_rate_hz,
            timebase_bound=self._sheet.daq.clock_bound,
            start_s=now_s,
            channels=tuple(self._channel(signal) for signal in wanted),
            lines=lines,
            settings={**settings, **({SETTING: ",".join(added)} if added else {})},
        )
        self._guard.begin()
        self._sink = self._recorder.open_capture(header)
        self._header = header
        self._names = tuple(channel.name for channel in header.channels)
        self._watched = [(n, channel) for n, channel in enumerate(header.channels) if _is_watched(channel.name)]
        self._last_samples_s = now_s
        self._daq.start(request)
        self._clock.register_drain(self._daq.drain)
        return header

    def stop(self) -> None:
        """End the scan, take in what is left, close the capture; safe to call when starting failed."""
        if self._sink is None:
            return
        try:
            self._clock.unregister_drain(self._daq.drain)
            self._daq.stop()
            self._store(self._daq.take_blocks())
        finally:
            sink, self._sink, self._header = self._sink, None, None
            sink.close()

    def attend(self, now_s: float) -> None:
        """Store and watch what has come.

        Raises:
            AbortError: the guard saw what must not be.
            InstrumentTimeoutError: nothing came for half a second.
        """
        if self._header is None:
            return
        blocks = self._daq.take_blocks()
        if blocks:
            self._last_samples_s = now_s
            self._store(blocks)
            self._watch(self._header, blocks, now_s)
        elif now_s - self._last_samples_s > NO_SAMPLES_S:
            raise InstrumentTimeoutError(
                f"daq: no samples for {now_s - self._last_samples_s:.1f} s in capture {self._header.name}. "
                "Check the DAQ's cable and power, then run again.",
                instrument="daq",
                command="data stream",
            )

    def log(self, time_s: float, kind: str, uncertainty_s: float, fields: Mapping[str, Field]) -> None:
        """Log an event at bench time `time_s` beside the running capture; without one it is dropped."""
        if self._header is not None and self._sink is not None:
            self._sink.event(
                Event(time_s=time_s - self._header.start_s, uncertainty_s=uncertainty_s, kind=kind, fields=fields)
            )

    def _beside(
        self, wanted: tuple[str, ...], lines: tuple[str, ...], rate_hz: float
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the signals to add to a capture and all its lines; nothing is added where there is no room for all."""
        added = tuple(signal for signal in self.beside.signals if signal not in wanted)
        channels = len(wanted) + len(added)
        if rate_hz > HIGHEST_RATE_HZ or channels * rate_hz > self._sheet.daq.max_total_rate_hz:
            return (), lines
        return added, tuple(dict.fromkeys((*lines, *self.beside.lines)))

    def _channel(self, signal: str) -> AnalogChannel:
        wire = self._sheet.signals[signal]
        return AnalogChannel(
            name=signal,
            quantity_unit=wire.quantity_unit,
            scale=self._daq.code_scale(wire.range_v) * wire.units_per_v,
            offset=0.0,
            relative_bound=wire.relative_bound,
            absolute_bound=wire.absolute_bound,
            noise=self._sheet.daq.noise_v[wire.range_v] * wire.units_per_v,
            instrument=f"daq ai{wire.channel:02d}",
            calibration=self._sheet.daq.calibration,
            wiring=f"{wire.plus} to {wire.minus}" if wire.minus else wire.plus,
        )

    def _store(self, blocks: Sequence[SampleBlock]) -> None:
        if self._sink is not None:
            for block in blocks:
                self._sink.append(block.first_sample, block.codes, block.words)

    def _watch(self, header: CaptureHeader, blocks: Sequence[SampleBlock], now_s: float) -> None:
        rate_hz = header.sample_rate_hz
        for block in blocks:
            if not len(block.codes):
                continue  # it only says where the scan ended
            self._guard.check_frozen(self._names, block.codes, rate_hz)
            signals = {
                channel.name: block.codes[:, index].astype(np.float64) * channel.scale + channel.offset
                for index, channel in self._watched
            }
            ever_closed = int(np.bitwise_or.reduce(block.words))
            closed = [line for bit, line in enumerate(header.lines) if ever_closed >> bit & 1]
            self._guard.check(signals, header.start_s + block.first_sample / rate_hz, rate_hz, closed)
            self.readings = Readings(
                time_s=now_s,
                unit_voltage_v=_latest(signals["unit.voltage"]),
                unit_current_a=_latest(signals["unit.current"]),
            )


def _latest(values: NDArray[np.float64]) -> float:
    """Return the mean of the last hundred values, shape (n,), at most."""
    last = values[-100:]
    return float(np.add.reduce(last)) / last.size


def _is_watched(signal: str) -> bool:
    return signal in GUARD_SIGNALS or signal.endswith((".current", ".current.high"))
