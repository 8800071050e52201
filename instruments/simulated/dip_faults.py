"""What a dip of the bus does to the logic of a unit that is wrong: it hangs, or it stays down after a reset.

A hang: a dip to below a voltage that is over after a certain time finds the firmware while it saves its state, say; a
shorter one ends before that begins, a longer one finds it done. A unit that stays down: its reset circuit needs a bus
that falls all the way, and one that is left standing in a band keeps it from ever starting again.
Nothing of it is there in a good unit, and then nothing is watched for it.
"""

from collections.abc import Callable, Mapping

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order, to_ns
from instruments.simulated.network import InputNetwork

BACK_V = 0.05  # above the voltage from which down a dip counts


class DipFaults:
    """Calls `hang` and `stay_down` where a dip does it.

    A hang: a dip to below `unit.dip_hang_v` ends after `unit.dip_hang_from_s` to `unit.dip_hang_to_s`. It stays down:
    held in reset, it finds the bus from `unit.latch_low_v` to `unit.latch_high_v` at `unit.latch_s` after the reset.
    """

    def __init__(
        self,
        quantities: Mapping[str, float],
        *,
        agenda: Agenda,
        network: InputNetwork,
        hang: Callable[[], None],
        stay_down: Callable[[], None],
    ) -> None:
        self._dip_v = quantities["unit.dip_hang_v"]
        self._from_s, self._to_s = quantities["unit.dip_hang_from_s"], quantities["unit.dip_hang_to_s"]
        self._low_v, self._high_v = quantities["unit.latch_low_v"], quantities["unit.latch_high_v"]
        self._after_ns = to_ns(quantities["unit.latch_s"])
        self._agenda, self._network = agenda, network
        self._hang, self._stay_down = hang, stay_down
        self._alarm = Alarm(agenda, Order.FIRMWARE, self._look)
        self._fell_ns: int | None = None
        if self._dip_v > 0.0:
            self._watch = network.watch(on_fall=self._fall, on_rise=self._rise)
            self._wait_for_rise()

    def reset(self) -> None:
        """Take note that the unit is held in reset from now on."""
        if self._high_v > 0.0:
            self._alarm.set(self._agenda.now_ns + self._after_ns)

    def clear(self) -> None:
        """Take note that it is not held in reset any more."""
        self._alarm.clear()

    def _wait_for_rise(self) -> None:
        self._watch.set(float("-inf"), self._dip_v + BACK_V)

    def _fall(self) -> None:
        self._fell_ns = self._agenda.now_ns
        self._wait_for_rise()

    def _rise(self) -> None:
        fell_ns, self._fell_ns = self._fell_ns, None
        self._watch.set(self._dip_v, float("inf"))
        if fell_ns is not None and self._from_s <= (self._agenda.now_ns - fell_ns) / NS_PER_S <= self._to_s:
            self._hang()

    def _look(self) -> None:
        if self._low_v <= self._network.voltage_v() <= self._high_v:
            self._stay_down()
