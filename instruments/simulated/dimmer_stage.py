"""A dimming output as a signal: PWM of the bus or a regulated voltage, into whatever load the bench puts there.

On, it has an output resistance and a current limit that holds constant current and lets go by itself; a unit that is
wrong may have no such limit, or stay off after it until it loses power. Off, it is a resistor to ground. A DC output
carries a little ripple. Everything is against the unit's signal ground.
Not modelled: the rise of the current, heat in the limit, ripple that grows with the load, coupling between outputs
other than through the bus.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.parameters import DimmerOutput
from instruments.simulated.sampling import Chopping, Piece, Ripple, Signal

DC_HEADROOM_V = 1.0  # a DC output stays this far below the bus


@dataclass(frozen=True, slots=True)
class Draw:
    """What an output draws from the bus: mean conductance, and a constant current."""

    conductance_s: float = 0.0
    current_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """A resistor that leads to a voltage: ground, or the bench's reference."""

    ohm: float = math.inf
    behind_v: float = 0.0


NO_LOAD = Load()


class Dimmer:
    """One dimming output."""

    def __init__(self, parameters: DimmerOutput, quantities: Mapping[str, float]) -> None:
        self.parameters = parameters
        self.pin = Signal()
        self.draw = Draw()
        name = parameters.name
        self._period_ns = NS_PER_S / quantities[f"{name}.frequency_hz"]
        self._drop_ohm = quantities[f"{name}.drop_ohm"]
        self._limit_a = quantities[f"{name}.limit_a"]
        self._latches = quantities[f"{name}.latches"] >= 0.5
        self._off_ohm = quantities[f"{name}.off_ohm"]
        self._ripple: Ripple | None = None
        if not parameters.pwm and quantities[f"{name}.ripple_v"] > 0.0:
            self._ripple = Ripple(0.5 * quantities[f"{name}.ripple_v"], NS_PER_S / quantities[f"{name}.ripple_hz"])
        self._origin_ns: int | None = None
        self._latched = False

    def show(self, now_ns: int, level: float, load: Load, *, bus_v: float) -> None:
        """Show a level (per cent of duty, or volts; 0 is off) from a bus that stands at `bus_v` now."""
        source_v = min(level, bus_v - DC_HEADROOM_V) if not self.parameters.pwm else bus_v
        limited = level > 0.0 and source_v > self._limit_a * (load.ohm + self._drop_ohm)
        self._latched = self._latched or (limited and self._latches)
        if level <= 0.0 or self._latched:
            self._rest(now_ns, load)
        elif self.parameters.pwm:
            self._chop(now_ns, level / 100.0, load.ohm, limited=limited)
        else:
            self._hold(now_ns, level, load.ohm, limited=limited)

    def lose_power(self, now_ns: int) -> None:
        """Have no power: off, and no memory of an overload."""
        self._latched = False
        self._rest(now_ns, NO_LOAD)

    def be_absent(self, now_ns: int, load: Load) -> None:
        """Leave the pin to the bench: the unit is unplugged, so it stands where its load leads."""
        self.pin.put(now_ns, Piece(constant=load.behind_v))

    def _rest(self, now_ns: int, load: Load) -> None:
        self._origin_ns = None
        part = 1.0 if math.isinf(self._off_ohm) else self._off_ohm / (self._off_ohm + load.ohm)
        self.pin.put(now_ns, Piece(constant=load.behind_v * part))
        self.draw = Draw()

    def _hold(self, now_ns: int, level_v: float, load_ohm: float, *, limited: bool) -> None:
        self._origin_ns = None
        if limited:
            self.pin.put(now_ns, Piece(constant=self._limit_a * load_ohm))
            self.draw = Draw(current_a=self._limit_a)
            return
        pin_v = level_v * self._divided(load_ohm)
        self.pin.put(now_ns, Piece(constant=pin_v, headroom_v=DC_HEADROOM_V, ripple=self._ripple))
        self.draw = Draw(current_a=pin_v / load_ohm)

    def _chop(self, now_ns: int, duty: float, load_ohm: float, *, limited: bool) -> None:
        running = self._origin_ns is not None
        origin_ns = now_ns if self._origin_ns is None else self._origin_ns
        self._origin_ns = origin_ns
        chopping = Chopping(origin_ns, self._period_ns, round(duty * self._period_ns))
        start_ns = chopping.next_start_ns(now_ns) if running else now_ns
        pulses = chopping if duty < 1.0 else None
        if limited:
            self.pin.put(start_ns, Piece(constant=self._limit_a * load_ohm, chopping=pulses))
            self.draw = Draw(current_a=duty * self._limit_a)
            return
        self.pin.put(start_ns, Piece(k_v=self._divided(load_ohm), chopping=pulses))
        self.draw = Draw(conductance_s=duty / (load_ohm + self._drop_ohm))

    def _divided(self, load_ohm: float) -> float:
        return 1.0 if math.isinf(load_ohm) else load_ohm / (load_ohm + self._drop_ohm)
