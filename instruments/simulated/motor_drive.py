"""A bridge with a motor at its pins: takes the motor from one event to the next and shows it as signals.

A driven motor sees the bus as it stands when a stretch begins, so stretches are short while the current still moves
the bus (at most a twentieth of the time since the drive changed) or the bus moves by itself; pulses are taken edge by
edge. In between everything is closed form. The bus sees the motor's mean current of each stretch, and of pulses their
mean. What a motor gives back it gives to the bus.
Not modelled: a resistor beside the motor (the motor alone counts), what a shared feed drops for a motor, diodes: a
bridge without power holds a motor's current off at once.
"""

from collections.abc import Callable

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order
from instruments.simulated.dimmer_stage import Draw
from instruments.simulated.motor import SMALL_CURRENT_A, Motor
from instruments.simulated.power_stage import Bridge, Terminals
from instruments.simulated.sampling import Piece, Swing

SHORTEST_NS = 50_000
GROWTH = 0.05  # of the time since the drive changed
FOLLOW_NS = 1_000_000  # a bus that moves is looked at this often
OFF_OHM = 1e9  # of a relay that is open


class MotorDrive:
    """One motor at the pins of one bridge."""

    def __init__(
        self,
        bridge: Bridge,
        motor: Motor,
        *,
        agenda: Agenda,
        bus_v: Callable[[], float],
        bus_moves: Callable[[], bool],
        peak_trip_a: float,
    ) -> None:
        self.draw = Draw()
        self.on_draw: Callable[[], None] | None = None
        self.on_trip: Callable[[], None] | None = None
        self._bridge, self._motor, self._agenda = bridge, motor, agenda
        self._bus_v, self._bus_moves = bus_v, bus_moves
        self._peak_trip_a = peak_trip_a
        self._terminals: Terminals | None = None
        self._changed_ns = 0
        self._alarm = Alarm(agenda, Order.CIRCUIT, self._renew)

    def follow(self) -> None:
        """Take what the bridge is now."""
        terminals = self._bridge.terminals
        if terminals != self._terminals:
            self._terminals, self._changed_ns = terminals, self._agenda.now_ns
        self._step(terminals)

    def brake(self, on: bool) -> None:
        """Hold the rotor, or let it go; who calls it then has it follow or leave."""
        self._motor.braked = on

    def leave(self) -> None:
        """Take the motor off: its current ends, it turns on alone."""
        if self._terminals is not None:
            self._terminals, self.draw = None, Draw()
            self._motor.begin(self._agenda.now_ns, 0.0, OFF_OHM)
            self._alarm.clear()

    def bus_changed(self) -> None:
        """Look at the bus before long, where it matters."""
        if self._terminals is not None and self._terminals.direction:
            self._ring_by(self._agenda.now_ns + FOLLOW_NS)

    def _renew(self) -> None:
        if self._terminals is not None:
            self._step(self._terminals)
            if self.on_draw is not None:
                self.on_draw()

    def _step(self, terminals: Terminals) -> None:
        """Begin a stretch now."""
        now_ns = self._agenda.now_ns
        high, edge_ns = _pulse(terminals, now_ns)
        if high and terminals.direction:
            self._motor.begin(now_ns, terminals.direction * self._bus_v(), terminals.driving.ohm)
        else:
            self._motor.begin(now_ns, terminals.source_v, terminals.resting_ohm)
        self._show(now_ns, terminals, high=high)
        self._alarm.clear()
        for due_ns in (edge_ns, self._motor.next_event_ns(), self._next_look_ns(now_ns, terminals, high=high)):
            if due_ns is not None:
                self._ring_by(due_ns)
        self.draw = self._mean_draw(now_ns, terminals, high=high)
        peak_a = abs(self._motor.at(now_ns).current_a)
        if terminals.direction and peak_a > self._peak_trip_a and self.on_trip is not None:
            self._agenda.at(now_ns, Order.FIRMWARE, self.on_trip)

    def _next_look_ns(self, now_ns: int, terminals: Terminals, *, high: bool) -> int | None:
        """Return when the bus is to be seen again; None where the motor does not drive, or all has settled."""
        if not (terminals.direction and high):
            return None
        if terminals.chopping is None and self._motor.current.unrest() > SMALL_CURRENT_A:
            return now_ns + max(SHORTEST_NS, int(GROWTH * (now_ns - self._changed_ns)))
        return now_ns + FOLLOW_NS if self._bus_moves() else None

    def _mean_draw(self, now_ns: int, terminals: Terminals, *, high: bool) -> Draw:
        if not terminals.direction:
            return Draw()
        if not high:
            return self.draw  # the mean of the pulses
        due_ns, current = self._alarm.due_ns, self._motor.current
        if due_ns is None or current.unrest() <= SMALL_CURRENT_A:
            mean_a = current.level
        else:
            span_s = (due_ns - now_ns) / NS_PER_S
            mean_a = current.integral(span_s) / span_s
        return Draw(current_a=terminals.direction * terminals.duty * mean_a)

    def _show(self, now_ns: int, terminals: Terminals, *, high: bool) -> None:
        bridge, current = self._bridge, self._motor.current

        def behind(ohm: float, *, source_v: float = 0.0, k_v: float = 0.0) -> Piece:
            """Return a source of volts, or of a part of the bus, less what the current drops in a resistance."""
            swings = tuple(Swing(-ohm * swing.amplitude, swing.rate_per_s) for swing in current.swings)
            return Piece(constant=source_v - ohm * current.level, k_v=k_v, swings=swings)

        legs = terminals.driving
        if terminals.direction > 0 and high:
            plus, minus = behind(legs.high_ohm, k_v=1.0), behind(-legs.low_ohm)
        elif terminals.direction < 0 and high:
            plus, minus = behind(legs.low_ohm), behind(-legs.high_ohm, k_v=1.0)
        else:
            half_ohm = 0.5 * terminals.resting_ohm
            plus, minus = behind(half_ohm, source_v=terminals.source_v), behind(-half_ohm)
        bridge.current.put(now_ns, Piece(constant=current.level, swings=current.swings))
        bridge.plus.put(now_ns, plus)
        bridge.minus.put(now_ns, minus)

    def _ring_by(self, due_ns: int) -> None:
        if self._alarm.due_ns is None or due_ns < self._alarm.due_ns:
            self._alarm.set(due_ns)


def _pulse(terminals: Terminals, now_ns: int) -> tuple[bool, int | None]:
    """Return whether a pulsed bridge drives now, and when that ends; a bridge that is not pulsed drives on."""
    chopping = terminals.chopping
    if chopping is None:
        return True, None
    starts, ends = chopping.intervals(now_ns, now_ns)
    for start_ns, end_ns in zip(starts.tolist(), ends.tolist(), strict=True):
        if start_ns <= now_ns < end_ns:
            return True, end_ns
        if start_ns > now_ns:
            return False, start_ns
    return False, int(starts[-1])
