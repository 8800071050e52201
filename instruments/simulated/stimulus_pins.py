"""The unit's input pins: the bench's analogue outputs and switch contacts against the unit's own pull.

A pin stands where its analogue output (behind a series resistor), the unit's pull and a short inside the unit
balance, with a resistor to the bus where a relay feeds the pin; a contact to ground wins over all of them. The pull is
there while the unit is plugged, and leads to ground while the unit's logic has no power. Pins that are bridged inside
the unit balance together.
Not modelled: input filters, protection diodes, contact bounce, the rise of the pull voltage with the bus; a bus that
moves while it feeds a pin (the pin keeps what the bus was when the pin last changed), and what a feed draws from it.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order
from instruments.simulated.parameters import AnalogOutputParameters
from instruments.simulated.sampling import Piece, Signal
from instruments.simulated.timeline import Timeline


@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """What the unit has at a pin: a resistor to a voltage, a short to ground, a bridge to a pin (0 S: none)."""

    voltage_v: float = 0.0
    resistance_ohm: float = float("inf")
    ground_short_s: float = 0.0
    bridge_s: float = 0.0
    bridged_pin: str = ""


CONTACT_S = 1e6  # a closed contact beside bridged pins: as good as 0 ohm


@dataclass(frozen=True, slots=True, kw_only=True)
class _Norton:
    """What stands at one pin alone: conductance, and the current it would drive into ground, with its slope."""

    conductance_s: float
    current_a: float = 0.0
    slope_a_per_s: float = 0.0

    def course(self) -> Piece:
        """Return the pin's voltage; 0 V for a pin that nothing holds."""
        if self.conductance_s == 0.0:
            return Piece()
        return Piece(constant=self.current_a / self.conductance_s, slope_per_s=self.slope_a_per_s / self.conductance_s)


@dataclass(slots=True)
class _Line:
    """An analogue output's own course, errors included, ahead of its resistor."""

    parameters: AnalogOutputParameters
    start_ns: int = 0
    start_v: float = 0.0
    slope_v_per_s: float = 0.0
    target_v: float = 0.0  # as set, without errors
    arrival: Alarm | None = None

    def actual_v(self, setting_v: float) -> float:
        parameters = self.parameters
        return 0.0 if parameters.dead else setting_v * (1.0 + parameters.gain_error) + parameters.offset_v


@dataclass(slots=True)
class _Pin:
    pull: Pull = field(default_factory=Pull)
    line: _Line | None = None
    contacts: int = 0
    fed: bool = False
    signal: Signal = field(default_factory=Signal)
    pressed: Timeline[bool] = field(default_factory=lambda: Timeline(False))


