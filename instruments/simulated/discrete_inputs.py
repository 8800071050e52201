"""Firmware, discrete inputs: comparators with hysteresis, debounced by equal scans, each with a change counter.

Looks only at inputs whose pin moved or whose debounce is under way; for all others a scan changes nothing.
What can be wrong: an input stuck or inverted; a contact that drops out inside the unit, for a while, after every
so many changes or, by chance, after any; firmware that of two changes in one scan takes the first and forgets to count
and report the other.
Noise at the comparator is white from scan to scan and belongs to the scan's instant alone: one that has too little
hysteresis for it chatters while its pin stands near a threshold.
Not modelled: what the comparator does between scans, noise that several comparators share.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from instruments.simulated.draw import keyed_uniform
from instruments.simulated.noise import GaussianNoise
from instruments.simulated.parameters import DiscreteInput

STUCK_INACTIVE = 1
STUCK_ACTIVE = 2
PRESENT = 0.5  # a fault that is there or not is there from here on
FARTHEST = 6.0  # sigma that noise ever reaches


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
    inverted: bool = False
    drop_out_changes: int = 0  # the contact is lost after every so many changes; 0: never
    drop_out_scans: int = 0  # for so long
    drop_out_chance: float = 0.0  # that a change is followed by one, 0 to 1
    seed: int = 0  # of that chance
    all_changes: int = 0  # since it was made
    noise_v: float = 0.0  # rms, at the comparator
    noise: GaussianNoise | None = None  # of rms 1, by scan
    compared: bool = False
    state: bool = False
    equal: int = 0
    changes: int = 0
    lost_scans: int = 0  # that the contact stays lost

    def compare(self, voltage_v: float) -> bool:
        """Return what the firmware reads of a pin voltage, the comparator's hysteresis included."""
        if self.stuck:
            self.compared = self.stuck == STUCK_ACTIVE
        elif self.lost_scans:
            self.compared = False  # only the pull is left
        elif self.parameters.active_low:
            self.compared = voltage_v <= (self.inactive_v if self.compared else self.active_v)
        else:
            self.compared = voltage_v >= (self.inactive_v if self.compared else self.active_v)
        return self.compared is not self.inverted

    def near(self, voltage_v: float) -> bool:
        """Say whether noise alone may move the comparator at this pin voltage."""
        threshold_v = self.inactive_v if self.compared else self.active_v
        return abs(voltage_v - threshold_v) < FARTHEST * self.noise_v

    def scan(self, voltage_v: float, number: int = 0) -> bool:
        """Take one scan; return whether a change was accepted. `number` is the scan's own, for its noise."""
        if self.noise is not None and self.near(voltage_v):
            drawn = np.empty(1, np.float32)
            self.noise.fill(drawn, number)
            voltage_v += self.noise_v * float(drawn[0])
        read = self.compare(voltage_v)
        self.lost_scans = max(0, self.lost_scans - 1)
        if read == self.state:
            self.equal = 0
            return False
        self.equal += 1
        if self.equal < self.scans:
            return False
        self.state, self.equal = read, 0
        self.changes += 1
        self.all_changes += 1
        counted = self.drop_out_changes and self.changes % self.drop_out_changes == 0
        if counted or (self.drop_out_chance > 0.0 and self._by_chance()):
            self.lost_scans = self.drop_out_scans
        return True

    def _by_chance(self) -> bool:
        """Say whether this change is one after which the contact is lost."""
        drawn = keyed_uniform(0.0, 1.0, self.seed, "unit", "contact", self.parameters.name, self.all_changes)
        return drawn < self.drop_out_chance


class DiscreteBank:
    """All discrete inputs of the unit."""

    def __init__(
        self, discretes: Sequence[DiscreteInput], quantities: Mapping[str, float], pins: Pins, seed: int
    ) -> None:
        self.inputs = [
            DebouncedDiscrete(
                parameters=discrete,
                active_v=quantities[f"{discrete.name}.threshold_active_v"],
                inactive_v=quantities[f"{discrete.name}.threshold_inactive_v"],
                scans=max(1, round(quantities[f"{discrete.name}.debounce_scans"])),
                stuck=math.floor(quantities[f"{discrete.name}.stuck"] + PRESENT),
                inverted=quantities[f"{discrete.name}.inverted"] >= PRESENT,
                drop_out_changes=round(quantities[f"{discrete.name}.drop_out_changes"]),
                drop_out_scans=math.ceil(quantities[f"{discrete.name}.drop_out_s"] / quantities["unit.scan_s"]),
                drop_out_chance=quantities[f"{discrete.name}.drop_out_chance"] / 100.0,
                seed=seed,
                noise_v=quantities[f"{discrete.name}.noise_v"],
                noise=GaussianNoise(seed, "unit", "comparator", discrete.name),
            )
            for discrete in discretes
        ]
        self._loses_edges = quantities["unit.loses_edges"] >= PRESENT
        self._pins = pins
        self._by_pin = {discrete.parameters.pin: discrete for discrete in self.inputs}
        self._restless: dict[str, DebouncedDiscrete] = {}

    def start(self) -> None:
        """Take the states as they stand, without counting a change; counters begin at 0."""
        for discrete in self.inputs:
            discrete.compared = False
            discrete.state = discrete.compare(self._pins.voltage_v(discrete.parameters.pin))
            discrete.equal = discrete.changes = discrete.lost_scans = 0
        self._restless = dict(self._by_pin)

    def touch(self, pin: str) -> bool:
        """Note that a pin moved; return whether it is one of these inputs."""
        discrete = self._by_pin.get(pin)
        if discrete is None:
            return False
        self._restless[pin] = discrete
        return True

    def scan(self, number: int) -> list[DebouncedDiscrete]:
        """Take scan `number`, counted from the beginning of time; return the inputs that accepted a change."""
        if not self._restless:
            return []
        accepted: list[DebouncedDiscrete] = []
        restless = {}
        for pin, discrete in self._restless.items():
            was_lost = discrete.lost_scans > 0
            voltage_v = self._pins.voltage_v(pin)
            if discrete.scan(voltage_v, number):
                if accepted and self._loses_edges:
                    discrete.changes -= 1
                else:
                    accepted.append(discrete)
            unsettled = discrete.equal or was_lost or discrete.lost_scans
            if unsettled or self._pins.moving(pin) or discrete.near(voltage_v):
                restless[pin] = discrete
        self._restless = restless
        return accepted

    def busy(self) -> bool:
        """Say whether the next scan may change anything."""
        return bool(self._restless)
