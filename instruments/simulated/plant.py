"""The plant: supply, leads, unit, loads and bus as one, advanced by events and sampled afterwards.

Between events everything has a closed form, so nothing is stepped: `sample` works out past instants from the
history that `advance_to` left, and gives the same bits however time was cut. It starts with the unit
unplugged, the supply off, every relay open and every analogue output at 0 V.
Not modelled: noise and conversion (the DAQ's), the clipping defect of an input (needs the DAQ's range, so the
DAQ applies `clip_fraction`), coupling between inputs, their input resistance and bandwidth, multiplexed slow channels
(every input is read at every instant). What the unit and its supply leave out stands in `twin` and `network`.
"""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.agenda import Agenda, Order
from instruments.simulated.bus_line import BusLine
from instruments.simulated.input_pulls import input_pulls
from instruments.simulated.load_stage import NO_FEED, Feed, LoadStage
from instruments.simulated.network import InputNetwork
from instruments.simulated.parameters import BenchParameters, Probe, TwinParameters
from instruments.simulated.port import LoadPort, PlantPort, SupplyPort
from instruments.simulated.relays import GROUND, LINES, PLUG, Relays
from instruments.simulated.sampling import Piece, Signal, Values, Window
from instruments.simulated.stimulus_pins import StimulusPins
from instruments.simulated.supply_stage import SupplyStage
from instruments.simulated.text_line import TextLine
from instruments.simulated.twin import PowerState, Twin

Node = Callable[[Window], Values]

FORGET_PERIOD_NS = 1_000_000_000
GIVES_BACK_NS = 5_000_000  # a motor that stops, where no clamp takes it


