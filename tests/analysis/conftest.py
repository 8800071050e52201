"""Captures made of plain arrays."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.capture import AnalogChannel, Capture, EventList, Gap


class ArraySource:
    """Codes held in memory."""

    def __init__(self, codes: Mapping[str, NDArray[np.int16]], n_samples: int) -> None:
        self._codes = codes
        self._n_samples = n_samples

    def codes(self, channel: str) -> NDArray[np.int16]:
        return self._codes[channel]

    def words(self) -> NDArray[np.uint64]:
        return np.zeros(self._n_samples, dtype=np.uint64)


def _channel(name: str, instrument: str) -> AnalogChannel:
    return AnalogChannel(
        name=name,
        quantity_unit="V",
        scale=40.0 / 32768.0,
        offset=0.0,
        relative_bound=0.0005,
        absolute_bound=0.010,
        noise=0.001,
        instrument=instrument,
        calibration="cal-1",
        wiring="P1-1 to P1-2",
    )


def _capture(
    volts: Mapping[str, Sequence[float] | NDArray[np.float64]],
    *,
    sample_rate_hz: float = 1000.0,
    gaps: Sequence[Gap] = (),
    name: str = "window",
    instruments: Mapping[str, str] | None = None,
) -> Capture:
    channels = {signal: _channel(signal, (instruments or {}).get(signal, f"daq {signal}")) for signal in volts}
    codes = {
        signal: np.clip(np.rint(np.asarray(values) / channels[signal].scale), -32768, 32767).astype(np.int16)
        for signal, values in volts.items()
    }
    n_samples = len(next(iter(codes.values())))
    return Capture(
        name=name,
        procedure="demo",
        attempt=1,
        sample_rate_hz=sample_rate_hz,
        timebase_bound=50e-6,
        start_s=0.0,
        n_samples=n_samples,
        channels=channels,
        lines=(),
        gaps=tuple(gaps),
        events=EventList(),
        settings={},
        source=ArraySource(codes, n_samples),
    )


@pytest.fixture
def make_capture() -> Callable[..., Capture]:
    """Return a maker of captures: signal name to volts, 40 V range, bound 0.05 % + 10 mV."""
    return _capture
