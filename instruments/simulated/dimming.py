"""Firmware, dimming: rheostat travel to the level of each output, scan by scan.

A wiper that stands above its travel is taken as open, and its outputs show what they show at the travel set for that.
Quantities that are 0 (a gain of 100 %) in a good unit are what can be wrong with it.
Not modelled: converter resolution, filtering of the wiper, the rise of a level (it is there with the next period).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.discrete_inputs import PRESENT, Pins
from instruments.simulated.parameters import DimmerOutput, RheostatInput

MISSING_FROM, MISSING_TO = 0.50, 0.52  # parts of the working travel where a missing code shows
STUCK_OFF, STUCK_ON = 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFaults:
    """What is wrong with one output's level; per cent or V where not said otherwise."""

    stuck: int = 0
    floor_level: float = 0.0  # left when off
    missing_level: float = 0.0  # too little over a short stretch
    sag_percent: float = 0.0  # of the level, at half travel
    gain_percent: float = 100.0
    bus_percent_per_v: float = 0.0

    @classmethod
    def of(cls, dimmer: str, quantities: Mapping[str, float]) -> "LevelFaults":
        """Return those of one output."""
        return cls(
            stuck=math.floor(quantities[f"{dimmer}.stuck"] + PRESENT),
            floor_level=quantities[f"{dimmer}.floor_level"],
            missing_level=quantities[f"{dimmer}.missing_level"],
            sag_percent=quantities[f"{dimmer}.sag"],
            gain_percent=quantities[f"{dimmer}.gain"],
            bus_percent_per_v=quantities[f"{dimmer}.bus_per_volt"],
        )


@dataclass(slots=True)
class DimmerLevel:
    """One output's level: per cent of duty, or volts; 0 is off."""

    parameters: DimmerOutput
    offset_level: float
    high_level: float
    faults: LevelFaults
    nominal_v: float  # of the bus: where a level that follows it is right
    level: float = 0.0

    def follow(self, travel: float, bus_v: float) -> bool:
        """Set the level from the rheostat's travel, 0 to 1, and the bus; return whether it changed."""
        before, self.level = self.level, self._level(travel, bus_v)
        return self.level != before

    def _level(self, travel: float, bus_v: float) -> float:
        parameters, faults = self.parameters, self.faults
        if faults.stuck:
            return parameters.high_level if faults.stuck == STUCK_ON else 0.0
        if travel < parameters.off_below:
            return faults.floor_level
        part = (min(travel, 1.0) - parameters.off_below) / (1.0 - parameters.off_below)
        level = parameters.low_level + (self.high_level - parameters.low_level) * part + self.offset_level
        level *= faults.gain_percent / 100.0 * (1.0 - faults.sag_percent / 100.0 * 4.0 * part * (1.0 - part))
        level *= 1.0 + faults.bus_percent_per_v / 100.0 * (bus_v - self.nominal_v)
        if MISSING_FROM <= part < MISSING_TO:
            level -= faults.missing_level
        return min(max(level, 0.0), 100.0) if parameters.pwm else max(level, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiper:
    """One rheostat input as the firmware reads it."""

    parameters: RheostatInput
    open_travel: float
    offset_v: float  # lost inside, by leakage through the input's resistor
    wander_v: float  # at half travel; none at the ends, where the wiper stands firm
    wander_hz: float

    def travel(self, pin_v: float, now_ns: int) -> float:
        """Return the travel it is taken to stand at."""
        if pin_v > self.parameters.open_above_v:
            return self.open_travel
        travel = (pin_v - self.offset_v) / self.parameters.full_travel_v
        if self.wander_v:
            middle = 4.0 * travel * (1.0 - travel)
            phase = 2.0 * math.pi * self.wander_hz * now_ns / NS_PER_S
            travel += middle * self.wander_v / self.parameters.full_travel_v * math.sin(phase)
        return max(travel, 0.0)


class DimmingBank:
    """All rheostats and the outputs they set."""

    def __init__(
        self,
        rheostats: Sequence[RheostatInput],
        dimmers: Sequence[DimmerOutput],
        quantities: Mapping[str, float],
        pins: Pins,
        bus_v: Callable[[], float],
        *,
        nominal_v: float,
    ) -> None:
        self.levels = [
            DimmerLevel(
                parameters=dimmer,
                offset_level=quantities[f"{dimmer.name}.offset_level"],
                high_level=quantities[f"{dimmer.name}.high_level"],
                faults=LevelFaults.of(dimmer.name, quantities),
                nominal_v=nominal_v,
            )
            for dimmer in dimmers
        ]
        self._pins = pins
        self._bus_v = bus_v
        self._by_pin = {rheostat.pin: _wiper(rheostat, quantities) for rheostat in rheostats}
        names = [rheostat.name for rheostat in rheostats]
        crossed = quantities["unit.rheostats_crossed"] >= 0.5
        self._sets = dict(zip(names, names[::-1] if crossed else names, strict=True))
        self._follows_bus = any(level.faults.bus_percent_per_v for level in self.levels)
        self._restless: dict[str, Wiper] = {}
        self._reset_travels = {
            rheostat.pin: travel
            for rheostat in rheostats
            if (travel := quantities[f"{rheostat.name}.reset_travel"] / 100.0) > 0.0
        }
        self._taken: dict[str, float] = {}

    def start(self, *, after_reset: bool = False) -> None:
        """Begin with every output off; the first scan sets them.

        After a reset a faulty unit takes a wiper to stand at another travel, until the wiper moves.
        """
        self._taken = dict(self._reset_travels) if after_reset else {}
        for level in self.levels:
            level.level = 0.0
        self._restless = dict(self._by_pin)

    def touch(self, pin: str) -> bool:
        """Note that a pin moved; return whether it is one of these wipers."""
        wiper = self._by_pin.get(pin)
        if wiper is None:
            return False
        self._restless[pin] = wiper
        self._taken.pop(pin, None)
        return True

    def scan(self, now_ns: int) -> list[DimmerLevel]:
        """Take one scan; return the outputs whose level changed."""
        due = self._by_pin if self._follows_bus else self._restless
        if not due:
            return []
        changed, restless, bus_v = [], {}, self._bus_v()
        for pin, wiper in due.items():
            travel = self._taken.get(pin, wiper.travel(self._pins.voltage_v(pin), now_ns))
            rheostat = self._sets[wiper.parameters.name]
            changed += [
                level for level in self.levels if level.parameters.rheostat == rheostat and level.follow(travel, bus_v)
            ]
            if wiper.wander_v or self._pins.moving(pin):
                restless[pin] = wiper
        self._restless = restless
        return changed

    def busy(self) -> bool:
        """Say whether the next scan may change anything."""
        return bool(self._restless)


def _wiper(rheostat: RheostatInput, quantities: Mapping[str, float]) -> Wiper:
    return Wiper(
        parameters=rheostat,
        open_travel=quantities[f"{rheostat.name}.open_travel"] / 100.0,
        offset_v=quantities[f"{rheostat.name}.offset_v"],
        wander_v=quantities[f"{rheostat.name}.wander_v"],
        wander_hz=quantities[f"{rheostat.name}.wander_hz"],
    )