class Plant:
    """Satisfies `port.PlantPort`; besides, what a simulated operator does and what tests look at."""

    def __init__(self, bench: BenchParameters, twin: TwinParameters, seed: int) -> None:
        self.bench = bench
        self._agenda = Agenda()
        self._supply = SupplyStage(bench.supply, self._agenda)
        self.supply: SupplyPort = self._supply
        self._dip_source = None if bench.dip_source is None else SupplyStage(bench.dip_source, self._agenda)
        self.dip_source: SupplyPort | None = self._dip_source
        self._forgotten_ns = 0
        self._network = InputNetwork(self._agenda, self._supply, bench.path, self._dip_source)
        self._relays = Relays(bench, self._agenda)
        self._pins = StimulusPins(
            self._agenda,
            bench.daq.outputs,
            input_pulls(twin),
            feeds_ohm=bench.feeds_ohm,
            bus_v=self._network.voltage_v,
        )
        self._bus = BusLine(self._agenda, twin.bit_rate, bench.host_latency_s, seed)
        self.twin = Twin(
            twin,
            seed=seed,
            agenda=self._agenda,
            network=self._network,
            pins=self._pins,
            relays=self._relays,
            bus=self._bus,
            motors=bench.motors,
        )
        self._text = TextLine(self._agenda, bench.text_line, twin.airspeed.bit_rate)
        self._text.on_text = self.twin.receive_text
        self._driving: set[str] = set()  # motors
        if bench.path.given_back_a > 0.0:
            self.twin.outputs.on_bridge = self._give_back
        self._relays.on_path = self._connect
        self._relays.on_load = self._loads_changed
        self._relays.on_press = self._pins.press
        self._relays.on_feed = self._pins.feed
        if self._dip_source is not None:
            self._relays.dip_source_v = self._dip_source.driven_v
            self._dip_source.on_setting = self._fed_otherwise
        self._ground_feed = Signal()
        self._load_stage = self._electronic_load()
        self.load: LoadPort | None = self._load_stage
        self._signals = self._signals_by_pin()
        self._nodes = {number: self._quantity(number, channel.probe) for number, channel in bench.daq.inputs.items()}

    # --- PlantPort --------------------------------------------------------------------------------

    @property
    def now_ns(self) -> int:
        """True time since the plant began, in ns."""
        return self._agenda.now_ns

    def advance_to(self, time_ns: int) -> None:
        """Move on to `time_ns`; everything scheduled up to and including it happens on the way.

        Raises:
            ValueError: the time is past.
        """
        self._agenda.run_until(time_ns)

    def at(self, time_ns: int, action: Callable[[], None]) -> None:
        """Have `action` called when the plant is at `time_ns`.

        Raises:
            ValueError: the time is past.
        """
        self._agenda.at(time_ns, Order.BENCH, action)

    def sample(self, channels: Sequence[int], times_ns: NDArray[np.int64]) -> list[NDArray[np.float64]]:
        """Return the noiseless volts at DAQ inputs, one float64 array (n,) per channel.

        Probe, gain and offset errors and shunt amplifier are in it; noise, range and clipping are the DAQ's.

        Args:
            channels: input numbers.
            times_ns: rising, none later than now; history before the last `forget_before` is gone.

        Raises:
            ValueError: an input that nothing is wired to, or a time to come.
        """
        self._check_times(times_ns)
        if len(times_ns) == 0:
            return [np.empty(0) for _ in channels]
        window = Window(times_ns, self._network.history)
        return [self._channel(number, window) for number in channels]

    def sample_lines(self, inputs: Sequence[int], times_ns: NDArray[np.int64]) -> NDArray[np.uint64]:
        """Return digital inputs packed in the order given, first in bit 0, uint64 (n,).

        Raises:
            ValueError: an input that nothing is wired to, or a time to come.
        """
        self._check_times(times_ns)
        words = np.zeros(len(times_ns), dtype=np.uint64)
        if len(times_ns) == 0:
            return words
        steady = 0  # of lines that stand pressed throughout
        for bit, number in enumerate(inputs):
            line = self.bench.daq.digital_inputs.get(number)
            if line is None:
                raise ValueError(f"plant: no digital input {number} is wired. Check the bench sheet's lines.")
            mask = 1 << bit
            if line.source == "text":
                words |= self._text.space(times_ns).astype(np.uint64) << np.uint64(bit)
                continue
            if line.source == "bus":
                words[self._bus.dominant(times_ns)] |= np.uint64(mask)
                continue
            pieces = self._pins.pressed_timeline(line.target).window(times_ns)
            if len(pieces) == 1:
                steady |= mask * pieces[0][2]
                continue
            for span, _, pressed in pieces:
                if pressed:
                    words[span] |= np.uint64(mask)
        return words | np.uint64(steady)

    def forget_before(self, time_ns: int) -> None:
        """Drop history that will not be sampled again; about once a second, for looking costs more than keeping."""
        if time_ns - self._forgotten_ns < FORGET_PERIOD_NS:
            return
        self._forgotten_ns = time_ns
        self._network.history.forget_before(time_ns)
        self._pins.forget_before(time_ns)
        self._bus.forget_before(time_ns)
        self._text.forget_before(time_ns)
        for signal in self._signals.values():
            signal.timeline.forget_before(time_ns)
        self._ground_feed.timeline.forget_before(time_ns)
        for bridge in self.twin.outputs.bridges.values():
            bridge.current.timeline.forget_before(time_ns)
        for converter in self.twin.hold_ups:
            converter.current.timeline.forget_before(time_ns)

    def set_analog_output(self, channel: int, voltage_v: float) -> None:
        """Set an analogue output now."""
        self._pins.set_line(channel, voltage_v)

    def ramp_analog_output(self, channel: int, to_voltage_v: float, duration_ns: int) -> None:
        """Ramp an analogue output from where it stands, beginning now."""
        self._pins.ramp_line(channel, to_voltage_v, duration_ns)

    def set_digital_output(self, output: int, on: bool) -> None:
        """Switch a digital output now."""
        self._relays.set_output(output, on)

    def set_watchdog(self, on: bool) -> None:
        """Hold (on) or let go the contactor."""
        self._relays.set_watchdog(on)

    def send_frame(self, identifier: int, data: bytes) -> None:
        """Queue a frame of the bench's bus node now.

        Raises:
            ValueError: it is no frame: identifier beyond 11 bits or more than 8 bytes.
        """
        self._bus.offer(identifier, data, from_unit=False)

    def send_text(self, data: bytes, bit_rate: float) -> None:
        """Send text to the unit on its serial line, behind what is still going out."""
        self._text.send(data, bit_rate)

    def take_frames(self) -> list[tuple[int, int, bytes]]:
        """Return (time the host has it in ns, identifier, data) of frames the host has by now, own ones excluded."""
        return self._bus.take()

    # --- the simulated operator -------------------------------------------------------------------

    def plug_unit(self) -> None:
        """Plug the unit in, discharged; nothing where it is plugged already."""
        self.twin.plug()

    def unplug_unit(self) -> None:
        """Unplug the unit; nothing where it is unplugged already."""
        self.twin.unplug()

    def panel_shows(self, discrete: str) -> bool:
        """Say whether the unit's annunciator of a discrete is lit."""
        return self.twin.shows(discrete)

    # --- what tests look at -----------------------------------------------------------------------

    @property
    def plugged(self) -> bool:
        """Whether the unit is plugged in."""
        return self.twin.state is not PowerState.UNPLUGGED

    @property
    def output_on(self) -> bool:
        """Whether the output of any source is on."""
        return any(source.output_on for source in filter(None, (self._supply, self._dip_source)))

    @property
    def contactor_closed(self) -> bool:
        """Whether the supply is connected to the unit's side."""
        return self._network.contactor_closed

    @property
    def arm_closed(self) -> bool:
        """Whether motor outputs are connected to their loads."""
        return self._relays.armed

    def unit_voltage_v(self) -> float:
        """Return the voltage between the unit's power pins (or at its plug) now."""
        return self._network.pin_voltage_v()

    def supply_current_a(self) -> float:
        """Return the current out of the supply now."""
        return self._network.supply_current_a()

    def motor_voltage_v(self, axis: str) -> float:
        """Return the voltage between an axis's motor pins now."""
        bridge, window = self.twin.outputs.bridges[axis], self._window_now()
        return float(_first(window.signal(bridge.plus)) - _first(window.signal(bridge.minus)))

    def motor_current_a(self, axis: str) -> float:
        """Return the current out of an axis's plus pin now."""
        return _first(self._window_now().signal(self.twin.outputs.bridges[axis].current))

    def pin_voltage_v(self, pin: str) -> float:
        """Return the voltage of an output or input pin against signal ground now."""
        return _first(self._window_now().signal(self._signals[pin]))

    # --- wiring -----------------------------------------------------------------------------------

    def _connect(self) -> None:
        self._network.connect(
            closed=self._relays.contactor_closed,
            bleeding=not self._relays.contactor_held,
            series_ohm=self._relays.path_ohm(),
            sense_at_pins=self._relays.path_is_run(),
            plug_conductance_s=1.0 / self._relays.load_ohm(PLUG),
            from_dip_source=self._relays.path_is_dip_source(),
        )

    def _give_back(self) -> None:
        """Have a motor that its bridge no longer drives give current back to the bus for a while."""
        bridges = self.twin.outputs.bridges
        driving = {
            name for name, bridge in bridges.items() if bridge.terminals.direction and self._relays.on_motor(name)
        }
        stopped, self._driving = self._driving - driving, driving
        if stopped:
            self._agenda.at(self.now_ns, Order.BENCH, partial(self._network.give_back, self.bench.path.given_back_a))
            self._agenda.at(self.now_ns + GIVES_BACK_NS, Order.BENCH, partial(self._network.give_back, 0.0))

    def _electronic_load(self) -> LoadStage | None:
        """Return the electronic load, woken by whatever may move what it hangs on; None where the bench has none."""
        if self.bench.electronic_load is None:
            return None
        stage = LoadStage(
            self.bench.electronic_load,
            self._agenda,
            feed=self._load_feed,
            apply=self._apply_load,
            restless=self._load_restless,
        )

        def heed() -> None:
            if self._relays.drawn_from is not None:  # connected nowhere, nothing can move what it hangs on
                stage.wake()

        self._network.on_change = _both(self._network.on_change, heed)
        self.twin.outputs.on_bridge = _both(self.twin.outputs.on_bridge, heed)
        for converter in self.twin.hold_ups:
            converter.on_change = heed
        self._relays.on_load = _both(self._relays.on_load, heed)
        self._relays.on_path = _both(self._relays.on_path, heed)
        self._relays.on_draw = self._reconnect_load
        return stage

    def _load_feed(self) -> Feed:
        """Return what the electronic load hangs on, through its relays, with the resistors that stand beside it."""
        where, relays = self._relays.drawn_from, self._relays
        if where == PLUG:
            feed = Feed(self._network.voltage_v(), 0.0)
        elif where is not None and (held := self.twin.hold_up(where)) is not None:
            feed = self._beside(held.source(), where)
        elif where is None or not relays.armed:
            feed = NO_FEED
        else:
            feed = self._beside(self.twin.outputs.bridges[where].source(self._network.voltage_v()), where)
        return Feed(-feed.voltage_v, feed.ohm, feed.duty) if relays.reversed else feed

    def _beside(self, feed: Feed, output: str) -> Feed:
        """Return what is left of a feed for the electronic load with the resistors that stand beside it."""
        beside_ohm = self._relays.resistor_ohm(output)
        if math.isinf(beside_ohm):
            return feed
        part = beside_ohm / (beside_ohm + feed.ohm)
        return Feed(feed.voltage_v * part, feed.ohm * part, feed.duty)

    def _load_restless(self) -> bool:
        """Say whether what the electronic load hangs on moves by itself."""
        held = self.twin.hold_up(self._relays.drawn_from)
        return self._network.moving() if held is None else held.moving()

    def _apply_load(self, ohm: float) -> None:
        """Have the electronic load conduct otherwise."""
        self._relays.drawn_ohm = ohm
        where = self._relays.drawn_from
        if where == PLUG:
            self._connect()
        elif where is not None:
            self.twin.load_changed(where)

    def _reconnect_load(self) -> None:
        """Have the electronic load somewhere else, or the other way round."""
        self._connect()
        self.twin.loads_changed()
        if self._load_stage is not None:
            self._load_stage.wake()

    def _signals_by_pin(self) -> dict[str, Signal]:
        signals: dict[str, Signal] = {}
        for pin in self._pins.names():
            if (signal := self._pins.signal(pin)) is not None:
                signals[pin] = signal
        for bridge in self.twin.outputs.bridges.values():
            signals[bridge.parameters.plus_pin] = bridge.plus
            signals[bridge.parameters.minus_pin] = bridge.minus
        signals.update({dimmer.parameters.pin: dimmer.pin for dimmer in self.twin.outputs.dimmers.values()})
        signals.update({output.parameters.plus_pin: output.plus for output in self.twin.outputs.plain})
        pins = {output.name: output.plus_pin for output in self.twin.parameters.hold_ups}
        signals.update({pins[converter.name]: converter.signal for converter in self.twin.hold_ups})
        return signals

    def _quantity(self, number: int, probe: Probe) -> Node:
        if probe.kind == "voltage":
            plus, minus = self._node(number, probe.plus), self._node(number, probe.minus)
            unit = self.twin.parameters
            if (probe.plus, probe.minus) == (unit.power_ground_pin, unit.signal_ground_pin):
                return lambda window: plus(window) - minus(window) + window.signal(self._ground_feed)
            return lambda window: plus(window) - minus(window)
        if probe.kind != "current":
            raise ValueError(f"plant: input {number} probes a {probe.kind!r}; it can be a voltage or a current.")
        if probe.plus in {"supply+", "supply-"}:
            return Window.current
        for bridge in self.twin.outputs.bridges.values():
            if probe.plus == bridge.parameters.plus_pin:
                current = bridge.current
                return lambda window: window.signal(current)
        for output, converter in zip(self.twin.parameters.hold_ups, self.twin.hold_ups, strict=True):
            if probe.plus == output.plus_pin:
                held = converter.current
                return lambda window: window.signal(held)
        raise ValueError(
            f"plant: input {number} probes the current at {probe.plus}, which is no supply leg, no motor's plus pin "
            "and no hold-up output."
        )

    def _node(self, number: int, name: str) -> Node:
        """Return how to find a node's voltage against the unit's signal ground."""
        unit, negative_ohm = self.twin.parameters, self.bench.path.negative_ohm
        reference_v = self.bench.daq.reference_v
        special: dict[str, Node] = {
            "": lambda _: 0.0,
            "reference": lambda _: reference_v,
            "supply-": lambda window: -window.ground_drop() - negative_ohm * window.current(),
            "supply+": lambda window: window.terminal() - window.ground_drop() - negative_ohm * window.current(),
            unit.signal_ground_pin: lambda _: 0.0,
            unit.power_ground_pin: lambda window: -window.ground_drop(),
            unit.power_pin: Window.voltage,
        }
        if name in special:
            return special[name]
        signal = self._signals.get(name)
        if signal is None:
            signal = self._signals[name] = self._unit_pin(number, name)
        return lambda window: window.signal(signal)

    def _unit_pin(self, number: int, name: str) -> Signal:
        """Return the signal of a return pin that is never driven."""
        if any(name == output.parameters.minus_pin for output in self.twin.outputs.plain):
            return Signal()
        raise ValueError(f"plant: input {number} probes {name!r}, which is no pin the twin has. Check the wiring.")

    def _channel(self, number: int, window: Window) -> NDArray[np.float64]:
        if number not in self._nodes:
            raise ValueError(f"plant: no analogue input {number} is wired. Check the bench sheet's signals.")
        channel = self.bench.daq.inputs[number]
        values = self._nodes[number](window)
        scale = (1.0 + channel.gain_error) * channel.volts_per_unit
        offset = channel.offset_units * channel.volts_per_unit
        if isinstance(values, np.ndarray):
            volts = values * scale
            volts += offset
            return volts
        return np.full(len(window.times_ns), values * scale + offset)

    def _loads_changed(self) -> None:
        """Take note of a load relay: the outputs' own, the stimulus pins', or the one at the ground channel."""
        self._pins.set_load(self._relays.load_ohm(LINES))
        fed_v = 0.0 if self.plugged else self._relays.load(GROUND).behind_v  # the unit joins the ground pins
        self._ground_feed.put(self.now_ns, Piece(constant=fed_v))
        self.twin.loads_changed()

    def _fed_otherwise(self) -> None:
        """Take note of another voltage behind the loads that lead to the dip source."""
        for converter in self.twin.hold_ups:
            converter.load_changed()

    def _check_times(self, times_ns: NDArray[np.int64]) -> None:
        if len(times_ns) and int(times_ns[-1]) > self.now_ns:
            raise ValueError(f"plant: {int(times_ns[-1])} ns is still to come, it is {self.now_ns} ns now.")

    def _window_now(self) -> Window:
        return Window(np.array([self.now_ns], dtype=np.int64), self._network.history)


def _both(one: Callable[[], None] | None, other: Callable[[], None]) -> Callable[[], None]:
    """Return an action that does one after the other."""

    def act() -> None:
        if one is not None:
            one()
        other()

    return act


def _first(values: Values) -> float:
    return float(values[0]) if isinstance(values, np.ndarray) else float(values)


if TYPE_CHECKING:
    _: type[PlantPort] = Plant
