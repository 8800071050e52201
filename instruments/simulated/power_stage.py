"""The unit's outputs as signals: motor bridges, dimming outputs, and outputs that are off or held.

Everything is against the unit's signal ground. A bridge drives the bus through its resistance, half of it in
either leg, and brakes (0 V) when it does not.
Not modelled: dead time, over-current trips, motor inductance and back voltage (loads are resistors), the
ripple of DC dimming, what a brake conducts.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.parameters import BridgeOutput, DimmerOutput, PlainOutput
from instruments.simulated.sampling import ZERO, Chopping, Piece, Signal

CREEP_OHM = 20.0  # behind a bridge that creeps
DC_HEADROOM_V = 1.0  # a DC dimming output stays this far below the bus


@dataclass(frozen=True, slots=True)
class Draw:
    """What an output draws from the bus: mean conductance, and a constant current."""

    conductance_s: float = 0.0
    current_a: float = 0.0


class Bridge:
    """One motor bridge; `plus` and `minus` are its pins, `current` leaves the plus pin."""

    def __init__(self, parameters: BridgeOutput, quantities: Mapping[str, float], pwm_hz: float) -> None:
        self.parameters = parameters
        self.plus, self.minus, self.current = Signal(), Signal(), Signal()
        self.draw = Draw()
        name = parameters.name
        self._ohm = {1: quantities[f"{name}.positive_ohm"], -1: quantities[f"{name}.negative_ohm"]}
        self._dead = {1: quantities[f"{name}.positive_dead"] >= 0.5, -1: quantities[f"{name}.negative_dead"] >= 0.5}
        self._leakage_a = quantities[f"{name}.leakage_a"]
        self._creep_v = quantities[f"{name}.creep_v"]
        self._period_ns = NS_PER_S / pwm_hz
        self._shape: tuple[int, float, float] | None = None
        self._origin_ns = 0

    def drive(self, now_ns: int, direction: int, duty: float, load_ohm: float) -> None:
        """Drive a load one way (+1, -1) with a duty from 0 to 1."""
        if self._dead[direction]:
            self.idle(now_ns, load_ohm)
            return
        if self._shape is None or self._shape[0] != direction:
            self._origin_ns = now_ns
        new_duty_only = self._shape is not None and self._shape[::2] == (direction, load_ohm)
        self._shape = (direction, duty, load_ohm)
        bridge_ohm = self._ohm[direction]
        k_a = 0.0 if math.isinf(load_ohm) else 1.0 / (load_ohm + bridge_ohm)
        chopping = Chopping(self._origin_ns, self._period_ns, round(duty * self._period_ns)) if duty < 1.0 else None
        # A new duty is taken over where a period begins, so that no pulse is cut.
        start_ns = chopping.next_start_ns(now_ns) if chopping and new_duty_only else now_ns
        high = Piece(k_v=1.0 - 0.5 * k_a * bridge_ohm, chopping=chopping)
        low = Piece(k_v=0.5 * k_a * bridge_ohm, chopping=chopping)
        self.plus.put(start_ns, high if direction > 0 else low)
        self.minus.put(start_ns, low if direction > 0 else high)
        self.current.put(start_ns, Piece(k_v=direction * k_a, chopping=chopping) if k_a else ZERO)
        self.draw = Draw(conductance_s=k_a * duty)

    def idle(self, now_ns: int, load_ohm: float) -> None:
        """Drive nothing: a little leakage through the load, if there is one."""
        loaded = not math.isinf(load_ohm)
        self._rest(now_ns, self._leakage_a * load_ohm if loaded else 0.0, self._leakage_a if loaded else 0.0)

    def creep(self, now_ns: int, load_ohm: float) -> None:
        """Show the creep voltage behind its resistance."""
        current_a = self._creep_v / (load_ohm + CREEP_OHM)
        self._rest(now_ns, self._creep_v - current_a * CREEP_OHM, current_a)

    def dead(self, now_ns: int) -> None:
        """Have no power."""
        self._rest(now_ns, 0.0, 0.0)

    def _rest(self, now_ns: int, voltage_v: float, current_a: float) -> None:
        self._shape = None
        self.plus.put(now_ns, Piece(constant=voltage_v))
        self.minus.put(now_ns, ZERO)
        self.current.put(now_ns, Piece(constant=current_a))
        self.draw = Draw(current_a=current_a)


class Dimmer:
    """One dimming output."""

    def __init__(self, parameters: DimmerOutput, quantities: Mapping[str, float]) -> None:
        self.parameters = parameters
        self.pin = Signal()
        self.draw = Draw()
        self._period_ns = NS_PER_S / quantities[f"{parameters.name}.frequency_hz"]
        self._drop_ohm = quantities[f"{parameters.name}.drop_ohm"]
        self._origin_ns: int | None = None

    def show(self, now_ns: int, level: float, load_ohm: float) -> None:
        """Show a level: per cent of duty, or volts; 0 is off."""
        if self.parameters.pwm and level > 0.0:
            self._chop(now_ns, level / 100.0, load_ohm)
            return
        self._origin_ns = None
        if level <= 0.0:
            self.pin.put(now_ns, ZERO)
            self.draw = Draw()
        else:
            self.pin.put(now_ns, Piece(constant=level, headroom_v=DC_HEADROOM_V))
            self.draw = Draw(current_a=level / load_ohm)

    def _chop(self, now_ns: int, duty: float, load_ohm: float) -> None:
        running = self._origin_ns is not None
        origin_ns = now_ns if self._origin_ns is None else self._origin_ns
        self._origin_ns = origin_ns
        chopping = Chopping(origin_ns, self._period_ns, round(duty * self._period_ns))
        start_ns = chopping.next_start_ns(now_ns) if running else now_ns
        k_v = 1.0 if math.isinf(load_ohm) else load_ohm / (load_ohm + self._drop_ohm)
        self.pin.put(start_ns, Piece(k_v=k_v, chopping=chopping if duty < 1.0 else None))
        self.draw = Draw(conductance_s=duty / (load_ohm + self._drop_ohm))


class Plain:
    """An output that stays off, or is held at a level whenever the unit runs."""

    def __init__(self, parameters: PlainOutput) -> None:
        self.parameters = parameters
        self.plus = Signal()

    def show(self, now_ns: int, *, running: bool) -> None:
        """Follow the unit's state."""
        self.plus.put(now_ns, Piece(constant=self.parameters.level_v) if running else ZERO)
