"""The unit's outputs as signals: motor bridges, and outputs that are off.

Everything is against the unit's signal ground. A bridge drives the bus through its resistance, a part of it in
either leg, and brakes (0 V) when it does not. What stands here is a resistor; a motor is `motor_drive`'s, which asks
the bridge for its `terminals`.
Not modelled: dead time within a leg (from one direction to the other the firmware waits), diodes across the legs.
"""

import math
from collections.abc import Mapping
from typing import NamedTuple

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.dimmer_stage import Draw, Load
from instruments.simulated.load_stage import NO_FEED, Feed
from instruments.simulated.parameters import BridgeOutput, PlainOutput
from instruments.simulated.sampling import ZERO, Chopping, Piece, Signal

CREEP_OHM = 20.0  # behind a bridge that creeps


OPEN_OHM = 1e6  # of a bridge without power


class Legs(NamedTuple):
    """Resistance of a bridge by leg: towards the bus, and towards ground."""

    high_ohm: float
    low_ohm: float

    @property
    def ohm(self) -> float:
        """Both together."""
        return self.high_ohm + self.low_ohm


NO_LEGS = Legs(0.0, 0.0)


class _Shape(NamedTuple):
    """What a driving bridge shows."""

    direction: int  # of its pins
    duty: float  # 0 to 1
    load_ohm: float
    legs: Legs
    feed: float  # part of the bus that reaches it


class Terminals(NamedTuple):
    """What a bridge is to a motor: a source from plus to minus pin, and the resistance of both legs.

    Driving, the source is the bus in `direction` while `chopping` is high, where it is pulsed; else `source_v`.
    """

    direction: int
    source_v: float
    driving: Legs
    resting_ohm: float
    duty: float = 1.0
    chopping: Chopping | None = None


