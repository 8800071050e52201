"""Supply or dip source, bus switch, leads and the unit's input as one circuit with one capacitor, in closed form.

    reference -- source ohm -- path ohm -- positive lead --+-- load (I0, G) --+
        |                                                  C                  |
        +------------------ negative lead -- ground pin ---+------------------+

The supply's current is its constant-voltage current (reference - V) / R, held between -sink and +limit. With
the sense pair at the pins R is source plus ground-pin resistance; at its own terminals the leads come in.
The sense pair reaches the pins only with the bus switch at `run` and the contactor closed; the dip source, which has
no sense pair, drives the same leads with the switch at its position. The one not switched to the unit stands open.
Between events V(t) is a `Transient`; events are the set point's arrival, current limiting beginning or ending,
over-voltage, a watched voltage, the end of a swing, and whatever changes the circuit.
A load of constant power (a converter's input) is taken by its tangent, renewed whenever the voltage has moved by
`POWER_BAND` of itself: the current is then within the square of that. Its conductance is negative, so behind a source
that is soft, limits or is gone, the swing of a segment grows instead of dying away.
Not modelled: the 20 mF bank ahead of the bus switch (so a hard switch-on is only as hard as the supply and its leads),
over-voltage of a source that is not switched to the unit. Inductance, contact bounce, ripple that PWM outputs draw
(loads count with their mean duty), series resistance of capacitors; bleed and plug load stand across the capacitor.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order
from instruments.simulated.parameters import PathParameters
from instruments.simulated.supply_stage import SupplyStage
from instruments.simulated.timeline import Timeline
from instruments.simulated.transient import Transient, time_to_reach

WIRING_CAPACITANCE_F = 1e-6  # of leads and adapter, seen with the unit unplugged
SWINGS_LAST_TAUS = 40.0  # exp(-40) is below half a digit of a float
LEAST_CONDUCTANCE_S = 1e-9
LEAST_POWERED_V = 0.5  # at and below it a load of constant power lets go
LEAST_LOOP_OHM = 1e-4
LONGEST_STRETCH_S = 1e6
POWER_BAND = 0.01


class Mode(Enum):
    """What sets the supply's current."""

    OFF = "off"
    VOLTAGE = "voltage"
    LIMIT = "limit"
    SINK = "sink"


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch without events."""

    start_ns: int
    voltage: Transient  # across the capacitor
    current: Transient  # in the leads, out of the supply
    terminal: Transient  # volts at the supply's terminals, switched to the unit or not
    ground_ohm: float  # of the ground pin then plugged


_NOTHING = Transient(0.0, 0.0, 0.0, 1.0)


class Watch:
    """Two voltages of the capacitor that somebody waits for; `set` moves them."""

    def __init__(self, network: "InputNetwork", on_fall: Callable[[], None], on_rise: Callable[[], None]) -> None:
        self.on_fall, self.on_rise = on_fall, on_rise
        self.low_v, self.high_v = -math.inf, math.inf
        self._network = network

    def set(self, low_v: float, high_v: float) -> None:
        """Have `on_fall` called at or below `low_v`, `on_rise` at or above `high_v`."""
        self.low_v, self.high_v = low_v, high_v
        self._network.renew()

    def clear(self) -> None:
        """Wait for nothing; the network is not renewed for it."""
        self.low_v, self.high_v = -math.inf, math.inf


class Terminals:
    """The circuit as one source sees it (satisfies `supply_stage.Circuit`)."""

    def __init__(self, network: "InputNetwork", source: SupplyStage) -> None:
        self._network, self._source = network, source

    def renew(self) -> None:
        """Work out the course from now on, because something changed."""
        self._network.renew()

    def terminal_voltage_v(self) -> float:
        """Return the voltage at the source's terminals."""
        if self._network.drives(self._source):
            return self._network.driven_terminal_v()
        return self._source.reference_v() if self._source.output_on else 0.0

    def sensed_voltage_v(self) -> float:
        """Return the voltage at the sense point."""
        if self._network.drives(self._source) and self._network.senses_pins():
            return self._network.pin_voltage_v()
        return self.terminal_voltage_v()

    def supply_current_a(self) -> float:
        """Return the current out of the source."""
        return self._network.supply_current_a() if self._network.drives(self._source) else 0.0

    def limiting(self) -> bool:
        """Say whether the source limits its current."""
        return self._network.drives(self._source) and self._network.limiting()


