"""All outputs of the unit with the loads the bench puts to them, and what they draw from the bus together."""

import math
from collections.abc import Mapping

from instruments.simulated.parameters import TwinParameters
from instruments.simulated.power_stage import Bridge, Dimmer, Draw, Plain
from instruments.simulated.relays import Relays


class OutputStage:
    """Shows what the firmware wants at the pins; motors see their loads only through the arm relay."""

    def __init__(self, parameters: TwinParameters, quantities: Mapping[str, float], relays: Relays) -> None:
        self.bridges = {
            bridge.name: Bridge(bridge, quantities, parameters.trim_pwm_hz) for bridge in parameters.bridges
        }
        self.dimmers = {dimmer.name: Dimmer(dimmer, quantities) for dimmer in parameters.dimmers}
        self.plain = [Plain(output) for output in parameters.outputs]
        self.creeping: set[str] = set()  # bridges that creep unless they drive
        self._relays = relays

    def show_bridge(self, now_ns: int, name: str, direction: int, duty: float) -> None:
        """Drive a bridge (+1, -1) with a duty, or have it rest (0)."""
        bridge = self.bridges[name]
        load_ohm = self._relays.load_ohm(name) if self._relays.armed else math.inf
        if direction:
            bridge.drive(now_ns, direction, duty, load_ohm)
        elif name in self.creeping:
            bridge.creep(now_ns, load_ohm)
        else:
            bridge.idle(now_ns, load_ohm)

    def show_dimmer(self, now_ns: int, name: str, level: float) -> None:
        """Show a dimming level: per cent of duty, or volts."""
        self.dimmers[name].show(now_ns, level, self._relays.load_ohm(name))

    def hold_plain(self, now_ns: int) -> None:
        """Switch on the outputs that are on whenever the unit runs."""
        for output in self.plain:
            output.show(now_ns, running=True)

    def lose_power(self, now_ns: int) -> None:
        """Have every output at 0 V."""
        self.creeping.clear()
        for bridge in self.bridges.values():
            bridge.dead(now_ns)
        for dimmer in self.dimmers.values():
            dimmer.show(now_ns, 0.0, math.inf)
        for output in self.plain:
            output.show(now_ns, running=False)

    def draw(self) -> Draw:
        """Return what all outputs draw together."""
        draws = [bridge.draw for bridge in self.bridges.values()]
        draws += [dimmer.draw for dimmer in self.dimmers.values()]
        return Draw(
            conductance_s=sum(draw.conductance_s for draw in draws), current_a=sum(draw.current_a for draw in draws)
        )
