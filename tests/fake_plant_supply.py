"""A plant with nothing but a supply on a resistor: small enough to be looked through."""

from collections.abc import Callable, Sequence

import numpy as np


class FakeSupply:
    def __init__(self):
        self.voltage_setting_v = 0.0
        self.current_setting_a = 60.0
        self.overvoltage_setting_v = 39.6
        self.output_on = False
        self.overvoltage_tripped = False
        self.load_ohm = 10.0
        self._limited = False
        self.played: list[tuple[float, float]] = []
        self.is_playing = False

    def set_voltage(self, voltage_v: float) -> None:
        self.voltage_setting_v = voltage_v
        self._settle()

    def set_current_limit(self, current_a: float) -> None:
        self.current_setting_a = current_a
        self._settle()

    def set_overvoltage(self, voltage_v: float) -> None:
        self.overvoltage_setting_v = voltage_v
        self._settle()

    def set_output(self, on: bool) -> None:
        self.output_on = on
        self._settle()

    def clear_protection(self) -> None:
        self.overvoltage_tripped = False

    def read_voltage_v(self) -> float:
        return min(self.voltage_setting_v, self.current_setting_a * self.load_ohm) * self.output_on

    def read_current_a(self) -> float:
        return self.read_voltage_v() / self.load_ohm

    def limiting(self) -> bool:
        return self.output_on and self.voltage_setting_v > self.current_setting_a * self.load_ohm

    def limited_since_last_call(self) -> bool:
        seen = self._limited or self.limiting()
        self._limited = False
        return seen

    def play(self, steps: Sequence[tuple[float, float]]) -> None:
        self.played = list(steps)
        self.is_playing = True

    def playing(self) -> bool:
        return self.is_playing

    def stop_playing(self) -> None:
        self.is_playing = False

    def note_limiting(self) -> None:
        """Short the output for an instant that no message falls into."""
        self._limited = True

    def trip(self) -> None:
        self.overvoltage_tripped = True
        self.output_on = False

    def _settle(self) -> None:
        self._limited = self._limited or self.limiting()
        if self.read_voltage_v() > self.overvoltage_setting_v:
            self.trip()


class FakePlant:
    def __init__(self):
        self.now_ns = 0
        self.supply = FakeSupply()
        self.advances: list[int] = []

    def advance_to(self, time_ns: int) -> None:
        assert time_ns >= self.now_ns
        self.advances.append(time_ns - self.now_ns)
        self.now_ns = time_ns

    def at(self, time_ns: int, action: Callable[[], None]) -> None:
        raise NotImplementedError

    def sample(self, channels: Sequence[int], times_ns) -> list[np.ndarray]:
        raise NotImplementedError

    def sample_lines(self, inputs: Sequence[int], times_ns) -> np.ndarray:
        raise NotImplementedError