class InputNetwork:
    """Every setter takes effect at the agenda's present time."""

    def __init__(
        self, agenda: Agenda, supply: SupplyStage, path: PathParameters, dip_source: SupplyStage | None = None
    ) -> None:
        self.history: Timeline[Segment] = Timeline(Segment(0, _NOTHING, _NOTHING, _NOTHING, 0.0))
        self.on_change: Callable[[], None] | None = None  # a new segment began
        self._agenda = agenda
        self._supply = supply
        self._dip_source = dip_source
        self._source = supply  # which of the two the bus switch leads to
        self._path = path
        self._segment = self.history.last
        self._mode = Mode.OFF
        self._alarm = Alarm(agenda, Order.CIRCUIT, self._end_of_segment)
        self._watches: list[Watch] = []
        self._at_end: Callable[[], None] | None = None  # what the end of the segment calls for; None: just go on
        self._series_ohm = math.inf
        self._closed = False
        self._sense_at_pins = False
        self._capacitance_f = WIRING_CAPACITANCE_F
        self._ground_ohm = 0.0
        self._unit_current_a = 0.0
        self._unit_conductance_s = 0.0
        self._given_back_a = 0.0
        self._bench_conductance_s = 1.0 / path.bleed_ohm
        self._fed_current_a = self._fed_conductance_s = 0.0
        self._power_w = 0.0
        self._power_current_a = self._power_conductance_s = 0.0  # what stands for it in this segment
        self._power_band_v: tuple[float, float] | None = None
        for source in filter(None, (supply, dip_source)):
            source.attach(Terminals(self, source))

    # --- what it is asked -------------------------------------------------------------------------

    def voltage_v(self) -> float:
        """Return the voltage across the capacitor now."""
        segment = self._segment
        return segment.voltage.at((self._agenda.now_ns - segment.start_ns) / NS_PER_S)

    def pin_voltage_v(self) -> float:
        """Return the voltage between the unit's power pins (or at its plug) now."""
        return self.voltage_v() + self.supply_current_a() * self._ground_ohm

    def drives(self, source: SupplyStage) -> bool:
        """Say whether this source is the one that reaches the unit."""
        return self._closed and source is self._source

    def driven_terminal_v(self) -> float:
        """Return the voltage now at the terminals of the source that reaches the unit."""
        return self.voltage_v() + self.supply_current_a() * (self._lead_ohm() + self._ground_ohm)

    def supply_current_a(self) -> float:
        """Return the current in the leads now, out of whichever source drives them."""
        segment = self._segment
        return segment.current.at((self._agenda.now_ns - segment.start_ns) / NS_PER_S)

    def limiting(self) -> bool:
        """Say whether the source that drives the unit limits its current now."""
        return self._mode is Mode.LIMIT

    @property
    def contactor_closed(self) -> bool:
        """Whether a source is connected to the unit's side."""
        return self._closed

    def moving(self) -> bool:
        """Say whether the voltage changes at all until the next event."""
        course = self._segment.voltage
        return course.slope_per_s != 0.0 or course.swing != 0.0

    # --- what is done to it -----------------------------------------------------------------------

    def connect(
        self,
        *,
        closed: bool,
        bleeding: bool,
        series_ohm: float,
        sense_at_pins: bool,
        plug_conductance_s: float,
        from_dip_source: bool = False,
    ) -> None:
        """Set whether a source reaches the unit and which, bleed, the bus switch's resistance, sense, plug load."""
        bleed_s = 1.0 / self._path.bleed_ohm if bleeding else 0.0
        source = self._dip_source if from_dip_source and self._dip_source is not None else self._supply
        wanted = (closed, series_ohm, sense_at_pins, plug_conductance_s + bleed_s)
        as_it_is = (self._closed, self._series_ohm, self._sense_at_pins, self._bench_conductance_s)
        if wanted != as_it_is or source is not self._source:
            voltage_v = self.voltage_v()
            if source is not self._source:
                self._source.note_regulating()
            self._source = source
            self._closed, self._series_ohm, self._sense_at_pins, self._bench_conductance_s = wanted
            self._begin(voltage_v)

    def plug(self, capacitance_f: float, ground_ohm: float) -> None:
        """Put a discharged unit's capacitor in: what the wiring held is shared with it."""
        self._exchange(capacitance_f, ground_ohm, self.voltage_v() * WIRING_CAPACITANCE_F / capacitance_f)

    def unplug(self) -> None:
        """Take the unit away; its charge goes with it."""
        self._unit_current_a = self._unit_conductance_s = self._power_w = 0.0
        self._fed_current_a = self._fed_conductance_s = 0.0
        for watch in self._watches:
            watch.clear()
        self._exchange(WIRING_CAPACITANCE_F, 0.0, self.voltage_v())

    def set_unit_load(self, current_a: float, conductance_s: float) -> None:
        """Set what the unit draws: a constant current and a conductance."""
        if (current_a, conductance_s) != (self._unit_current_a, self._unit_conductance_s):
            self._unit_current_a, self._unit_conductance_s = current_a, conductance_s
            self.renew()

    def set_back_feed(self, current_a: float, conductance_s: float) -> None:
        """Set what reaches the bus through the unit from a source of the bench: a current, less a conductance."""
        if (current_a, conductance_s) != (self._fed_current_a, self._fed_conductance_s):
            self._fed_current_a, self._fed_conductance_s = current_a, conductance_s
            self.renew()

    def give_back(self, current_a: float) -> None:
        """Have so much current come back from the unit's side, whatever it draws besides."""
        if current_a != self._given_back_a:
            self._given_back_a = current_a
            self.renew()

    def set_power_load(self, power_w: float) -> None:
        """Set what the unit draws at constant power, besides."""
        if power_w != self._power_w:
            self._power_w = power_w
            self.renew()

    def watch(self, *, on_fall: Callable[[], None], on_rise: Callable[[], None]) -> Watch:
        """Return a watch that waits for nothing yet."""
        self._watches.append(Watch(self, on_fall, on_rise))
        return self._watches[-1]

    def renew(self) -> None:
        """Begin a new segment now from the capacitor's voltage."""
        self._begin(self.voltage_v())

    # --- how it is solved -------------------------------------------------------------------------

    def senses_pins(self) -> bool:
        """Say whether the source that drives the unit regulates at its pins."""
        return self._closed and self._sense_at_pins and not self._source.parameters.sense_open

    def _lead_ohm(self) -> float:
        return self._series_ohm + self._path.positive_ohm + self._path.negative_ohm

    def _exchange(self, capacitance_f: float, ground_ohm: float, voltage_v: float) -> None:
        self._capacitance_f, self._ground_ohm = capacitance_f, ground_ohm
        self._begin(voltage_v)

    def _begin(self, voltage_v: float) -> None:
        supply, now_ns = self._source, self._agenda.now_ns
        reference = _reference(supply)
        self._take_tangent(voltage_v)
        if not (self._closed and supply.output_on):
            self._mode = Mode.OFF
            voltage, current, free = self._course(voltage_v, 0.0), _NOTHING, None
        else:
            loop_ohm = supply.parameters.source_resistance_ohm + self._ground_ohm
            if not self.senses_pins():
                loop_ohm += self._lead_ohm()
            voltage, current, free = self._driven(voltage_v, reference, max(loop_ohm, LEAST_LOOP_OHM))
        driven = voltage.plus(current.scaled(self._lead_ohm() + self._ground_ohm)) if self._closed else reference
        if self.drives(self._supply):
            terminal = driven
        else:
            terminal = _reference(self._supply) if self._supply.output_on else _NOTHING
        self._segment = Segment(now_ns, voltage, current, terminal, self._ground_ohm)
        self.history.put(now_ns, self._segment)
        if self._mode is not Mode.LIMIT:
            supply.note_regulating()
        self._plan_end(free, driven)
        if self.on_change is not None:
            self.on_change()

    def _driven(
        self, voltage_v: float, reference: Transient, loop_ohm: float
    ) -> tuple[Transient, Transient, Transient]:
        """Return voltage, current, and the current that voltage regulation alone would drive."""
        supply = self._source
        limit_a, sink_a = supply.current_limit_a, supply.parameters.sink_current_a
        voltage = self._regulated(voltage_v, reference, loop_ohm)
        free = _free_current(voltage, reference, loop_ohm)
        start_a, rate_a_per_s = free.at(0.0), free.rate_at(0.0)
        # Regulated and limited agree at the bound, so within the rounding to 1 ns the direction decides.
        doubt_a = min(1e-3, 1e-9 + 2e-9 * abs(rate_a_per_s))
        if start_a > limit_a + (doubt_a if rate_a_per_s <= 0.0 else -doubt_a):
            supply.note_limiting()
            self._mode, held_a = Mode.LIMIT, supply.current_limit_a
        elif start_a < -sink_a - (doubt_a if rate_a_per_s >= 0.0 else -doubt_a):
            self._mode, held_a = Mode.SINK, -sink_a
        else:
            self._mode = Mode.VOLTAGE
            return voltage, free, free
        voltage = self._course(voltage_v, held_a)
        return voltage, Transient(held_a, 0.0, 0.0, 1.0), _free_current(voltage, reference, loop_ohm)

    def _take_tangent(self, voltage_v: float) -> None:
        """Take the load of constant power by its tangent here; next to nothing makes it let go until it is set anew."""
        if voltage_v <= LEAST_POWERED_V:
            self._power_w = 0.0
        self._power_current_a = self._power_conductance_s = 0.0
        self._power_band_v = None
        if self._power_w > 0.0:
            self._power_current_a = 2.0 * self._power_w / voltage_v
            self._power_conductance_s = -self._power_w / voltage_v**2
            self._power_band_v = (voltage_v * (1.0 - POWER_BAND), voltage_v * (1.0 + POWER_BAND))

    def _regulated(self, voltage_v: float, reference: Transient, loop_ohm: float) -> Transient:
        """Solve C V' = (reference - V) / R - I0 - G V."""
        total_s = self._drawn_conductance_s() + 1.0 / loop_ohm
        if abs(total_s) < LEAST_CONDUCTANCE_S:
            total_s = LEAST_CONDUCTANCE_S
        slope = reference.slope_per_s / (loop_ohm * total_s)
        drive_a = reference.level / loop_ohm - self._drawn_current_a() - self._capacitance_f * slope
        level = drive_a / total_s
        return _with_swing(level, slope, voltage_v, self._capacitance_f / total_s)

    def _drawn_current_a(self) -> float:
        return self._unit_current_a + self._power_current_a - self._fed_current_a - self._given_back_a

    def _drawn_conductance_s(self) -> float:
        return (
            self._unit_conductance_s + self._fed_conductance_s + self._power_conductance_s + self._bench_conductance_s
        )

    def _course(self, voltage_v: float, current_a: float) -> Transient:
        """Solve C V' = I - I0 - G V for a constant supply current."""
        total_s = self._drawn_conductance_s()
        net_a = current_a - self._drawn_current_a()
        if abs(total_s) < LEAST_CONDUCTANCE_S:
            return Transient(voltage_v, net_a / self._capacitance_f, 0.0, 1.0)
        return _with_swing(net_a / total_s, 0.0, voltage_v, self._capacitance_f / total_s)

    def _plan_end(self, free: Transient | None, driven: Transient) -> None:
        supply, segment = self._source, self._segment
        voltage = segment.voltage
        end_s, self._at_end = LONGEST_STRETCH_S, None
        if voltage.swing != 0.0:
            end_s = min(end_s, SWINGS_LAST_TAUS * voltage.tau_s if voltage.tau_s > 0.0 else -voltage.tau_s)
        # Arrivals of both: that of the supply ends its ramp in the history even where the other source drives.
        arrivals_ns = [supply.arrival_ns(), self._supply.arrival_ns()]
        arrival_ns = min((at_ns for at_ns in arrivals_ns if at_ns is not None), default=None)
        if arrival_ns is not None:
            end_s = min(end_s, (arrival_ns - segment.start_ns) / NS_PER_S)
        if free is not None:
            end_s = self._end_of_mode(free, end_s)
        if supply.output_on:
            end_s = self._sooner(end_s, self._trip, driven, supply.overvoltage_setting_v, up=True)
        if self._power_band_v is not None:
            low_v, high_v = self._power_band_v
            end_s = self._sooner(end_s, None, voltage, low_v, up=False)
            end_s = self._sooner(end_s, None, voltage, high_v, up=True)
        for watch in self._watches:
            end_s = self._sooner(end_s, watch.on_fall, voltage, watch.low_v, up=False)
            end_s = self._sooner(end_s, watch.on_rise, voltage, watch.high_v, up=True)
        if end_s < LONGEST_STRETCH_S:
            duration_ns = math.ceil(end_s * NS_PER_S - 1e-3)
            if arrival_ns is not None:
                duration_ns = min(duration_ns, arrival_ns - segment.start_ns)
            self._alarm.set(segment.start_ns + duration_ns)
        else:
            self._alarm.clear()

    def _end_of_mode(self, free: Transient, horizon_s: float) -> float:
        limit_a, sink_a = self._source.current_limit_a, self._source.parameters.sink_current_a
        if self._mode is Mode.LIMIT:
            bounds: tuple[tuple[float, bool], ...] = ((limit_a, False),)
        elif self._mode is Mode.SINK:
            bounds = ((-sink_a, True),)
        else:
            bounds = ((limit_a, True), (-sink_a, False))
        ends_s = [
            # At least 1 ns: the mode was chosen for this instant, and time has to go on.
            max(1e-9, time_to_reach(free, bound_a, upwards=upwards, horizon_s=horizon_s, beyond_counts=False))
            for bound_a, upwards in bounds
        ]
        return min(horizon_s, *ends_s)

    def _sooner(
        self, end_s: float, then: Callable[[], None] | None, course: Transient, bound_v: float, *, up: bool
    ) -> float:
        if math.isinf(bound_v):
            return end_s
        reached_s = time_to_reach(course, bound_v, upwards=up, horizon_s=end_s, beyond_counts=True)
        if reached_s <= end_s:
            self._at_end = then
            return reached_s
        return end_s

    def _end_of_segment(self) -> None:
        then, self._at_end = self._at_end, None
        if then is not None:
            then()
        else:
            self._begin(self._settled_voltage_v())

    def _trip(self) -> None:
        self._source.trip()
        self._begin(self._settled_voltage_v())

    def _settled_voltage_v(self) -> float:
        """Return the voltage now, free of a swing that has died away, so that the next course is a pure line."""
        course, dt_s = self._segment.voltage, (self._agenda.now_ns - self._segment.start_ns) / NS_PER_S
        if course.swing != 0.0 and course.tau_s > 0.0 and dt_s >= (SWINGS_LAST_TAUS - 1e-6) * course.tau_s:
            return course.level + course.slope_per_s * dt_s
        return course.at(dt_s)


def _reference(source: SupplyStage) -> Transient:
    return Transient(source.reference_v(), source.reference_slope_v_per_s(), 0.0, 1.0)


def _free_current(voltage: Transient, reference: Transient, loop_ohm: float) -> Transient:
    return voltage.scaled(-1.0).plus(reference).scaled(1.0 / loop_ohm)


def _with_swing(level: float, slope_per_s: float, start_v: float, tau_s: float) -> Transient:
    swing = start_v - level
    # What rounding leaves is no swing: a settled line stays a line from one segment to the next.
    if abs(swing) <= 1e-12 * (1.0 + abs(level)):
        return Transient(start_v, slope_per_s, 0.0, tau_s)
    return Transient(level, slope_per_s, swing, tau_s)
