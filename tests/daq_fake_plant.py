"""A plant of a few lines for tests of the instrument faces: known signals, outputs looped back to lines."""

import heapq
from collections.abc import Callable, Sequence
from itertools import count

import numpy as np

from instruments.daq import DaqRatings, SerialDaq
from instruments.simulated.parameters import (
    AnalogInputParameters,
    AnalogOutputParameters,
    DaqParameters,
    DigitalInputParameters,
    DigitalOutputParameters,
    Probe,
)


class FakePlant:
    """`PlantPort` without physics.

    Input n shows `signal(n, times)` volts; inputs 100 and up show analogue output n - 100, delayed by nothing.
    Line n shows digital output n.
    """

    def __init__(self, signal: Callable[[int, np.ndarray], np.ndarray] | None = None) -> None:
        self.now_ns = 0
        self.supply = None
        self.signal = signal or (lambda channel, times_ns: channel + np.sin(times_ns * 1e-6))
        self.watchdog = False
        self.watchdog_changes: list[tuple[int, bool]] = []
        self.outputs: dict[int, list[tuple[int, int, float, float]]] = {}  # start, duration, from, to
        self.digital: dict[int, list[tuple[int, bool]]] = {}
        self.sent: list[tuple[int, int, bytes]] = []
        self.incoming: list[tuple[int, int, bytes]] = []
        self.forgotten_ns = 0
        self.sample_calls = 0
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._order = count()

    def advance_to(self, time_ns: int) -> None:
        while self._events and self._events[0][0] <= time_ns:
            self.now_ns, _, action = heapq.heappop(self._events)
            action()
        self.now_ns = time_ns

    def at(self, time_ns: int, action: Callable[[], None]) -> None:
        assert time_ns >= self.now_ns
        heapq.heappush(self._events, (time_ns, next(self._order), action))

    def sample(self, channels: Sequence[int], times_ns: np.ndarray) -> list[np.ndarray]:
        assert len(times_ns)
        assert times_ns[0] >= self.forgotten_ns
        assert times_ns[-1] <= self.now_ns
        self.sample_calls += 1
        return [self._looped(n - 100, times_ns) if n >= 100 else self.signal(n, times_ns) for n in channels]

    def sample_lines(self, inputs: Sequence[int], times_ns: np.ndarray) -> np.ndarray:
        words = np.zeros(len(times_ns), np.uint64)
        for bit, number in enumerate(inputs):
            for start_ns, on in self.digital.get(number, []):
                later = times_ns > start_ns
                mask = np.uint64(1 << bit)
                words[later] = words[later] | mask if on else words[later] & ~mask
        return words

    def forget_before(self, time_ns: int) -> None:
        assert time_ns >= self.forgotten_ns
        self.forgotten_ns = time_ns

    def set_analog_output(self, channel: int, voltage_v: float) -> None:
        self.outputs.setdefault(channel, []).append((self.now_ns, 0, voltage_v, voltage_v))

    def ramp_analog_output(self, channel: int, to_voltage_v: float, duration_ns: int) -> None:
        start_v = self.output_v(channel)
        self.outputs.setdefault(channel, []).append((self.now_ns, duration_ns, start_v, to_voltage_v))

    def set_digital_output(self, output: int, on: bool) -> None:
        self.digital.setdefault(output, []).append((self.now_ns, on))

    def set_watchdog(self, on: bool) -> None:
        self.watchdog = on
        self.watchdog_changes.append((self.now_ns, on))

    def send_frame(self, identifier: int, data: bytes) -> None:
        self.sent.append((self.now_ns, identifier, data))

    def take_frames(self) -> list[tuple[int, int, bytes]]:
        here = [frame for frame in self.incoming if frame[0] <= self.now_ns]
        self.incoming = [frame for frame in self.incoming if frame[0] > self.now_ns]
        return here

    def output_v(self, channel: int) -> float:
        return float(self._looped(channel, np.array([self.now_ns]))[0])

    def output_on(self, output: int) -> bool:
        return bool(self.digital.get(output) and self.digital[output][-1][1])

    def _looped(self, channel: int, times_ns: np.ndarray) -> np.ndarray:
        volts = np.zeros(len(times_ns))
        for start_ns, duration_ns, from_v, to_v in self.outputs.get(channel, []):
            part = np.clip((times_ns - start_ns) / max(duration_ns, 1), 0, 1)
            volts = np.where(times_ns >= start_ns, from_v + (to_v - from_v) * part, volts)
        return volts


RATINGS = DaqRatings(
    ranges_v=(10.0, 40.0),
    n_inputs=104,
    n_outputs=4,
    n_digital_inputs=64,
    n_digital_outputs=16,
    output_max_v=10.0,
    max_rate_hz=50_000.0,
    max_total_rate_hz=800_000.0,
)


def daq_parameters(**changes) -> DaqParameters:
    """Sixteen inputs, four outputs looped back to inputs 100 to 103, 16 digital outputs looped to 64 lines."""
    values = {
        "inputs": {
            n: AnalogInputParameters(probe=Probe(kind="voltage", plus="x")) for n in [*range(16), *range(100, 104)]
        },
        "outputs": {n: AnalogOutputParameters(pin="x", series_ohm=1000.0) for n in range(4)},
        "digital_outputs": {n: DigitalOutputParameters(action="press", target="x") for n in range(16)},
        "digital_inputs": {n: DigitalInputParameters(source="pin", target="x") for n in range(64)},
        "noise_v": {10.0: 0.0003, 40.0: 0.001},
        "clock_error": 0.0,
        "watchdog_s": 0.5,
        "max_total_rate_hz": 800_000.0,
        "max_rate_hz": 50_000.0,
        "reference_v": 5.0,
    }
    return DaqParameters(**(values | changes))


class LoopbackLine:
    """A port for tests that does what the test scripts: bytes to read, what was written, failures."""

    def __init__(self) -> None:
        self.timeout: float | None = 0
        self.to_host = bytearray()
        self.from_host = bytearray()
        self.failure: Exception | None = None
        self.closed = False
        self.on_write: Callable[[bytes], None] = lambda _data: None

    def read(self, size: int = 1) -> bytes:
        if self.failure:
            raise self.failure
        data = bytes(self.to_host[:size])
        del self.to_host[:size]
        return data

    def write(self, data: bytes) -> int:
        if self.failure:
            raise self.failure
        self.from_host += data
        self.on_write(data)
        return len(data)

    def close(self) -> None:
        self.closed = True


def taken_codes(daq: SerialDaq) -> tuple[list[tuple[int, int]], np.ndarray, np.ndarray]:
    """Return (first, n) of each block, and all codes and words one after the other."""
    blocks = daq.take_blocks()
    spans = [(block.first_sample, len(block.words)) for block in blocks]
    return spans, np.concatenate([b.codes for b in blocks]), np.concatenate([b.words for b in blocks])
