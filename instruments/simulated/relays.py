"""The bench's relays as its digital outputs work them: bus switch, load resistors, arm relay, switch contacts.

Relays that are on together stand in parallel; none on is open. The bus switch breaks at once and makes a little later.
Welded to the supply it keeps the unit there: the dip source, which sinks little, does not move the bus against it.
Not modelled: travel of any other relay (it is where it was sent), bounce, contact resistance beyond the sheet's.
"""

import math
from collections.abc import Callable, Iterable
from functools import partial

from instruments.simulated.agenda import Agenda, Order, to_ns
from instruments.simulated.dimmer_stage import Load
from instruments.simulated.parameters import BenchParameters, DigitalOutputParameters

RUN = "run"
DIP_SOURCE = "dip source"
PLUG = "plug"
GROUND = "ground"  # the load at the channel between the ground pins
LINES = "lines"  # the loads of all stimulus pins, on one relay
BOUNCES = 3
CHATTER_NS = 700_000_000  # from one lapse of a chattering contactor to the next


class Relays:
    """State of every relay; the callbacks say what kind of thing changed."""

    def __init__(self, bench: BenchParameters, agenda: Agenda) -> None:
        self.on_path: Callable[[], None] | None = None  # bus switch, plug load or watchdog
        self.on_load: Callable[[], None] | None = None  # load of an output, or the arm relay
        self.on_press: Callable[[str, bool], None] | None = None
        self.on_feed: Callable[[str, bool], None] | None = None
        self.on_draw: Callable[[], None] | None = None  # where the electronic load is connected
        self.drawn_ohm = math.inf  # what the electronic load conducts now
        self.dip_source_v: Callable[[], float | None] = lambda: None  # at its terminals; None while it is off
        self.watchdog = False
        self._bench = bench
        self._agenda = agenda
        self._on: dict[int, DigitalOutputParameters] = {}
        self._making: dict[int, int] = {}  # output of a bus-switch position under way -> when it makes, in ns
        self._apart: set[int] = set()  # outputs of bus-switch positions that bounce open now
        self._lapsed = False  # the contactor has let go by itself
        self._chattering = False

    @property
    def armed(self) -> bool:
        """Whether motor outputs are connected to their loads."""
        return any(relay.action == "arm" for relay in self._on.values())

    @property
    def contactor_closed(self) -> bool:
        """Whether the watchdog is held and the bus switch is at any position but open."""
        return self.contactor_held and bool(self._positions())

    @property
    def contactor_held(self) -> bool:
        """Whether the contactor stands at the supply's side; at rest it puts the bleed across the unit's."""
        return self.watchdog and not self._lapsed

    def path_ohm(self) -> float:
        """Return the bus switch's series resistance; infinite when open."""
        return _parallel(self._bench.path.series_ohm[position] for position in self._positions())

    def path_is_run(self) -> bool:
        """Say whether the bus switch is at `run` and nothing else."""
        return self._positions() == [RUN]

    def path_is_dip_source(self) -> bool:
        """Say whether the bus switch is at the dip source, and the supply not connected beside it."""
        positions = self._positions()
        return DIP_SOURCE in positions and RUN not in positions

    def load_ohm(self, output: str) -> float:
        """Return the resistance switched to an output (or `plug`); infinite when open. The arm relay is not in it.

        The electronic load counts with what it conducts now.
        """
        drawn_ohm = self.drawn_ohm if self.drawn_from == output else math.inf
        return _parallel((self.resistor_ohm(output), drawn_ohm))

    def resistor_ohm(self, output: str) -> float:
        """Return the resistance of the resistors alone."""
        positions = self._bench.loads_ohm.get(output, {})
        return _parallel(positions[position] for position in self._loads(output))

    def on_motor(self, output: str) -> bool:
        """Say whether a motor stands behind an output: its relay and the arm relay are on."""
        return self.armed and any(
            relay.action == "load" and relay.target == output and (output, relay.position) in self._bench.motors
            for relay in self._on.values()
        )

    def braked(self, output: str) -> bool:
        """Say whether the brake of an output's motor is on."""
        return any(relay.action == "brake" and relay.target == output for relay in self._on.values())

    @property
    def drawn_from(self) -> str | None:
        """Where the electronic load is connected: an output or `plug`; None: nowhere, or to more than one."""
        connected = [relay.target for relay in self._on.values() if relay.action == "draw" and not relay.dead]
        return connected[0] if len(connected) == 1 else None

    @property
    def reversed(self) -> bool:
        """Whether the electronic load's leads are exchanged."""
        return any(relay.action == "reverse" for relay in self._on.values())

    def load(self, output: str) -> Load:
        """Return what is switched to an output, with the voltage it leads to: ground, reference or dip source.

        A dip source that is off leaves its resistor open.
        """
        positions, bench = self._bench.loads_ohm.get(output, {}), self._bench
        on = self._loads(output)
        fed_s = sum(1.0 / positions[position] for position in on if (output, position) in bench.loads_to_reference)
        ohm = self.load_ohm(output)
        dips_s = sum(1.0 / positions[position] for position in on if (output, position) in bench.loads_to_dip_source)
        if dips_s == 0.0:
            return Load(ohm, bench.daq.reference_v * fed_s * ohm if fed_s > 0.0 else 0.0)
        dip_v = self.dip_source_v()
        if dip_v is None:
            rest_s = sum(1.0 / positions[position] for position in on) - dips_s
            return Load(1.0 / rest_s, bench.daq.reference_v * fed_s / rest_s) if rest_s > 0.0 else Load()
        return Load(ohm, (bench.daq.reference_v * fed_s + dip_v * dips_s) * ohm)

    def set_watchdog(self, on: bool) -> None:
        """Hold or let go the contactor."""
        if on != self.watchdog:
            self.watchdog = on
            if on and self._bench.path.chatter_s > 0.0 and not self._chattering:
                self._chattering = True
                self._agenda.at(self._agenda.now_ns + CHATTER_NS, Order.BENCH, self._lapse)
            _call(self.on_path)

    def _lapse(self) -> None:
        """Have a chattering contactor let go for a moment, and again later for as long as it is held."""
        self._lapsed, self._chattering = False, self.watchdog
        if self.watchdog:
            self._lapsed = True
            back_ns = self._agenda.now_ns + to_ns(self._bench.path.chatter_s)
            self._agenda.at(back_ns, Order.BENCH, self._come_back)
            self._agenda.at(back_ns + CHATTER_NS, Order.BENCH, self._lapse)
            _call(self.on_path)

    def _come_back(self) -> None:
        self._lapsed = False
        _call(self.on_path)

    def set_output(self, output: int, on: bool) -> None:
        """Switch one digital output.

        Raises:
            ValueError: nothing is wired to it.
        """
        relay = self._bench.daq.digital_outputs.get(output)
        if relay is None:
            raise ValueError(f"plant: no digital output {output} is wired. Check the bench sheet.")
        if on == (output in self._on or output in self._making):
            return
        if relay.action == "path" and ((on and relay.dead) or (not on and relay.welded)):
            return
        if on and relay.action == "path" and self._bench.path.break_s > 0.0:
            self._begin_to_make(output)
        elif self._making.pop(output, None) is None:  # else it is let go before it was made
            self._switch(output, relay, on)

    def _switch(self, output: int, relay: DigitalOutputParameters, on: bool) -> None:
        if on:
            self._on[output] = relay
        else:
            del self._on[output]
        self._tell(relay, on)

    def _tell(self, relay: DigitalOutputParameters, on: bool) -> None:
        if relay.action == "press":
            if not relay.dead and self.on_press is not None:
                self.on_press(relay.target, on)
        elif relay.action == "feed":
            if self.on_feed is not None:
                self.on_feed(relay.target, on)
        elif relay.action in {"draw", "reverse"}:
            _call(self.on_draw)
        elif relay.action == "path" or relay.target == PLUG:
            _call(self.on_path)
        else:
            _call(self.on_load)

    def _begin_to_make(self, output: int) -> None:
        made_ns = self._agenda.now_ns + to_ns(self._bench.path.break_s)
        self._making[output] = made_ns
        self._agenda.at(made_ns, Order.BENCH, partial(self._make, output, made_ns))

    def _make(self, output: int, made_ns: int) -> None:
        if self._making.get(output) == made_ns:
            del self._making[output]
            self._switch(output, self._bench.daq.digital_outputs[output], on=True)
            bounce_ns = to_ns(self._bench.path.bounce_s)
            for place in range(2 * BOUNCES if bounce_ns else 0):
                at_ns = made_ns + (place + 1) * bounce_ns
                self._agenda.at(at_ns, Order.BENCH, partial(self._bounce, output, apart=place % 2 == 0))

    def _bounce(self, output: int, *, apart: bool) -> None:
        self._apart.discard(output)
        if apart and output in self._on:
            self._apart.add(output)
        _call(self.on_path)

    def _loads(self, output: str) -> list[str]:
        positions = self._bench.loads_ohm.get(output, {})
        return [
            relay.position
            for relay in self._on.values()
            if relay.action == "load" and relay.target == output and relay.position in positions
        ]

    def _positions(self) -> list[str]:
        return [
            relay.target for output, relay in self._on.items() if relay.action == "path" and output not in self._apart
        ]


def _parallel(resistances_ohm: Iterable[float]) -> float:
    conductance_s = 0.0
    for resistance_ohm in resistances_ohm:
        if resistance_ohm == 0.0:
            return 0.0
        conductance_s += 1.0 / resistance_ohm
    return 1.0 / conductance_s if conductance_s > 0.0 else math.inf


def _call(action: Callable[[], None] | None) -> None:
    if action is not None:
        action()
