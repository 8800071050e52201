"""What the rig needs of instruments: small protocols, satisfied by drivers without a common base."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who answered: maker, model, serial and firmware as the instrument gives them."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyStatus:
    """Supply conditions now, and whether limiting was seen since the last call (latched event)."""

    output_on: bool
    limiting: bool
    limiting_latched: bool
    overvoltage_tripped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStatus:
    """Conditions of an electronic load now, and whether reverse voltage was seen since the last call."""

    input_on: bool
    protection_tripped: bool
    reversed_now: bool  # its terminals see the voltage the wrong way round, so it draws nothing
    reversed_latched: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRequest:
    """What to sample: analogue inputs with a range each, digital inputs by number, at one rate."""

    channels: tuple[tuple[int, float], ...]  # (input number, range in volts: 10.0 or 40.0)
    lines: tuple[int, ...]  # digital input numbers; the first is bit 0 of the word
    sample_rate_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleBlock:
    """Consecutive samples: codes int16 (n_samples, n_channels), words uint64 (n_samples,).

    A gap lies before it when `first_sample` is not where the block before it ended.
    """

    first_sample: int
    codes: NDArray[np.int16]
    words: NDArray[np.uint64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedFrame:
    """A bus frame with the bench time at which the host had it."""

    time_s: float
    identifier: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceStep:
    """One step of a sequence of the supply: it goes for `voltage_v` as fast as it slews, and stays `dwell_s` in all."""

    voltage_v: float
    dwell_s: float


class PowerSupply(Protocol):
    """A programmable DC supply. Every setting is read back; every batch drains the error queue."""

    def identify(self) -> Identity: ...
    def set_voltage(self, voltage_v: float) -> None: ...
    def set_current_limit(self, current_a: float) -> None: ...
    def set_overvoltage(self, voltage_v: float) -> None: ...
    def set_output(self, on: bool) -> None: ...
    def measure_voltage(self) -> float: ...
    def measure_current(self) -> float: ...
    def status(self) -> SupplyStatus: ...
    def clear_protection(self) -> None: ...
    def make_safe(self) -> None:
        """Output off and read back as off; raises when that can't be known."""
        ...

    def close(self) -> None: ...


class ElectronicLoad(Protocol):
    """A programmable DC load. Every setting is read back; every batch drains the error queue.

    `draw_current`, `draw_power` and `draw_resistance` choose the mode and its level; the input stays as it is.
    """

    def identify(self) -> Identity: ...
    def draw_current(self, current_a: float) -> None: ...
    def draw_power(self, power_w: float) -> None: ...
    def draw_resistance(self, resistance_ohm: float) -> None: ...
    def set_input(self, on: bool) -> None: ...
    def measure_voltage(self) -> float: ...
    def measure_current(self) -> float: ...
    def measure_power(self) -> float: ...
    def status(self) -> LoadStatus: ...
    def clear_protection(self) -> None: ...
    def make_safe(self) -> None:
        """Input off and read back as off; raises when that can't be known."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class VoltageSequencer(Protocol):
    """A supply that plays a sequence of voltages by its own clock (LIST mode); the current limit stays as set."""

    def load_sequence(self, steps: Sequence[SequenceStep]) -> None:
        """Load a sequence and read it back; nothing moves yet."""
        ...

    def start_sequence(self) -> None:
        """Play the loaded sequence once from now on; at its end the last voltage stays."""
        ...

    def sequence_running(self) -> bool: ...
    def stop_sequence(self) -> None:
        """Give up a running sequence, and go back to fixed settings; nothing where none runs."""
        ...


class SequencingSupply(PowerSupply, VoltageSequencer, Protocol):
    """Both at once. One whose ratings give it no steps refuses every sequence."""


class DataAcquisition(Protocol):
    """Inputs sampled on one clock; outputs set now or at a sample index of the running scan."""

    def identify(self) -> Identity: ...
    def start(self, request: ScanRequest) -> None: ...
    def stop(self) -> None:
        """End the scan; blocks already sent can still be taken."""
        ...

    def take_blocks(self) -> Sequence[SampleBlock]:
        """Return the blocks that came since the last call, oldest first (fed by `drain`)."""
        ...

    def drain(self) -> None:
        """Read what has come; called at least every 50 ms while a scan runs."""
        ...

    def code_scale(self, range_v: float) -> float:
        """Return volts per code of a range."""
        ...

    def set_analog(self, channel: int, voltage_v: float, *, at_sample: int | None = None) -> None: ...
    def ramp_analog(self, channel: int, to_voltage_v: float, *, at_sample: int, n_samples: int) -> None: ...
    def set_digital(self, output: int, on: bool, *, at_sample: int | None = None) -> None: ...
    def read_digital_outputs(self) -> int:
        """Return the states of all digital outputs, output n in bit n."""
        ...

    def read_analog_outputs(self) -> tuple[float, ...]: ...
    def beat(self) -> None:
        """Renew the watchdog: its output stays on for the sheet's time after this."""
        ...

    def release_watchdog(self) -> None:
        """Let the watchdog output drop now."""
        ...

    def watchdog_on(self) -> bool: ...
    def make_safe(self) -> None:
        """Watchdog released, outputs 0 and off, read back."""
        ...

    def close(self) -> None: ...


class TextOutput(Protocol):
    """A serial line on which the bench sends text and hears nothing."""

    def send(self, data: bytes) -> None:
        """Hand over what is to go out; never waits."""
        ...

    def close(self) -> None: ...


class AvionicsBus(Protocol):
    """Frames of the avionics bus."""

    def send(self, identifier: int, data: bytes) -> None: ...
    def receive(self) -> Sequence[ReceivedFrame]:
        """Return the frames that came since the last call; never waits."""
        ...

    def close(self) -> None: ...
