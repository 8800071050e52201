"""The hold-up output: a converter that draws constant power from the bus, and what it shows at its pin.

It starts when the input capacitor reaches the restart voltage and lets go at the drop-out voltage, whatever the
firmware does. On, it is a regulated voltage behind a small resistance; its input power is the output's over the
efficiency, taken from the bus at once. An overload makes it let go and try again. Off, what its own output capacitor
holds is used up by the load.
Not modelled: regulation loop (so no dip at a step of the load), switching ripple, efficiency that depends on the load,
input current that follows the ripple.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order, to_ns
from instruments.simulated.network import InputNetwork
from instruments.simulated.sampling import ZERO, Piece, Signal

SOFT_START_S = 0.001
RETRY_S = 0.1
OUTPUT_FARAD = 470e-6
BLEED_OHM = 1000.0  # its own, which empties the output without a load
DECAY_POINTS = 40
EMPTY_V = 0.02


@dataclass(frozen=True, slots=True)
class OutputLoad:
    """What stands at an output: resistors, and an electronic load at constant current or power."""

    conductance_s: float = 0.0
    current_a: float = 0.0
    power_w: float = 0.0

    def current_at(self, voltage_v: float) -> float:
        """Return what it draws; an electronic load draws nothing at next to no voltage."""
        if voltage_v <= EMPTY_V:
            return 0.0
        return self.conductance_s * voltage_v + self.current_a + self.power_w / voltage_v


class Converter:
    """One hold-up output of a unit; `signal` is its pin against power ground."""

    def __init__(
        self,
        name: str,
        quantities: Mapping[str, float],
        *,
        agenda: Agenda,
        network: InputNetwork,
        load: Callable[[], OutputLoad],
    ) -> None:
        self.name = name
        self.signal = Signal()
        self.current = Signal()
        self.on = False
        self._agenda, self._network, self._load = agenda, network, load
        self._level_v = quantities[f"{name}.level_v"]
        self._droop_ohm = quantities[f"{name}.droop_ohm"]
        self._efficiency = quantities[f"{name}.efficiency"] / 100.0
        self._drop_out_v = quantities[f"{name}.drop_out_v"]
        self._restart_v = quantities[f"{name}.restart_v"]
        self._limit_a = quantities[f"{name}.limit_a"]
        self._dead = quantities[f"{name}.dead"] >= 0.5
        self._retry = Alarm(agenda, Order.FIRMWARE, self._start)
        self._watch = network.watch(on_fall=self._let_go, on_rise=self._start)

    def plug(self) -> None:
        """Wait for the bus to come up, discharged."""
        self.on = False
        self.signal.put(self._agenda.now_ns, ZERO)
        self.current.put(self._agenda.now_ns, ZERO)
        self._wait_for_restart()

    def unplug(self) -> None:
        """Be gone."""
        self._retry.clear()
        self._watch.clear()
        self.on = False
        self.signal.put(self._agenda.now_ns, ZERO)
        self.current.put(self._agenda.now_ns, ZERO)

    def load_changed(self) -> None:
        """Take note of another load."""
        if self.on:
            self._show()
        else:
            self._decay(self._present_v())

    def _wait_for_restart(self) -> None:
        self._watch.set(-math.inf, math.inf if self._dead else self._restart_v)

    def _start(self) -> None:
        if self._network.voltage_v() <= self._drop_out_v:  # a try after an overload, on a bus that fell meanwhile
            self._wait_for_restart()
            return
        self._retry.clear()
        self.on = True
        self._watch.set(self._drop_out_v, math.inf)
        self._show(rising_from_v=self._present_v())

    def _let_go(self) -> None:
        self.on = False
        self._network.set_power_load(0.0)
        self._wait_for_restart()
        self._decay(self._present_v())

    def _show(self, *, rising_from_v: float | None = None) -> None:
        load = self._load()
        level_v = self._regulated_v(load)
        current_a = load.current_at(level_v)
        if current_a > self._limit_a:
            self._overload()
            return
        now_ns = self._agenda.now_ns
        if rising_from_v is None:
            self.signal.put(now_ns, Piece(constant=level_v))
        else:
            slope = (level_v - rising_from_v) / SOFT_START_S
            self.signal.put(now_ns, Piece(constant=rising_from_v, slope_per_s=slope))
            self.signal.timeline.put(now_ns + to_ns(SOFT_START_S), Piece(constant=level_v))
        self.current.put(now_ns, Piece(constant=current_a))
        self._network.set_power_load(level_v * current_a / self._efficiency)

    def _overload(self) -> None:
        self.on = False
        self._network.set_power_load(0.0)
        self._watch.set(-math.inf, math.inf)
        self._decay(self._present_v())
        self._retry.set(self._agenda.now_ns + to_ns(RETRY_S))

    def _regulated_v(self, load: OutputLoad) -> float:
        """Solve V = level - droop I(V) for the upper root."""
        a = 1.0 + self._droop_ohm * load.conductance_s
        b = self._level_v - self._droop_ohm * load.current_a
        root = max(0.0, b * b - 4.0 * a * self._droop_ohm * load.power_w)
        return (b + math.sqrt(root)) / (2.0 * a)

    def _present_v(self) -> float:
        start_ns, piece = self.signal.timeline.at(self._agenda.now_ns)
        return piece.constant + piece.slope_per_s * (self._agenda.now_ns - start_ns) / NS_PER_S

    def _decay(self, from_v: float) -> None:
        """Lay out the fall of the output as a polygon; whatever is put later cuts it off."""
        now_ns = self._agenda.now_ns
        load = self._load()
        self.signal.put(now_ns, ZERO)
        self.current.put(now_ns, ZERO)
        for begin_s, begin_v, end_s, end_v in _fall(load, from_v):
            slope = (end_v - begin_v) / (end_s - begin_s)
            start_ns = now_ns + to_ns(begin_s)
            self.signal.timeline.put(start_ns, Piece(constant=begin_v, slope_per_s=slope))
            begin_a, end_a = load.current_at(begin_v), load.current_at(end_v)
            self.current.timeline.put(
                start_ns, Piece(constant=begin_a, slope_per_s=(end_a - begin_a) / (end_s - begin_s))
            )
            end_ns = now_ns + to_ns(end_s)
            self.signal.timeline.put(end_ns, Piece(constant=end_v if end_v > 1.01 * EMPTY_V else 0.0))
            self.current.timeline.put(end_ns, ZERO)


def _fall(load: OutputLoad, from_v: float) -> Iterator[tuple[float, float, float, float]]:
    """Yield (begin s, begin V, end s, end V) of a capacitor that a load empties, in steps of equal ratio."""
    if from_v <= 1.01 * EMPTY_V:
        return
    ratio = (EMPTY_V / from_v) ** (1.0 / DECAY_POINTS)
    begin_s, begin_v = 0.0, from_v
    for _ in range(DECAY_POINTS):
        end_v = begin_v * ratio
        drawn_a = load.current_at(0.5 * (begin_v + end_v)) + 0.5 * (begin_v + end_v) / BLEED_OHM
        end_s = begin_s + OUTPUT_FARAD * (begin_v - end_v) / drawn_a
        yield begin_s, begin_v, end_s, end_v
        begin_s, begin_v = end_s, end_v