class StimulusPins:
    """All input pins by name; `on_change` is told which pin's course changed."""

    def __init__(
        self,
        agenda: Agenda,
        outputs: Mapping[int, AnalogOutputParameters],
        pulls: Mapping[str, Pull],
        *,
        feeds_ohm: Mapping[str, float],
        bus_v: Callable[[], float],
    ) -> None:
        self.on_change: Callable[[str], None] | None = None
        self._agenda = agenda
        self._feeds_ohm, self._bus_v = feeds_ohm, bus_v
        self._pins: dict[str, _Pin] = {name: _Pin(pull=pull) for name, pull in pulls.items()}
        self._lines: dict[int, tuple[str, _Line]] = {}
        self._plugged = False
        self._powered = False
        self._load_s = 0.0
        for channel, parameters in outputs.items():
            line = _Line(parameters, target_v=0.0)
            line.start_v = line.actual_v(0.0)
            line.arrival = Alarm(agenda, Order.BENCH, self._arrival_of(parameters.pin, line))
            self._lines[channel] = (parameters.pin, line)
            self._pins.setdefault(parameters.pin, _Pin()).line = line
        self._bridged = _bridged_groups(pulls)
        for name in self._pins:
            self._put(name)

    def names(self) -> tuple[str, ...]:
        """Return all pins it holds."""
        return tuple(self._pins)

    def signal(self, pin: str) -> Signal | None:
        """Return the pin's voltage through time, or None for a pin it does not hold."""
        held = self._pins.get(pin)
        return held.signal if held else None

    def pressed_timeline(self, pin: str) -> Timeline[bool]:
        """Return when the pin stood at ground because a contact held it there."""
        return self._pin(pin).pressed

    def voltage_v(self, pin: str) -> float:
        """Return the pin's voltage against signal ground now."""
        start_ns, piece = self._pins[pin].signal.timeline.at(self._agenda.now_ns)
        return piece.constant + piece.slope_per_s * (self._agenda.now_ns - start_ns) / NS_PER_S

    def moving(self, pin: str) -> bool:
        """Say whether the pin's voltage changes by itself."""
        return self._pins[pin].signal.timeline.last.slope_per_s != 0.0

    def pressed(self, pin: str) -> bool:
        """Say whether a contact holds the pin at ground."""
        return self._pins[pin].contacts > 0

    def set_unit(self, *, plugged: bool, powered: bool) -> None:
        """Tell whether the unit's pulls are there, and whether they have power."""
        if (plugged, powered) != (self._plugged, self._powered):
            self._plugged, self._powered = plugged, powered
            for name in self._pins:
                self._put(name)

    def set_load(self, load_ohm: float) -> None:
        """Switch a resistor of the bench from every analogue output's pin to ground, each its own."""
        if 1.0 / load_ohm != self._load_s:
            self._load_s = 1.0 / load_ohm
            for name, _ in self._lines.values():
                self._put(name)

    def set_line(self, channel: int, voltage_v: float) -> None:
        """Set an analogue output now."""
        name, line = self._line(channel)
        self._hold(name, line, voltage_v)

    def ramp_line(self, channel: int, to_voltage_v: float, duration_ns: int) -> None:
        """Ramp an analogue output from where it stands."""
        name, line = self._line(channel)
        if duration_ns <= 0:
            self._hold(name, line, to_voltage_v)
            return
        now_ns = self._agenda.now_ns
        line.start_v += line.slope_v_per_s * (now_ns - line.start_ns) / NS_PER_S
        line.start_ns, line.target_v = now_ns, to_voltage_v
        line.slope_v_per_s = (line.actual_v(to_voltage_v) - line.start_v) / duration_ns * NS_PER_S
        if line.arrival is not None:
            line.arrival.set(now_ns + duration_ns)
        self._put(name)

    def press(self, pin: str, on: bool) -> None:
        """Close or open one contact from the pin to ground."""
        held = self._pin(pin)
        held.contacts += 1 if on else -1
        held.pressed.put(self._agenda.now_ns, held.contacts > 0)
        self._put(pin)

    def feed(self, pin: str, on: bool) -> None:
        """Connect a pin to the bus through its feed's resistor, or part them."""
        self._pins[pin].fed = on
        self._put(pin)

    def forget_before(self, time_ns: int) -> None:
        """Drop history."""
        for pin in self._pins.values():
            pin.signal.timeline.forget_before(time_ns)
            pin.pressed.forget_before(time_ns)

    def _pin(self, name: str) -> _Pin:
        if name not in self._pins:
            self._pins[name] = _Pin()
        return self._pins[name]

    def _line(self, channel: int) -> tuple[str, _Line]:
        if channel not in self._lines:
            raise ValueError(f"plant: no analogue output {channel} is wired. Check the bench sheet's stimuli.")
        return self._lines[channel]

    def _hold(self, name: str, line: _Line, voltage_v: float) -> None:
        line.start_ns, line.start_v, line.slope_v_per_s = self._agenda.now_ns, line.actual_v(voltage_v), 0.0
        line.target_v = voltage_v
        if line.arrival is not None:
            line.arrival.clear()
        self._put(name)

    def _arrival_of(self, name: str, line: _Line) -> Callable[[], None]:
        return lambda: self._hold(name, line, line.target_v)

    def _put(self, name: str) -> None:
        group = self._bridged.get(name, ()) if self._plugged else ()
        if group:
            self._put_bridged(group)
            return
        pin, now_ns = self._pins[name], self._agenda.now_ns
        pin.signal.put(now_ns, Piece() if pin.contacts > 0 else self._norton(name, now_ns).course())
        self._tell(name)

    def _put_bridged(self, group: tuple[str, ...]) -> None:
        """Solve the node equations of pins that are bridged inside the unit: (G + bridges) V = I."""
        now_ns = self._agenda.now_ns
        held = [(name, self._pins[name]) for name in group]
        pins = [pin for _, pin in held]
        contact = _Norton(conductance_s=CONTACT_S)
        nodes = [contact if pin.contacts > 0 else self._norton(name, now_ns) for name, pin in held]
        matrix = np.diag([node.conductance_s for node in nodes])
        for row, pin in enumerate(pins):
            if pin.pull.bridge_s > 0.0:
                column = group.index(pin.pull.bridged_pin)
                matrix[[row, column], [row, column]] += pin.pull.bridge_s
                matrix[[row, column], [column, row]] -= pin.pull.bridge_s
        driven = np.array([(node.current_a, node.slope_a_per_s) for node in nodes])
        for pin, (constant_v, slope_v_per_s) in zip(pins, np.linalg.solve(matrix, driven), strict=True):
            pin.signal.put(now_ns, Piece(constant=float(constant_v), slope_per_s=float(slope_v_per_s)))
        for name in group:
            self._tell(name)

    def _tell(self, name: str) -> None:
        if self.on_change is not None:
            self.on_change(name)

    def _norton(self, name: str, now_ns: int) -> _Norton:
        pin = self._pins[name]
        pull, line = pin.pull, pin.line
        feed_s = 1.0 / self._feeds_ohm[name] if pin.fed else 0.0
        pull_s = 1.0 / pull.resistance_ohm if self._plugged else 0.0
        short_s = pull.ground_short_s if self._plugged else 0.0
        line_s = 1.0 / line.parameters.series_ohm if line is not None else 0.0
        load_s = self._load_s if line is not None else 0.0
        drive_a, slope_a_per_s = (pull.voltage_v if self._powered else 0.0) * pull_s, 0.0
        if pin.fed:
            drive_a += self._bus_v() * feed_s
        if line is not None:
            level_v = line.start_v + line.slope_v_per_s * (now_ns - line.start_ns) / NS_PER_S
            drive_a += level_v * line_s
            slope_a_per_s = line.slope_v_per_s * line_s
        return _Norton(
            conductance_s=pull_s + short_s + line_s + load_s + feed_s, current_a=drive_a, slope_a_per_s=slope_a_per_s
        )


def _bridged_groups(pulls: Mapping[str, Pull]) -> dict[str, tuple[str, ...]]:
    """Return, for every pin that is bridged to others, all pins it balances with, itself among them."""
    groups: dict[str, tuple[str, ...]] = {}
    for name, pull in pulls.items():
        if pull.bridge_s > 0.0:
            joined = tuple(
                dict.fromkeys((*groups.get(name, (name,)), *groups.get(pull.bridged_pin, (pull.bridged_pin,))))
            )
            groups.update(dict.fromkeys(joined, joined))
    return groups
