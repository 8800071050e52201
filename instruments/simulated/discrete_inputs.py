"""Firmware, discrete inputs: comparators with hysteresis, debounced by equal scans, each with a change counter.

Looks only at inputs whose pin moved or whose debounce is under way; for all others a scan changes nothing.
Not modelled: what the comparator does between scans.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from instruments.simulated.parameters import DiscreteInput

STUCK_INACTIVE = 1
STUCK_ACTIVE = 2


class Pins(Protocol):
    """The pins as firmware reads them."""

    def voltage_v(self, pin: str) -> float:
        """Return a pin's voltage now."""
        ...

    def moving(self, pin: str) -> bool:
        """Say whether it changes by itself."""
        ...


@dataclass(slots=True)
class DebouncedDiscrete:
    """One input's comparator, debounce and change counter."""

    parameters: DiscreteInput
    active_v: float
    inactive_v: float
    scans: int
    stuck: int
    compared: bool = False
    state: bool = False
    equal: int = 0
    changes: int = 0

    def compare(self, voltage_v: float) -> bool:
        """Return the comparator's output for a pin voltage, its hysteresis included."""
        if self.stuck:
            self.compared = self.stuck == STUCK_ACTIVE
        elif self.parameters.active_low:
            self.compared = voltage_v <= (self.inactive_v if self.compared else self.active_v)
        else:
            self.compared = voltage_v >= (self.inactive_v if self.compared else self.active_v)
        return self.compared

    def scan(self, voltage_v: float) -> bool:
        """Take one scan; return whether a change was accepted."""
        if self.compare(voltage_v) == self.state:
            self.equal = 0
            return False
        self.equal += 1
        if self.equal < self.scans:
            return False
        self.state, self.equal = self.compared, 0
        self.changes += 1
        return True


class DiscreteBank:
    """All discrete inputs of the unit."""

    def __init__(self, discretes: Sequence[DiscreteInput], quantities: Mapping[str, float], pins: Pins) -> None:
        self.inputs = [
            DebouncedDiscrete(
                parameters=discrete,
                active_v=quantities[f"{discrete.name}.threshold_active_v"],
                inactive_v=quantities[f"{discrete.name}.threshold_inactive_v"],
                scans=max(1, round(quantities[f"{discrete.name}.debounce_scans"])),
                stuck=round(quantities[f"{discrete.name}.stuck"]),
            )
            for discrete in discretes
        ]
        self._pins = pins
        self._by_pin = {discrete.parameters.pin: discrete for discrete in self.inputs}
        self._restless: dict[str, DebouncedDiscrete] = {}

    def start(self) -> None:
        """Take the states as they stand, without counting a change; counters begin at 0."""
        for discrete in self.inputs:
            discrete.compared = False
            discrete.state = discrete.compare(self._pins.voltage_v(discrete.parameters.pin))
            discrete.equal = discrete.changes = 0
        self._restless = dict(self._by_pin)

    def touch(self, pin: str) -> bool:
        """Note that a pin moved; return whether it is one of these inputs."""
        discrete = self._by_pin.get(pin)
        if discrete is None:
            return False
        self._restless[pin] = discrete
        return True

    def scan(self) -> list[DebouncedDiscrete]:
        """Take one scan; return the inputs that accepted a change."""
        if not self._restless:
            return []
        accepted, restless = [], {}
        for pin, discrete in self._restless.items():
            if discrete.scan(self._pins.voltage_v(pin)):
                accepted.append(discrete)
            if discrete.equal or self._pins.moving(pin):
                restless[pin] = discrete
        self._restless = restless
        return accepted

    def busy(self) -> bool:
        """Say whether the next scan may change anything."""
        return bool(self._restless)
