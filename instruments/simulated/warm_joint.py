"""A cracked joint of a bridge's driver: it opens when the driver has become warm, and closes when that has cooled."""

from collections.abc import Callable

from instruments.simulated.agenda import Agenda, Alarm, Order
from instruments.simulated.thermal import WarmPart

CLOSES_AT = 0.7  # of the rise at which it opens


class WarmJoint:
    """One driver's. Its bridge tells it of every heat that begins."""

    def __init__(
        self, agenda: Agenda, *, open_k: float, k_per_w: float, warm_s: float, on_change: Callable[[], None]
    ) -> None:
        """Make it cold and whole; `open_k` 0 is a joint that never opens."""
        self.open = False
        self._agenda, self._open_k, self._k_per_w = agenda, open_k, k_per_w
        self._driver = WarmPart(warm_s)
        self._on_change = on_change
        self._alarm = Alarm(agenda, Order.CIRCUIT, self._turn)

    def see(self, power_w: float) -> None:
        """Take note of what heats the driver from now on, in W."""
        if self._open_k <= 0.0:
            return
        now_ns = self._agenda.now_ns
        self._driver.heat(now_ns, self._k_per_w * power_w)
        due_ns = self._driver.reaches_ns(self._open_k * (CLOSES_AT if self.open else 1.0), now_ns)
        if due_ns is None:
            self._alarm.clear()
        else:
            self._alarm.set(due_ns)

    def _turn(self) -> None:
        self.open = not self.open
        self._on_change()