class Bridge:
    """One motor bridge; `plus` and `minus` are its pins, `current` leaves the plus pin."""

    def __init__(self, parameters: BridgeOutput, quantities: Mapping[str, float], pwm_hz: float) -> None:
        self.parameters = parameters
        self.plus, self.minus, self.current = Signal(), Signal(), Signal()
        self.draw = Draw()
        name = parameters.name
        self._legs = _legs(name, quantities)
        self._brake_ohm = quantities[f"{name}.brake_ohm"]
        self._dead = {1: quantities[f"{name}.positive_dead"] >= 0.5, -1: quantities[f"{name}.negative_dead"] >= 0.5}
        self._fixed = {
            1: quantities[f"{name}.positive_duty_fixed"] / 100.0,
            -1: quantities[f"{name}.negative_duty_fixed"] / 100.0,
        }
        self._duty_offset = quantities[f"{name}.duty_offset"] / 100.0
        self._low_bus_ohm = quantities[f"{name}.low_bus_ohm"]
        self._low_bus_v = quantities[f"{name}.low_bus_v"]
        self._sign = -1 if parameters.reversed is not (quantities[f"{name}.leads_swapped"] >= 0.5) else 1
        self.positive_open = False  # a joint of its driver that comes and goes
        self._leakage_a = quantities[f"{name}.leakage_a"]
        self._creep_v = quantities[f"{name}.creep_v"]
        self._period_ns = NS_PER_S / pwm_hz
        self._shape: _Shape | None = None
        self._resting = (0.0, OPEN_OHM)  # volts, behind ohms
        self._origin_ns = 0

    @property
    def terminals(self) -> Terminals:
        """What it is to a motor at its pins now."""
        shape = self._shape
        if shape is None:
            return Terminals(0, self._resting[0], NO_LEGS, self._resting[1])
        chopping = self._chopping(shape.duty)
        return Terminals(shape.direction, 0.0, shape.legs, self._brake_ohm, shape.duty, chopping)

    @property
    def mean_conductance_s(self) -> float:
        """What it and its load conduct while it drives, by its duty; 0 at rest."""
        shape = self._shape
        return 0.0 if shape is None else shape.duty / (shape.load_ohm + shape.legs.ohm)

    def current_a(self, bus_v: float) -> float:
        """Return what flows while it is on, from a bus of so many volts; 0 at rest."""
        shape = self._shape
        return 0.0 if shape is None else bus_v * shape.feed / (shape.load_ohm + shape.legs.ohm)

    def heat_w(self, bus_v: float) -> float:
        """Return what its own resistance turns into heat, pulses taken together; 0 at rest."""
        shape = self._shape
        return 0.0 if shape is None else shape.duty * shape.legs.ohm * self.current_a(bus_v) ** 2

    def source(self, bus_v: float) -> Feed:
        """Return what stands between its pins for a load, plus against minus."""
        shape = self._shape
        if shape is None:
            return NO_FEED
        return Feed(shape.direction * bus_v * shape.feed, shape.legs.ohm, shape.duty)

    def drive(self, now_ns: int, direction: int, duty: float, load_ohm: float, *, bus_v: float) -> None:
        """Drive a load one way (+1, -1) with a duty from 0 to 1; `bus_v` is what the bus stands at now."""
        if self._dead[direction] or (direction > 0 and self.positive_open):
            self.idle(now_ns, load_ohm)
            return
        if self._fixed[direction] > 0.0:
            duty = self._fixed[direction]
        elif duty < 1.0:
            duty = min(1.0, max(0.0, duty + self._duty_offset))
        more_ohm = 0.5 * self._low_bus_ohm if bus_v < self._low_bus_v else 0.0
        legs = Legs(self._legs[direction].high_ohm + more_ohm, self._legs[direction].low_ohm + more_ohm)
        feed = 1.0 if self._shape is None else self._shape.feed
        self._show(now_ns, _Shape(direction * self._sign, duty, load_ohm, legs, feed))

    def feed(self, now_ns: int, part: float) -> None:
        """Have this part of the bus reach the bridge, while it drives."""
        if self._shape is not None and self._shape.feed != part:
            self._show(now_ns, self._shape._replace(feed=part))

    def _show(self, now_ns: int, shape: _Shape) -> None:
        before = self._shape
        if before is None or before.direction != shape.direction:
            self._origin_ns = now_ns
        new_duty_only = before is not None and before[::2] == shape[::2]
        self._shape = shape
        direction, duty, load_ohm, legs, part = shape
        k_a = 0.0 if math.isinf(load_ohm) else part / (load_ohm + legs.ohm)
        chopping = self._chopping(duty)
        # A new duty is taken over where a period begins, so that no pulse is cut.
        start_ns = chopping.next_start_ns(now_ns) if chopping and new_duty_only else now_ns
        high = Piece(k_v=part - k_a * legs.high_ohm, chopping=chopping)
        low = Piece(k_v=k_a * legs.low_ohm, chopping=chopping)
        self.plus.put(start_ns, high if direction > 0 else low)
        self.minus.put(start_ns, low if direction > 0 else high)
        self.current.put(start_ns, Piece(k_v=direction * k_a, chopping=chopping) if k_a else ZERO)
        self.draw = Draw(conductance_s=k_a * duty)

    def _chopping(self, duty: float) -> Chopping | None:
        return Chopping(self._origin_ns, self._period_ns, round(duty * self._period_ns)) if duty < 1.0 else None

    def idle(self, now_ns: int, load_ohm: float) -> None:
        """Drive nothing: a little leakage through the load, if there is one."""
        self._resting = (0.0, self._brake_ohm)
        loaded = not math.isinf(load_ohm)
        self._rest(now_ns, self._leakage_a * load_ohm if loaded else 0.0, self._leakage_a if loaded else 0.0)

    def creep(self, now_ns: int, load_ohm: float) -> None:
        """Show the creep voltage behind its resistance."""
        current_a = self._creep_v / (load_ohm + CREEP_OHM)
        self._resting = (self._creep_v, CREEP_OHM)
        self._rest(now_ns, self._creep_v - current_a * CREEP_OHM, current_a)

    def dead(self, now_ns: int) -> None:
        """Have no power."""
        self._resting = (0.0, OPEN_OHM)
        self._rest(now_ns, 0.0, 0.0)

    def be_absent(self, now_ns: int, load: Load) -> None:
        """Leave the pins to the load, which may lead to a voltage of the bench: the unit is unplugged."""
        self._rest(now_ns, load.behind_v, 0.0)

    def _rest(self, now_ns: int, voltage_v: float, current_a: float) -> None:
        self._shape = None
        self.plus.put(now_ns, Piece(constant=voltage_v))
        self.minus.put(now_ns, ZERO)
        self.current.put(now_ns, Piece(constant=current_a))
        self.draw = Draw(current_a=current_a)


def _legs(name: str, quantities: Mapping[str, float]) -> dict[int, Legs]:
    """Return the legs of a bridge by direction."""
    part = quantities[f"{name}.high_part"] / 100.0
    plus_ohm, minus_ohm = quantities[f"{name}.positive_ohm"], quantities[f"{name}.negative_ohm"]
    return {
        1: Legs(part * plus_ohm + quantities[f"{name}.positive_high_ohm"], (1.0 - part) * plus_ohm),
        -1: Legs(part * minus_ohm, (1.0 - part) * minus_ohm + quantities[f"{name}.negative_low_ohm"]),
    }


class Plain:
    """An output that stays off, unless the unit is wrong."""

    def __init__(self, parameters: PlainOutput) -> None:
        self.parameters = parameters
        self.plus = Signal()

    def show(self, now_ns: int, *, running: bool) -> None:
        """Follow the unit's state."""
        self.plus.put(now_ns, Piece(constant=self.parameters.stuck_on_v) if running else ZERO)

    def be_absent(self, now_ns: int, load: Load) -> None:
        """Leave the pin to the load, which may lead to a voltage of the bench: the unit is unplugged."""
        self.plus.put(now_ns, Piece(constant=load.behind_v))
