"""The plant as the simulated instruments see it: the one seam between physics and instrument faces.

Times are integer nanoseconds of true time since the plant began. `now_ns` moves only in `advance_to`.
"""

from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class SupplyPort(Protocol):
    """The supply's output stage. Settings take effect at the plant's present time."""

    voltage_setting_v: float
    current_setting_a: float
    overvoltage_setting_v: float
    output_on: bool
    overvoltage_tripped: bool

    def set_voltage(self, voltage_v: float) -> None: ...
    def set_current_limit(self, current_a: float) -> None: ...
    def set_overvoltage(self, voltage_v: float) -> None: ...
    def set_output(self, on: bool) -> None: ...
    def clear_protection(self) -> None: ...
    def read_voltage_v(self) -> float:
        """Return what its meter shows: at the sense point, or at its terminals with the sense lead open."""
        ...

    def read_current_a(self) -> float:
        """Return what its meter shows."""
        ...

    def limiting(self) -> bool:
        """Say whether it limits current now."""
        ...

    def limited_since_last_call(self) -> bool:
        """Say whether it limited at any time since the last call of this."""
        ...

    def play(self, steps: Sequence[tuple[float, float]]) -> None:
        """Play (voltage in V, dwell in s) one after the other from now on; the last voltage stays."""
        ...

    def playing(self) -> bool:
        """Say whether a sequence is being played."""
        ...

    def stop_playing(self) -> None:
        """Give up what is being played; the voltage stays where it is asked to be just then."""
        ...


class LoadMode(Enum):
    """What an electronic load holds constant; named as its commands name it."""

    CURRENT = "CURR"
    POWER = "POW"
    RESISTANCE = "RES"


class LoadPort(Protocol):
    """The electronic load's input stage. Settings take effect at the plant's present time."""

    mode: LoadMode
    input_on: bool
    protection_tripped: bool

    @property
    def levels(self) -> Mapping[LoadMode, float]:
        """The level of each mode: A, W, ohm."""
        ...

    def set_mode(self, mode: LoadMode) -> None: ...
    def set_level(self, mode: LoadMode, level: float) -> None: ...
    def set_input(self, on: bool) -> None: ...
    def clear_protection(self) -> None: ...
    def read_voltage_v(self) -> float:
        """Return what its meter shows between its terminals."""
        ...

    def read_current_a(self) -> float:
        """Return what its meter shows."""
        ...

    def reversed(self) -> bool:
        """Say whether its terminals see the voltage the wrong way round now."""
        ...

    def reversed_since_last_call(self) -> bool:
        """Say whether they did at any time since the last call of this."""
        ...


class PlantPort(Protocol):
    """One plant: advance it, sample it, drive it."""

    supply: SupplyPort
    load: LoadPort | None  # None: the bench has no electronic load

    @property
    def now_ns(self) -> int:
        """Present time; moves only in `advance_to`."""
        ...

    def advance_to(self, time_ns: int) -> None:
        """Move on to `time_ns`; everything scheduled up to and including it happens on the way."""
        ...

    def at(self, time_ns: int, action: Callable[[], None]) -> None:
        """Have `action` called when the plant is at `time_ns` (not in the past)."""
        ...

    def sample(self, channels: Sequence[int], times_ns: NDArray[np.int64]) -> list[NDArray[np.float64]]:
        """Return the noiseless volts at DAQ inputs, errors and probes included, one array per channel.

        Times rise, none later than now; history older than the last `forget_before` is gone.
        """
        ...

    def sample_lines(self, inputs: Sequence[int], times_ns: NDArray[np.int64]) -> NDArray[np.uint64]:
        """Return digital inputs packed in the order given, first in bit 0."""
        ...

    def forget_before(self, time_ns: int) -> None:
        """Drop history that will not be sampled again."""
        ...

    def set_analog_output(self, channel: int, voltage_v: float) -> None: ...
    def ramp_analog_output(self, channel: int, to_voltage_v: float, duration_ns: int) -> None: ...
    def set_digital_output(self, output: int, on: bool) -> None: ...
    def set_watchdog(self, on: bool) -> None:
        """Hold (on) or let go the contactor."""
        ...

    def send_frame(self, identifier: int, data: bytes) -> None:
        """Queue a frame of the bench's bus node now."""
        ...

    def send_text(self, data: bytes, bit_rate: float) -> None:
        """Send text to the unit on its serial line, behind what is still going out."""
        ...

    def take_frames(self) -> list[tuple[int, int, bytes]]:
        """Return (time the host has it in ns, identifier, data) of frames the host has by now, own ones excluded."""
        ...
