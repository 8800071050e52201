"""The unit while no capture runs: bus, untouched outputs and switch lines sampled slowly, told in one event.

A bus that was cut, or an output that came on, between two captures would leave no trace in either. What was seen is
logged beside the next capture, where it is judged (`test_plans.between`); nothing is judged here.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.capture import CODE_MAX
from analysis.power import LIMITING_FRACTION
from bench.sheets.bench_sheet import BenchSheet
from instruments.capabilities import DataAcquisition, SampleBlock, ScanRequest
from instruments.clock import Clock
from test_plans.between import CLOSED, DURATION, FELL_TO, LOWEST, SET
from test_plans.untouched import NOTHING_BESIDE, Alongside

RATE_HZ = 1000.0
MEAN_OF = 5  # samples: 5 ms
SETTLED_S = 0.5  # after a setting was changed
DIP_FRACTION = 0.05  # of its setting: a bus that falls further was not standing
WHOLE_RANGE = 0.99  # of a current's range: from there on it may be any current
BUS, CURRENT = "unit.voltage", "unit.current"

Field = float | int | str | bool


class BetweenWatch:
    """Runs a scan of its own between captures; the rig says when, and what the bus is set to."""

    def __init__(self, *, sheet: BenchSheet, daq: DataAcquisition, clock: Clock) -> None:
        self._sheet = sheet
        self._daq = daq
        self._clock = clock
        self._signals: tuple[str, ...] = ()
        self._lines: tuple[str, ...] = ()
        self._running = False
        self._began_s = 0.0
        self._steady_from_s = float("inf")
        self._setting = (0.0, 0.0)
        self._seen: dict[str, Field] = {}

    def expect(self, set_voltage_v: float, current_limit_a: float, now_s: float) -> None:
        """Take note of what the supply is set to, and of the instant where that is new."""
        if self._setting != (set_voltage_v, current_limit_a):
            self._setting = (set_voltage_v, current_limit_a)
            self._steady_from_s = now_s + SETTLED_S

    def start(self, now_s: float, beside: Alongside = NOTHING_BESIDE) -> None:
        """Begin to look; without a capture, and with the unit connected."""
        if self._running:
            return
        self._signals = tuple(dict.fromkeys((BUS, CURRENT, *beside.signals)))
        self._lines = tuple(line for line in beside.lines if line in self._sheet.switches)
        wires = [self._sheet.signals[signal] for signal in self._signals]
        self._daq.start(
            ScanRequest(
                channels=tuple((wire.channel, wire.range_v) for wire in wires),
                lines=tuple(self._sheet.lines[line] for line in self._lines),
                sample_rate_hz=RATE_HZ,
            )
        )
        self._clock.register_drain(self._daq.drain)
        self._began_s = now_s
        self._running = True

    def attend(self) -> None:
        """Take in what has come."""
        if self._running:
            self._take(self._daq.take_blocks())

    def stop(self) -> None:
        """End the scan and take in what is left."""
        if not self._running:
            return
        self._running = False
        self._clock.unregister_drain(self._daq.drain)
        self._daq.stop()
        self._take(self._daq.take_blocks())

    def told(self) -> dict[str, Field]:
        """Return what was seen since the last time it was asked, and forget it; empty where nothing was sampled."""
        seen, self._seen = self._seen, {}
        return seen

    def _take(self, blocks: Sequence[SampleBlock]) -> None:
        for block in blocks:
            n_means = len(block.codes) // MEAN_OF
            if not n_means:
                continue
            first_s = self._began_s + block.first_sample / RATE_HZ
            means = {
                name: self._means(name, block.codes[: n_means * MEAN_OF, place])
                for place, name in enumerate(self._signals)
            }
            self._keep(means, first_s)
            ever = int(np.bitwise_or.reduce(block.words))
            closed = {line for bit, line in enumerate(self._lines) if ever >> bit & 1}
            known = str(self._seen.get(CLOSED, ""))
            self._seen[CLOSED] = ",".join(sorted({*filter(None, known.split(",")), *closed}))

    def _means(self, name: str, codes: NDArray[np.int16]) -> NDArray[np.float64]:
        """Return means of 5 ms of a signal, shape (n,)."""
        return np.asarray(codes.astype(np.float64).reshape(-1, MEAN_OF).mean(axis=1) * self._scale(name))

    def _scale(self, name: str) -> float:
        wire = self._sheet.signals[name]
        return self._daq.code_scale(wire.range_v) * wire.units_per_v

    def _keep(self, means: dict[str, NDArray[np.float64]], first_s: float) -> None:
        seen, volts = self._seen, means[BUS]
        seen[DURATION] = float(seen.get(DURATION, 0.0)) + volts.size * MEAN_OF / RATE_HZ
        seen[LOWEST] = min(float(seen.get(LOWEST, np.inf)), float(volts.min()))
        for name, values in means.items():
            if name not in {BUS, CURRENT}:
                largest = float(values[np.argmax(np.abs(values))])
                seen[name] = max(float(seen.get(name, 0.0)), largest, key=abs)
        set_v, limit_a = self._setting
        steady = first_s + np.arange(volts.size) * MEAN_OF / RATE_HZ >= self._steady_from_s
        most_a = min(LIMITING_FRACTION * limit_a, WHOLE_RANGE * CODE_MAX * self._scale(CURRENT))
        if not steady.all() or (means[CURRENT] >= most_a).any():
            return  # the setting is new, or the supply may limit: then the unit may have moved the bus
        if float(volts.min()) < (1.0 - DIP_FRACTION) * set_v:
            seen[FELL_TO] = min(float(seen.get(FELL_TO, np.inf)), float(volts.min()))
            seen[SET] = set_v
