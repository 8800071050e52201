"""A bridge's over-current trip: a current from its threshold on, for so long without a break, switches it off.

Between the pulses of a pulsed output the comparator holds, so what counts is the current while it is on.
"""

from collections.abc import Callable

from instruments.simulated.agenda import Agenda, Alarm, Order, to_ns


class OverCurrentTrip:
    """One bridge's; it is told every current that begins to flow."""

    def __init__(self, agenda: Agenda, *, trip_a: float, trip_s: float, on_trip: Callable[[], None]) -> None:
        """Make it untripped; `trip_a` 0 is a bridge without one."""
        self._agenda = agenda
        self._trip_a, self._trip_ns = trip_a, to_ns(trip_s)
        self._alarm = Alarm(agenda, Order.FIRMWARE, on_trip)

    def see(self, current_a: float) -> None:
        """Take note of what flows from now on, in A."""
        if not 0.0 < self._trip_a <= current_a:
            self._alarm.clear()
        elif self._alarm.due_ns is None:
            self._alarm.set(self._agenda.now_ns + self._trip_ns)
