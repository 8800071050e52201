"""`BenchRig`: the `Rig` protocol over real drivers and the wiring of a bench sheet.

Knows pins and names, drivers and wiring; knows no procedure, no limit and no verdict. All waiting of a run
goes through `wait`, so the heartbeat comes only from here: a hung runner lets the contactor go.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from itertools import count

from bench.airspeed_source import AirspeedSource, Sent
from bench.between import BetweenWatch
from bench.bus_traffic import BusTraffic
from bench.capture_session import BenchSession
from bench.errors import BenchError, UnsafeError
from bench.feed import Feed
from bench.guard import COMMANDS_KEPT_S, Guard, MotionCommands
from bench.load_control import LoadControl
from bench.operator import Operator
from bench.people import People
from bench.sampling import Readings, Recorder, Sampler
from bench.sheets.bench_sheet import BenchSheet
from bench.way_out import take_every_step
from instruments.capabilities import DataAcquisition, ElectronicLoad, SequencingSupply
from instruments.clock import Clock
from instruments.errors import InstrumentError
from test_plans.between import KIND
from test_plans.rig import (
    NOTHING_DRAWN,
    AirspeedFault,
    Drawn,
    LoadReading,
    PromptAction,
    Source,
    SupplyPath,
    SupplyReading,
    Tread,
)
from test_plans.sheets import Sense, UnitSheet
from test_plans.signals import AIRSPEED
from test_plans.untouched import NOTHING_BESIDE, Alongside

WAIT_SLICE_S = 0.050
BRAKE_S = 0.100
HELD_AT_MOST = 1.6  # times its level: what a hold-up output may carry that has lost its regulation
DISCHARGED_V = 1.0
DISCHARGE_LOOK_S = 0.100
DISCHARGE_TIME_OUT_S = 10.0
SAFE_SAMPLE_RATE_HZ = 1000.0
AFTER, AFTER_S = "after", 0.05  # the last capture of a procedure that leaves the unit powered


class BenchRig:
    """The wired bench (satisfies `test_plans.rig.Rig`)."""

    def __init__(
        self,
        *,
        sheet: BenchSheet,
        unit: UnitSheet,
        supply: SequencingSupply,
        dip_source: SequencingSupply | None = None,
        load: ElectronicLoad | None = None,
        daq: DataAcquisition,
        bus: BusTraffic | None,
        airspeed: AirspeedSource | None = None,
        clock: Clock,
        operator: Operator,
        recorder: Recorder,
        on_wait: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        self._sheet = sheet
        self._unit = unit
        self._load = LoadControl(
            sheet=sheet,
            load=load,
            daq=daq,
            most_v=unit.survives_voltage_v,
            most_at_v={output.name: HELD_AT_MOST * output.held_v for output in unit.outputs if output.held_up},
        )
        self._daq = daq
        self._bus = bus
        self._airspeed = airspeed
        self._clock = clock
        self._on_wait = on_wait
        self._began_s = clock.monotonic_s()
        self._commands = MotionCommands()
        self._guard = Guard(
            {axis.name: tuple(switch.name for switch in axis.switches) for axis in unit.trims}, self._commands
        )
        self._sampler = Sampler(sheet=sheet, daq=daq, clock=clock, guard=self._guard, recorder=recorder)
        self._between = BetweenWatch(sheet=sheet, daq=daq, clock=clock)
        self._sampling = False
        self._times_made_safe = count(1)
        self._people = People(operator=operator, recorder=recorder, say=say, log=self._log)
        self._feed = Feed(
            sheet=sheet,
            unit=unit,
            supply=supply,
            dip_source=dip_source,
            daq=daq,
            now=lambda: self.now_s,
            wait_until=self._wait_until,
            log=self._log,
            changed=self._fed_otherwise,
        )

    # Time

    @property
    def now_s(self) -> float:
        """Bench time since the run began."""
        return self._clock.monotonic_s() - self._began_s

    def wait(self, duration_s: float) -> None:
        """Wait in slices; drain, send, receive, beat and watch between them.

        Raises:
            AbortError: what the guard watches for has happened.
            InstrumentTimeoutError: a running scan brings no samples.
        """
        self._wait_until(self.now_s + duration_s)

    def _wait_until(self, end_s: float) -> None:
        self._attend()
        while (remaining_s := end_s - self.now_s) > 1e-9:
            self._clock.sleep_s(min(remaining_s, self._until_next_duty_s()))
            self._attend()

    def _until_next_duty_s(self) -> float:
        """Return how long may be slept at a stretch: to the next frame due, 50 ms at most."""
        due_s = self._airspeed.next_due_s() if self._airspeed else None
        if due_s is None:
            return WAIT_SLICE_S
        return min(WAIT_SLICE_S, max(due_s - self.now_s, 1e-6))

    def _attend(self) -> None:
        now_s = self.now_s
        self._feed.beat_if_due(now_s)
        if self._airspeed is not None:
            self._log_sent(self._airspeed.send_due(now_s))
        if self._bus is not None:
            for report in self._bus.receive():
                bound_s = self._sheet.facts.report_time_bound_s
                self._sampler.log(report.time_s - self._began_s, "report", bound_s, report.fields)
        self._sampler.attend(now_s)
        self._between.attend()
        self._on_wait()

    # Captures

    @property
    def readings(self) -> Readings:
        """What was last seen at the unit."""
        return self._sampler.readings

    def begin_procedure(self, name: str, attempt: int, *, beside: Alongside = NOTHING_BESIDE) -> None:
        """Name the captures to come, and say what is sampled beside what the procedure asks for."""
        self._sampler.procedure = name
        self._sampler.attempt = attempt
        self._sampler.beside = beside
        self._between.stop()
        self._between.told()  # it belongs to the procedure before
        self._watch_between()

    def end_procedure(self) -> None:
        """Look once more at a unit that has the bus, so that what came last is seen too.

        Raises:
            AbortError, InstrumentTimeoutError: as in any capture.
        """
        if self._feed.unit_has_bus:
            with self.capture(AFTER, (), sample_rate_hz=SAFE_SAMPLE_RATE_HZ) as session:
                session.wait_until(AFTER_S)

    @contextmanager
    def capture(
        self,
        name: str,
        signals: Sequence[str],
        *,
        sample_rate_hz: float,
        lines: Sequence[str] = (),
        **settings: float | str,
    ) -> Iterator[BenchSession]:
        """Sample from entry to exit; the guard's signals are always among them."""
        self._between.stop()
        asked = {"set_voltage_v": self._feed.voltage_v, "current_limit_a": self._feed.current_limit_a, **settings}
        header = self._sampler.start(
            name, signals, lines=lines, sample_rate_hz=sample_rate_hz, settings=asked, now_s=self.now_s
        )
        self._sampling = True
        if seen := self._between.told():
            self._sampler.log(self.now_s, KIND, 0.002, seen)
        try:
            yield BenchSession(
                header,
                sheet=self._sheet,
                daq=self._daq,
                hold_airspeed=self._airspeed.quiet if self._airspeed is not None else None,
                sampler=self._sampler,
                commands=self._commands,
                now=lambda: self.now_s,
                wait_until=self._wait_until,
                switched=self._feed.switched,
                played=self._feed.play_course,
            )
            self._attend()  # reports that came with the last samples belong to this capture
        except BaseException as error:
            self._end_broken_off(error)
            raise
        self._sampling = False
        self._sampler.stop()
        self._watch_between()

    def _watch_between(self) -> None:
        """Look on slowly where no capture runs and the unit has the bus."""
        self._between.expect(self._feed.voltage_v, self._feed.current_limit_a, self.now_s)
        if self._feed.unit_has_bus and not self._sampling:
            self._between.start(self.now_s, self._sampler.beside)
        else:
            self._between.stop()

    def _end_broken_off(self, error: BaseException) -> None:
        """End the capture without hiding why it was broken off."""
        self._sampling = False
        try:
            self._sampler.stop()
        except (InstrumentError, BenchError) as second:
            error.add_note(f"and the capture could not be ended: {second}")

    def _log(self, kind: str, bound_s: float, fields: Mapping[str, float | str | bool]) -> None:
        """Write an event of now beside the running capture."""
        self._sampler.log(self.now_s, kind, bound_s, fields)

    def _note(self, **fields: float | str | bool) -> None:
        self._log("note", 0.002, fields)

    # Supply

    def set_supply(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit; both are read back by the driver.

        Raises:
            RatingExceededError: more than the unit survives; the supply's own ratings its driver holds.
        """
        self._feed.set(voltage_v, current_limit_a)
        self._guard.current_limit_a = current_limit_a

    def ramp_supply(self, to_voltage_v: float, *, rate_v_per_s: float) -> None:
        """Ramp in stairs of 20 ms from the present setting; returns when it has arrived."""
        self._feed.ramp(to_voltage_v, rate_v_per_s=rate_v_per_s)

    def set_output(self, on: bool) -> None:
        """Switch the output; over-voltage protection goes first, at what the unit survives."""
        self._feed.set_output(on)

    def read_supply(self) -> SupplyReading:
        """Read the supply and log it."""
        return self._feed.read()

    def connect(self, path: SupplyPath) -> None:
        """Set the bus switch, break before make; the contactor follows through the watchdog."""
        self._feed.connect(path)

    def _fed_otherwise(self) -> None:
        """Tell who watches the unit what it is fed with now."""
        self._guard.set_voltage_v = self._feed.most_volts_expected
        self._watch_between()

    def load_course(self, source: Source, treads: Sequence[Tread], current_limit_a: float) -> None:
        """Load a course into a source; the dip source is set to its begin and on. Raises as `Feed.load_course`."""
        self._feed.load_course(source, treads, current_limit_a)

    def end_course(self, source: Source) -> None:
        """Give a course up; the supply stays at its last voltage, the dip source goes off."""
        self._feed.end_course(source)

    def hold_contactor(self) -> None:
        """Close the contactor through the watchdog, the bus switch open."""
        self._feed.hold_contactor()

    # Loads and stimuli

    def set_load(self, output: str, position: str) -> None:
        """Switch a load relay, break before make.

        Raises:
            KeyError: the bench sheet has no such load.
        """
        wires = [wire for wire in self._sheet.loads if wire.output == output]
        chosen = next((wire for wire in wires if wire.position == position), None)
        if chosen is None and position != "open":
            raise KeyError(f"{output} has no load {position!r}; it has {', '.join(wire.position for wire in wires)}")
        for wire in wires:
            self._daq.set_digital(wire.digital_output, False)
        if chosen is not None:
            self._daq.set_digital(chosen.digital_output, True)
        self._note(load=output, position=position)

    def hold_motor(self, output: str, on: bool) -> None:
        """Put the brake on an output's motor, or take it off.

        Raises:
            KeyError: the bench sheet has no brake there.
        """
        brake = next(
            (w.brake_output for w in self._sheet.loads if w.output == output and w.brake_output is not None), None
        )
        if brake is None:
            raise KeyError(f"{output} has no motor with a brake")
        self._daq.set_digital(brake, on)
        self._note(held=output if on else "")

    def connect_load(self, output: str, *, reverse: bool = False) -> None:
        """Connect the electronic load to one output, its input off; raises as `LoadControl.connect`."""
        self._load.connect(output, reverse=reverse)
        self._note(drawn_from=output, reversed=reverse)

    def disconnect_load(self) -> None:
        """Have the electronic load draw nothing, and connect it to nothing."""
        self._load.disconnect()
        self._note(drawn_from="")

    def draw(self, drawn: Drawn, level: float) -> None:
        """Have the connected electronic load draw; raises as `LoadControl.draw`."""
        self._load.draw(drawn, level)
        self._note(drawn=drawn.value, drawn_level=level)

    def stop_drawing(self) -> None:
        """Have the electronic load draw nothing."""
        self._load.stop()
        self._note(drawn=NOTHING_DRAWN)

    def read_load(self) -> LoadReading:
        """Read the electronic load and log it."""
        reading = self._load.read()
        fields = {
            "voltage_v": reading.voltage_v,
            "current_a": reading.current_a,
            "power_w": reading.power_w,
            "drawing": reading.drawing,
            "tripped": reading.tripped,
            "reversed": reading.reversed,
        }
        self._sampler.log(self.now_s, "electronic-load", 0.005, fields)
        return reading

    def arm(self, on: bool) -> None:
        """Close or open the arm relay; it opens without current of the electronic load."""
        if not on:
            self._load.before_disarming()
        self._daq.set_digital(self._sheet.arm_output, on)
        self._guard.armed = on
        self._note(armed=on)

    def drive(self, stimulus: str, voltage_v: float) -> None:
        """Set an analogue stimulus now."""
        self._daq.set_analog(self._sheet.stimuli[stimulus], voltage_v)
        self._sampler.log(self.now_s, "stimulus", 0.005, {"line": stimulus, "value": voltage_v})

    def press(self, switch: str) -> None:
        """Close a switch line now."""
        self._switch(switch, closed=True)

    def release(self, switch: str) -> None:
        """Open a switch line now."""
        self._switch(switch, closed=False)

    def _switch(self, switch: str, *, closed: bool) -> None:
        self._daq.set_digital(self._sheet.switches[switch], closed)
        self._commands.forget_before(self.now_s - COMMANDS_KEPT_S)
        self._commands.add(self.now_s, switch, closed=closed)
        self._sampler.log(self.now_s, "stimulus", 0.005, {"line": switch, "value": closed})

    def idle_inputs(self) -> None:
        """Open every switch; discretes inactive; rheostats at 0 V."""
        for switch in self._sheet.switches:
            if switch != AIRSPEED:
                self._switch(switch, closed=False)
        for discrete in self._unit.discretes:
            self.drive(discrete.name, discrete.pull_voltage_v if discrete.sense is Sense.ACTIVE_LOW else 0.0)
        for rheostat in self._unit.rheostats:
            self.drive(rheostat.name, 0.0)

    # Bus and people

    def start_airspeed(self, airspeed_kt: float) -> None:
        """Give airspeed by the unit's route from now on."""
        if self._airspeed is not None:
            self._airspeed.start(airspeed_kt, self.now_s)
            self._attend()

    def set_airspeed(self, airspeed_kt: float, fault: AirspeedFault = AirspeedFault.NONE) -> None:
        """Give another airspeed from the next sending on, or begin with it where none is given."""
        if self._airspeed is not None:
            self._airspeed.set(airspeed_kt, self.now_s, fault)

    def stop_airspeed(self) -> None:
        """Give no more airspeed."""
        if self._airspeed is not None:
            self._log_sent(self._airspeed.stop(self.now_s))

    def _log_sent(self, sent: Sent | None) -> None:
        if sent is not None:
            self._sampler.log(sent.time_s, "sent", 0.001, sent.fields)

    def ask(self, action: PromptAction, text: str) -> str:
        """Prompt a person; recorded with the answer."""
        return self._people.ask(action, text)

    def look(self, question: str, shown: Mapping[str, str]) -> frozenset[str] | None:
        """Ask a person which lamps are lit; recorded, and logged in the running capture."""
        return self._people.look(question, shown)

    # The one way out

    def make_safe(self) -> None:
        """Release commands, disarm, open the contactor, supply off, wait for discharge, loads off, read back.

        Every step is tried whatever another one did.

        Raises:
            UnsafeError: a step failed or can't be read back: that state is unknown, and each is named.
        """
        self._guard.armed = False
        self._feed.give_up()
        self._guard.set_voltage_v = self._feed.most_volts_expected
        steps: list[tuple[str, Callable[[], None]]] = [
            *((f"{switch} released", partial(self._switch, switch, closed=False)) for switch in self._sheet.switches),
            ("electronic load off", self._load.make_safe),
            ("watch between captures ended", self._between.stop),
            ("time for the unit to brake", lambda: self._clock.sleep_s(BRAKE_S)),
            ("motor outputs disarmed", lambda: self.arm(False)),
            ("contactor open", self._daq.release_watchdog),
            ("bus switch open", lambda: self.connect(SupplyPath.OPEN)),
            ("supply off", self._feed.make_safe),
            ("dip source off", self._feed.make_dip_source_safe),
            ("bus below 1 V", self._wait_for_discharge),
            ("loads and stimuli off", self._daq.make_safe),
        ]
        take_every_step(steps)

    def _wait_for_discharge(self) -> None:
        """Look at the unit's pins until the bleed has done its work; a procedure's own capture serves too."""
        if self._sampling:
            self._watch_discharge()
        else:
            with self.capture(f"making-safe-{next(self._times_made_safe)}", (), sample_rate_hz=SAFE_SAMPLE_RATE_HZ):
                self._watch_discharge()

    def _watch_discharge(self) -> None:
        began_s = self.now_s
        while self.now_s < began_s + DISCHARGE_TIME_OUT_S:
            self._wait_until(self.now_s + DISCHARGE_LOOK_S)
            if self.readings.time_s > began_s and abs(self.readings.unit_voltage_v) < DISCHARGED_V:
                return
        raise UnsafeError(
            (f"unit pins still at {self.readings.unit_voltage_v:.1f} V after {DISCHARGE_TIME_OUT_S:.0f} s",)
        )
