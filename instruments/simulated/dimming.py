"""Firmware, dimming: rheostat travel to the level of each output, scan by scan.

Not modelled: converter resolution, filtering of the wiper, the short-circuit limit of the outputs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from instruments.simulated.discrete_inputs import Pins
from instruments.simulated.parameters import DimmerOutput, RheostatInput


@dataclass(slots=True)
class DimmerLevel:
    """One output's level: per cent of duty, or volts; 0 is off."""

    parameters: DimmerOutput
    offset_level: float
    high_level: float
    level: float = 0.0

    def follow(self, travel: float) -> bool:
        """Set the level from the rheostat's travel, 0 to 1; return whether it changed."""
        before, self.level = self.level, self._level(travel)
        return self.level != before

    def _level(self, travel: float) -> float:
        parameters = self.parameters
        if travel < parameters.off_below:
            return 0.0
        part = (min(travel, 1.0) - parameters.off_below) / (1.0 - parameters.off_below)
        level = parameters.low_level + (self.high_level - parameters.low_level) * part + self.offset_level
        return min(max(level, 0.0), 100.0) if parameters.pwm else max(level, 0.0)


class DimmingBank:
    """All rheostats and the outputs they set."""

    def __init__(
        self,
        rheostats: Sequence[RheostatInput],
        dimmers: Sequence[DimmerOutput],
        quantities: Mapping[str, float],
        pins: Pins,
    ) -> None:
        self.levels = [
            DimmerLevel(
                parameters=dimmer,
                offset_level=quantities[f"{dimmer.name}.offset_level"],
                high_level=quantities[f"{dimmer.name}.high_level"],
            )
            for dimmer in dimmers
        ]
        self._pins = pins
        self._by_pin = {rheostat.pin: rheostat for rheostat in rheostats}
        self._restless: dict[str, RheostatInput] = {}

    def start(self) -> None:
        """Begin with every output off; the first scan sets them."""
        for level in self.levels:
            level.level = 0.0
        self._restless = dict(self._by_pin)

    def touch(self, pin: str) -> bool:
        """Note that a pin moved; return whether it is one of these wipers."""
        rheostat = self._by_pin.get(pin)
        if rheostat is None:
            return False
        self._restless[pin] = rheostat
        return True

    def scan(self) -> list[DimmerLevel]:
        """Take one scan; return the outputs whose level changed."""
        if not self._restless:
            return []
        changed, restless = [], {}
        for pin, rheostat in self._restless.items():
            travel = self._pins.voltage_v(pin) / rheostat.full_travel_v
            changed += [
                level for level in self.levels if level.parameters.rheostat == rheostat.name and level.follow(travel)
            ]
            if self._pins.moving(pin):
                restless[pin] = rheostat
        self._restless = restless
        return changed

    def busy(self) -> bool:
        """Say whether the next scan may change anything."""
        return bool(self._restless)
