"""A watchdog that bites a sound firmware now and then: after each start in a time drawn at random, at its rate."""

import math
from collections.abc import Callable

from instruments.simulated.agenda import Agenda, Alarm, Order, to_ns
from instruments.simulated.draw import keyed_uniform


class Watchdog:
    """One unit's; its draws are numbered through the unit's life, so that none comes twice."""

    def __init__(self, agenda: Agenda, *, per_hour: float, seed: int, on_bite: Callable[[], None]) -> None:
        """Make it unwound; `per_hour` 0 is a sound one, which never bites."""
        self._agenda, self._per_hour, self._seed = agenda, per_hour, seed
        self._draws = 0
        self._alarm = Alarm(agenda, Order.FIRMWARE, on_bite)

    def wind(self) -> None:
        """Have it bite, if it does, after a time that is exponentially distributed: a Poisson process."""
        if self._per_hour > 0.0:
            self._draws += 1
            drawn = keyed_uniform(0.0, 1.0, self._seed, "unit", "watchdog", self._draws)
            after_s = -3600.0 / self._per_hour * math.log1p(-drawn)
            self._alarm.set(self._agenda.now_ns + to_ns(after_s))

    def stop(self) -> None:
        """Have it not bite."""
        self._alarm.clear()
