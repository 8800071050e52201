"""All outputs of the unit with the loads the bench puts to them, and what they draw from the bus together."""

import math
from collections.abc import Callable, Mapping

from instruments.simulated.dimmer_stage import Dimmer, Draw
from instruments.simulated.motor_drive import MotorDrive
from instruments.simulated.parameters import TwinParameters
from instruments.simulated.power_stage import Bridge, Plain
from instruments.simulated.relays import Relays


class OutputStage:
    """Shows what the firmware wants at the pins; motors see their loads only through the arm relay."""

    def __init__(self, parameters: TwinParameters, quantities: Mapping[str, float], relays: Relays) -> None:
        self.bridges = {
            bridge.name: Bridge(bridge, quantities, parameters.trim_pwm_hz) for bridge in parameters.bridges
        }
        self.dimmers = {dimmer.name: Dimmer(dimmer, quantities) for dimmer in parameters.dimmers}
        self._feed_ohm = quantities["unit.trim_feed_ohm"]
        self.plain = [Plain(output) for output in parameters.outputs]
        self.creeping: set[str] = set()  # bridges that creep unless they drive
        self.motors: dict[str, MotorDrive] = {}  # by bridge, of the bench's motors
        self.on_bridge: Callable[[], None] | None = None  # a bridge shows something else
        self._relays = relays

    def show_bridge(self, now_ns: int, name: str, direction: int, duty: float, *, bus_v: float) -> None:
        """Drive a bridge (+1, -1) with a duty from a bus that stands at `bus_v` now, or have it rest (0)."""
        bridge = self.bridges[name]
        load_ohm = self._relays.load_ohm(name) if self._relays.armed else math.inf
        if direction:
            bridge.drive(now_ns, direction, duty, load_ohm, bus_v=bus_v)
        elif name in self.creeping:
            bridge.creep(now_ns, load_ohm)
        else:
            bridge.idle(now_ns, load_ohm)
        if self._feed_ohm > 0.0:
            self._share_feed(now_ns)
        self._show_motor(name)
        self._tell()

    def _show_motor(self, name: str) -> None:
        """Have a motor follow what its bridge does now, where one stands behind it."""
        if name in self.motors:
            drive = self.motors[name]
            drive.brake(self._relays.braked(name))
            (drive.follow if self._relays.on_motor(name) else drive.leave)()

    def bus_changed(self) -> None:
        """Have every motor look at the bus."""
        for drive in self.motors.values():
            drive.bus_changed()

    def _tell(self) -> None:
        if self.on_bridge is not None:
            self.on_bridge()

    def _share_feed(self, now_ns: int) -> None:
        """Have every driving bridge see what the common feed leaves of the bus, mean currents taken."""
        conductance_s = sum(bridge.mean_conductance_s for bridge in self.bridges.values())
        for bridge in self.bridges.values():
            bridge.feed(now_ns, 1.0 / (1.0 + self._feed_ohm * conductance_s))

    def show_dimmer(self, now_ns: int, name: str, level: float, *, bus_v: float) -> None:
        """Show a dimming level, per cent of duty or volts, from a bus that stands at `bus_v` now."""
        self.dimmers[name].show(now_ns, level, self._relays.load(name), bus_v=bus_v)

    def be_absent(self, now_ns: int) -> None:
        """Leave all output pins and motors to the bench: the unit is unplugged.

        A load to its reference needs no arm relay.
        """
        for motor in self.motors.values():
            motor.leave()
        for name, bridge in self.bridges.items():
            bridge.be_absent(now_ns, self._relays.load(name))
        for name, dimmer in self.dimmers.items():
            dimmer.be_absent(now_ns, self._relays.load(name))
        for output in self.plain:
            output.be_absent(now_ns, self._relays.load(output.parameters.name))

    def show_plain(self, now_ns: int) -> None:
        """Switch on the outputs that a wrong unit has on whenever it runs."""
        for output in self.plain:
            output.show(now_ns, running=True)

    def lose_power(self, now_ns: int) -> None:
        """Have every output at 0 V."""
        self.creeping.clear()
        for name, bridge in self.bridges.items():
            bridge.dead(now_ns)
            self._show_motor(name)
        for dimmer in self.dimmers.values():
            dimmer.lose_power(now_ns)
        for output in self.plain:
            output.show(now_ns, running=False)
        self._tell()

    def draw(self) -> Draw:
        """Return what all outputs draw together."""
        draws = [
            self.motors[name].draw if name in self.motors and self._relays.on_motor(name) else bridge.draw
            for name, bridge in self.bridges.items()
        ]
        draws += [dimmer.draw for dimmer in self.dimmers.values()]
        return Draw(
            conductance_s=sum(draw.conductance_s for draw in draws), current_a=sum(draw.current_a for draw in draws)
        )
