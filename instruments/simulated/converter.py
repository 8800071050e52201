"""The hold-up output: a converter that draws constant power from the bus, and what it shows at its pin.

It starts when the input capacitor reaches the restart voltage and lets go at the drop-out voltage, whatever the
firmware does. On, it regulates (`regulator`), with a little ripple; its input power is the steady output's over the
efficiency, taken from the bus at once. A load beyond its limit makes it let go and try again. Off, its output capacitor
is emptied by the load, or charged by a source of the bench, which a lost reverse blocking passes on to the bus. What
it loses warms it, and warmth moves its level, which is followed once a second.
Not modelled: what its current does once the limit is reached (it lets go at once), ripple at the switching
frequency or that depends on bus and load, efficiency that depends on the load, input current that follows ripple or
loop; while a source reaches through to the bus, the output's own capacitor.
"""

import cmath
import math
from collections.abc import Callable, Mapping

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order, to_ns
from instruments.simulated.load_stage import LEAST_V, Feed
from instruments.simulated.network import InputNetwork
from instruments.simulated.regulator import LoopCourse, LoopState, OutputLoad, Regulator
from instruments.simulated.sampling import ZERO, Piece, Ripple, Signal, Swing
from instruments.simulated.thermal import WarmPart

RETRY_S = 0.1
BLEED_OHM = 1000.0  # its own, which empties the output without a load
DECAY_TAUS = 16.0  # after so many time constants it is where it goes
FOLLOW_S = 1.0
SETTLED_K = 0.02  # from where its heat takes it: then the level is left
DIODE_V = 0.7  # of what is left of the blocking
LOW_BUS_V, NO_LOW_BUS_V = 7.0, 7.1  # from the one down, and until the other, its switch may limit sooner


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
        self.on_change: Callable[[], None] | None = None  # of its course, for who draws from it
        self._agenda, self._network, self._load = agenda, network, load
        self._regulator = Regulator(name, quantities)
        self._efficiency = quantities[f"{name}.efficiency"] / 100.0
        self._drop_out_v = quantities[f"{name}.drop_out_v"]
        self._restart_v = quantities[f"{name}.restart_v"]
        self._most_a = quantities[f"{name}.limit_a"]
        self._low_bus_most_a = quantities[f"{name}.low_bus_limit_a"]
        self._latches = quantities[f"{name}.latches"] >= 0.5
        self._dead = quantities[f"{name}.dead"] >= 0.5
        self._overshoot_v = quantities[f"{name}.overshoot_v"]
        self._back_s = quantities[f"{name}.back_s"]
        self._soft_start_s = quantities[f"{name}.soft_start_s"]
        ripple_v, ripple_hz = quantities[f"{name}.ripple_v"], quantities[f"{name}.ripple_hz"]
        self._ripple = Ripple(0.5 * ripple_v, NS_PER_S / ripple_hz) if ripple_v > 0.0 else None
        self._level_v = self._regulator.level_v  # cold
        self._k_per_w = quantities[f"{name}.k_per_w"]
        self._level_per_k = quantities[f"{name}.level_per_k"] / 100.0
        self._warm = WarmPart(quantities[f"{name}.warm_s"])
        self._warmth = Alarm(agenda, Order.CIRCUIT, self._follow_warmth)
        self._course: LoopCourse | None = None  # while it regulates
        self._course_ns = 0
        self._moves_until_ns = 0
        self._start_ends_ns = 0
        self._present = self._low = False
        self._arrival = Alarm(agenda, Order.CIRCUIT, self._arrive)
        self._retry = Alarm(agenda, Order.FIRMWARE, self._start)
        self._watch = network.watch(on_fall=self._let_go, on_rise=self._start)
        self._low_bus = network.watch(on_fall=self._bus_is_low, on_rise=self._bus_is_back)

    def plug(self) -> None:
        """Wait for the bus to come up, discharged."""
        self.on, self._present = False, True
        self._rest(0.0)
        self._wait_for_restart()
        self._bus_is_low()

    def unplug(self) -> None:
        """Be gone: a source of the bench still stands at the pin."""
        self.on, self._present, self._course = False, False, None
        for alarm in (self._retry, self._arrival):
            alarm.clear()
        self._heat(0.0)
        self._watch.clear()
        self._low_bus.clear()
        self._network.set_back_feed(0.0, 0.0)
        self._show_absent()

    def load_changed(self) -> None:
        """Take note of another load."""
        if not self._present:
            self._show_absent()
        elif not self.on:
            self._rest(self._present_v())
        elif self._course is None:
            self._rise()
        else:
            self._regulate(self._course.state(self._since_s()))

    def moving(self) -> bool:
        """Say whether the pin moves by itself now, ripple apart; what dwindles below anything to draw from does not."""
        return self._agenda.now_ns < self._moves_until_ns and (self.on or self._present_v() > LEAST_V)

    def source(self) -> Feed:
        """Return what the pin is to a load at this instant."""
        if self.on and self._course is not None:
            return Feed(*self._regulator.source(self._course.state(self._since_s())))
        return Feed(max(self._present_v(), 0.0), 0.0)

    @property
    def _limit_a(self) -> float:
        """What it gives at most on the bus as it stands."""
        return self._low_bus_most_a if self._low else self._most_a

    def _bus_is_low(self) -> None:
        if self._low_bus_most_a >= self._most_a:
            return
        self._low = True
        self._low_bus.set(-math.inf, NO_LOW_BUS_V)
        if self.on and self._course is not None:
            self._regulate(self._course.state(self._since_s()))

    def _bus_is_back(self) -> None:
        self._low = False
        self._low_bus.set(LOW_BUS_V, math.inf)

    # --- on -----------------------------------------------------------------------------------------

    def _wait_for_restart(self) -> None:
        self._watch.set(-math.inf, math.inf if self._dead else self._restart_v)

    def _start(self) -> None:
        if self._network.voltage_v() <= self._drop_out_v:  # a try after an overload, on a bus that fell meanwhile
            self._wait_for_restart()
            return
        self._retry.clear()
        self._network.set_back_feed(0.0, 0.0)
        self.on, self._course = True, None
        self._watch.set(self._drop_out_v, math.inf)
        self._start_ends_ns = self._agenda.now_ns + to_ns(self._soft_start_s)
        self._rise()

    def _rise(self) -> None:
        """Go up in a line to where regulation takes over, or to where the load takes more than the limit."""
        now_ns, load, from_v = self._agenda.now_ns, self._load(), self._present_v()
        if load.current_at(from_v) > self._limit_a:
            self._overload()
            return
        top_v = self._regulator.steady_v(load) + self._overshoot_v
        lasts_ns = max(self._start_ends_ns - now_ns, 1)
        slope = (top_v - from_v) / lasts_ns * NS_PER_S
        if load.current_at(top_v) > self._limit_a and slope > 0.0:
            most_v = load.behind_v + self._limit_a / load.conductance_s
            lasts_ns = min(lasts_ns, math.ceil((most_v - from_v) / slope * NS_PER_S))
        self._moves_until_ns = now_ns + lasts_ns
        self._put(Piece(constant=from_v, slope_per_s=slope), load)
        self._arrival.set(self._moves_until_ns)
        self._draw(load, min(from_v + slope * lasts_ns / NS_PER_S, self._regulator.steady_v(load)))

    def _arrive(self) -> None:
        """Have come up, or to where the load takes more than the limit."""
        load = self._load()
        if load.current_at(self._regulator.steady_v(load)) > self._limit_a:
            self._overload()
        else:
            self._regulate(self._regulator.at_rest(load, self._overshoot_v))

    def _regulate(self, state: LoopState) -> None:
        load, now_ns = self._load(), self._agenda.now_ns
        open_v, ohm = self._regulator.source(state)
        drawn_a = (open_v - load.behind_v) * load.conductance_s / (1.0 + ohm * load.conductance_s)
        if drawn_a > self._limit_a:
            self._overload()
            return
        course = self._course = self._regulator.course(state, load)
        self._course_ns = now_ns
        self._moves_until_ns = now_ns + to_ns(course.lasts_s)
        self._put(Piece(constant=course.steady_v, swings=course.swings, ripple=self._ripple), load)
        if course.swings:  # nothing is worked out for what has died away
            at_rest = Piece(constant=course.steady_v, ripple=self._ripple)
            self.signal.timeline.put(self._moves_until_ns, at_rest)
            self.current.timeline.put(self._moves_until_ns, _drawn(at_rest, load))
        if load.current_at(course.steady_v) > self._limit_a:  # it recovers to more than it may give
            self._arrival.set(self._moves_until_ns)
        else:
            self._arrival.clear()
        self._draw(load, course.steady_v)

    def _draw(self, load: OutputLoad, level_v: float) -> None:
        """Take from the bus what the output costs at the level it goes to; a source at the output is no gain."""
        drawn_a = min(max(load.current_at(level_v), 0.0), self._limit_a)
        self._network.set_power_load(level_v * drawn_a / self._efficiency)
        self._heat(level_v * drawn_a * (1.0 / self._efficiency - 1.0))

    def _heat(self, lost_w: float) -> None:
        """Have what it loses warm it, and its level follow while that matters."""
        if self._level_per_k == 0.0:
            return
        now_ns, final_k = self._agenda.now_ns, self._k_per_w * lost_w
        self._warm.heat(now_ns, final_k)
        if abs(self._warm.rise_k(now_ns) - final_k) > SETTLED_K:
            self._warmth.set(now_ns + to_ns(FOLLOW_S))
        else:
            self._warmth.clear()

    def _follow_warmth(self) -> None:
        now_ns = self._agenda.now_ns
        self._regulator.level_v = self._level_v * (1.0 + self._level_per_k * self._warm.rise_k(now_ns))
        if self.on and self._course is not None:
            self._regulate(self._course.state(self._since_s()))
        else:
            self._warmth.set(now_ns + to_ns(FOLLOW_S))

    # --- off ----------------------------------------------------------------------------------------

    def _let_go(self) -> None:
        self._stop()
        self._wait_for_restart()
        self._rest(self._present_v())

    def _overload(self) -> None:
        here_v = self._present_v()
        self._stop()
        self._rest(here_v)
        if self._latches:  # until the bus has been away
            self._watch.set(self._drop_out_v, math.inf)
            return
        self._watch.set(-math.inf, math.inf)
        self._retry.set(self._agenda.now_ns + to_ns(RETRY_S))

    def _stop(self) -> None:
        self._arrival.clear()
        self.on = False
        self._network.set_power_load(0.0)
        self._heat(0.0)

    def _rest(self, from_v: float) -> None:
        """Empty or charge the output capacitor; a source that reaches through to the bus has no time for that."""
        self._course = None
        load = self._load()
        if load.behind_v > 0.0 and self._reaches_through(load):
            return
        self._network.set_back_feed(0.0, 0.0)
        total_s = load.conductance_s + 1.0 / BLEED_OHM
        end_v = load.conductance_s * load.behind_v / total_s
        tau_s = self._regulator.capacitance_f / total_s
        self._moves_until_ns = self._agenda.now_ns
        swings: tuple[Swing, ...] = ()
        if from_v != end_v:
            swings = (Swing(complex(from_v - end_v), complex(-1.0 / tau_s)),)
            self._moves_until_ns += to_ns(DECAY_TAUS * tau_s)
        self._put(Piece(constant=end_v, swings=swings), load)
        if swings:
            self.signal.timeline.put(self._moves_until_ns, Piece(constant=end_v))
            self.current.timeline.put(self._moves_until_ns, _drawn(Piece(constant=end_v), load))

    def _reaches_through(self, load: OutputLoad) -> bool:
        """Have a source of the bench charge the bus through the converter, where its blocking is lost."""
        total_s = load.conductance_s + 1.0 / BLEED_OHM
        open_v, behind_ohm = load.conductance_s * load.behind_v / total_s, 1.0 / total_s
        if self._back_s <= 0.0 or open_v - DIODE_V <= self._network.voltage_v():
            return False
        through_s = 1.0 / (behind_ohm + 1.0 / self._back_s)
        drop = behind_ohm * through_s
        self._moves_until_ns = self._agenda.now_ns
        self._put(Piece(constant=open_v - drop * (open_v - DIODE_V), k_v=drop), load)
        self._network.set_back_feed(through_s * (open_v - DIODE_V), through_s)
        return True

    def _show_absent(self) -> None:
        behind_v, now_ns = self._load().behind_v, self._agenda.now_ns
        self._moves_until_ns = now_ns
        self.signal.put(now_ns, Piece(constant=behind_v))
        self.current.put(now_ns, ZERO)

    # --- what the pin shows -------------------------------------------------------------------------

    def _put(self, piece: Piece, load: OutputLoad) -> None:
        now_ns = self._agenda.now_ns
        self.signal.put(now_ns, piece)
        self.current.put(now_ns, _drawn(piece, load))
        if self.on_change is not None:
            self.on_change()

    def _since_s(self) -> float:
        return (self._agenda.now_ns - self._course_ns) / NS_PER_S

    def _present_v(self) -> float:
        """Return what the pin stands at, ripple apart."""
        start_ns, piece = self.signal.timeline.at(self._agenda.now_ns)
        dt_s = (self._agenda.now_ns - start_ns) / NS_PER_S
        swung_v = sum((amplitude * cmath.exp(rate_per_s * dt_s)).real for amplitude, rate_per_s in piece.swings)
        return piece.constant + piece.slope_per_s * dt_s + swung_v + piece.k_v * self._network.voltage_v()


def _drawn(piece: Piece, load: OutputLoad) -> Piece:
    """Return the current that a load draws of what the pin shows."""
    conductance_s, ripple = load.conductance_s, piece.ripple
    if conductance_s == 0.0:
        return ZERO
    return Piece(
        constant=load.current_at(piece.constant),
        slope_per_s=conductance_s * piece.slope_per_s,
        k_v=conductance_s * piece.k_v,
        ripple=None if ripple is None else Ripple(conductance_s * ripple.amplitude, ripple.period_ns),
        swings=tuple(Swing(conductance_s * swing.amplitude, swing.rate_per_s) for swing in piece.swings),
    )
