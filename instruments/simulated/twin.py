"""The simulated unit: power states, the firmware's scan, and its outputs, built from drawn quantities.

Power: without charge it starts at the cold-start voltage; once running it runs down to the reset voltage,
where it resets at once and waits for the warm-start voltage, its reset count kept until it is discharged.
One that hangs at its start draws what it draws at rest, shows and reports nothing, and is free again once discharged.
Firmware scans on a fixed grid; a scan that could change nothing is not run, which changes no result.
A creeping bridge creeps from the start of the firmware.
Not modelled: flaps and lights (their outputs stay off), limit switches and position pots. What stands at a trim output
is a resistor, or a motor of the bench (`motor_drive`); at any other a resistor. Filaments and their inrush, LEDs. The
timed over-current trip by a motor's current; memory of anything but the reset count over a reset; temperature, but
for the converter's (`converter`) and a cracked joint's (`warm_joint`).
"""

import math
from collections.abc import Mapping
from enum import Enum
from functools import partial

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order, to_ns
from instruments.simulated.airspeed_input import PRESENT, TextReceiver, airspeed_at, airspeed_by_contact
from instruments.simulated.brownout_faults import BrownoutFaults
from instruments.simulated.bus_line import BusLine
from instruments.simulated.converter import Converter
from instruments.simulated.dimming import DimmerLevel, DimmingBank
from instruments.simulated.dip_faults import DipFaults
from instruments.simulated.discrete_inputs import DebouncedDiscrete, DiscreteBank
from instruments.simulated.draw import keyed_uniform
from instruments.simulated.motor import Motor
from instruments.simulated.motor_drive import MotorDrive
from instruments.simulated.network import InputNetwork
from instruments.simulated.output_stage import OutputStage
from instruments.simulated.over_current import OverCurrentTrip
from instruments.simulated.parameters import MotorParameters, TwinParameters
from instruments.simulated.regulator import OutputLoad
from instruments.simulated.relays import Relays
from instruments.simulated.reports import Reports, airspeed_kt
from instruments.simulated.stimulus_pins import StimulusPins
from instruments.simulated.trim_logic import AirspeedDuty, LockOut, TrimAxis
from instruments.simulated.twin_defaults import twin_quantities
from instruments.simulated.warm_joint import WarmJoint
from instruments.simulated.watchdog import Watchdog

DISCHARGED_V = 1.0  # below this a reset unit has forgotten everything
UNPOWERED_CONDUCTANCE_S = 1e-4  # 0.1 mA at 1 V
RESET_HYSTERESIS_V = 0.2  # a reset unit does not start closer than this above its reset voltage
HANG_SPAN_V = 0.5  # below the start: the rate that may hang it is that of this stretch
SLOPE_HYSTERESIS_V = 0.05  # a bus that comes up in stairs dips a little


EVERY_KT = (-math.inf, math.inf)


class PowerState(Enum):
    """What the unit's logic is doing."""

    UNPLUGGED = "unplugged"
    UNPOWERED = "unpowered"
    HELD_IN_RESET = "held in reset"
    STARTING = "starting"
    HUNG = "hung"
    RUNNING = "running"


class Twin:
    """One unit on the bench's plug."""

    def __init__(
        self,
        parameters: TwinParameters,
        *,
        seed: int,
        agenda: Agenda,
        network: InputNetwork,
        pins: StimulusPins,
        relays: Relays,
        bus: BusLine,
        motors: Mapping[tuple[str, str], MotorParameters],
    ) -> None:
        self.parameters = parameters
        self.state = PowerState.UNPLUGGED
        self.resets = 0
        self._seed = seed
        self._agenda, self._network, self._pins, self._bus = agenda, network, pins, bus
        quantities = self._quantities = twin_quantities(parameters)
        self.outputs = OutputStage(parameters, quantities, relays)
        self.discretes = DiscreteBank(parameters.discretes, quantities, pins, seed)
        self.dimming = DimmingBank(
            parameters.rheostats,
            parameters.dimmers,
            quantities,
            pins,
            network.voltage_v,
            nominal_v=parameters.nominal_voltage_v,
        )
        habits = parameters.trim_habits
        self.axes = {
            name: TrimAxis(
                name, [switch for switch in parameters.switches if switch.axis == name], quantities, pins, habits
            )
            for name in self.outputs.bridges
        }
        self._trips = {
            name: OverCurrentTrip(
                agenda,
                trip_a=quantities[f"{name}.trip_a"],
                trip_s=quantities[f"{name}.trip_s"],
                on_trip=partial(self._trip, name),
            )
            for name in self.axes
        }
        self._short_trips = {
            name: OverCurrentTrip(
                agenda,
                trip_a=quantities[f"{name}.peak_trip_a"],
                trip_s=quantities[f"{name}.peak_trip_s"],
                on_trip=partial(self._trip, name),
            )
            for name in self.axes
        }
        self._joints = {
            name: WarmJoint(
                agenda,
                open_k=quantities[f"{name}.open_at_k"],
                k_per_w=quantities[f"{name}.driver_k_per_w"],
                warm_s=quantities[f"{name}.driver_warm_s"],
                on_change=partial(self._joint_turned, name),
            )
            for name in self.axes
        }
        self._watchdog = Watchdog(
            agenda, per_hour=quantities["unit.watchdog_per_hour"], seed=seed, on_bite=self._watchdog_bites
        )
        self.hold_ups = [
            Converter(
                output.name,
                quantities,
                agenda=agenda,
                network=network,
                load=partial(_load_of, relays, output.name),
            )
            for output in parameters.hold_ups
        ]
        self.lock_out = LockOut(quantities["unit.lockout_v"], quantities["unit.release_v"])
        self.airspeed = AirspeedDuty(
            full_kt=parameters.full_trim_airspeed_kt,
            slow_kt=parameters.slow_trim_airspeed_kt,
            slow_duty=parameters.slow_trim_duty,
            lost_s=quantities["unit.airspeed_lost_s"],
            scale=quantities["unit.airspeed_scale"],
            frozen_s=parameters.airspeed.frozen_s,
            believed_kt=EVERY_KT
            if quantities["unit.airspeed_unbounded"] >= PRESENT
            else (parameters.airspeed.lowest_kt, parameters.airspeed.highest_kt),
        )
        self._text = TextReceiver(parameters.airspeed, quantities)
        self._reports = Reports(parameters.node)
        self._settings_off = round(quantities["unit.settings_off"])
        self._firmware = round(quantities["unit.firmware"])
        self._setting_lost_start = round(quantities["unit.setting_lost_start"])
        self._sense_gain = quantities["unit.sense_gain"] / 100.0
        self._hangs_from, self._hangs_to = quantities["unit.hang_from_v_per_s"], quantities["unit.hang_to_v_per_s"]
        self._brownout = BrownoutFaults(self.axes, quantities, seed)
        self._uncommanded: dict[str, int] = {}  # axis -> direction in which it drives without a command
        self._hung = False
        self._axis_of_pin = {switch.pin: switch.axis for switch in parameters.switches}
        self._restless_axes: set[str] = set()
        self._duty = 1.0
        self._starts = 0
        self._boots = 0
        self._changes_reported = 0
        self._scan_ns = to_ns(quantities["unit.scan_s"])
        self._first_scan_ns = 0
        self._last_scan_ns = -1
        self._scan_alarm = Alarm(agenda, Order.FIRMWARE, self._scan)
        self._ready_alarm = Alarm(agenda, Order.FIRMWARE, self._run)
        self._report_alarm = Alarm(agenda, Order.FIRMWARE, self._report_all)
        for (name, _), motor in motors.items():
            if motor.connected and name in self.outputs.bridges:
                self.outputs.motors[name] = self._motor_drive(name, motor)
        self._logic_watch = network.watch(on_fall=self._fall, on_rise=self._rise)
        self._slope_watch = network.watch(on_fall=self._leave_slope, on_rise=self._enter_slope)
        self._slope_from_v = math.inf
        self._slope_since_ns: int | None = None
        self._dip_faults = DipFaults(
            quantities, agenda=agenda, network=network, hang=self._hang, stay_down=self._stay_down
        )
        network.on_change = self._circuit_changed
        pins.on_change = self._touch
        bus.on_bench_frame = self._receive

    @property
    def powered(self) -> bool:
        """Whether its logic has power."""
        return self.state in {PowerState.STARTING, PowerState.RUNNING}

    @property
    def works(self) -> bool:
        """Whether its firmware scans and reports."""
        return self.state is PowerState.RUNNING and not self._hung

    def plug(self) -> None:
        """Plug it in, discharged."""
        if self.state is PowerState.UNPLUGGED:
            self._network.plug(self._quantities["unit.input_capacitance_f"], self._quantities["unit.ground_ohm"])
            self._lose_power(PowerState.UNPOWERED)
            for converter in self.hold_ups:
                converter.plug()

    def unplug(self) -> None:
        """Unplug it; it discharges at once and forgets everything."""
        if self.state is not PowerState.UNPLUGGED:
            self._lose_power(PowerState.UNPLUGGED)
            for converter in self.hold_ups:
                converter.unplug()
            self._network.unplug()

    def shows(self, discrete: str) -> bool:
        """Say whether the annunciator of a discrete is lit: the accepted state, while the firmware runs.

        Raises:
            KeyError: it has no such discrete.
        """
        states = {entry.parameters.name: entry.state for entry in self.discretes.inputs}
        return states[discrete] and self.state is PowerState.RUNNING

    def loads_changed(self) -> None:
        """Take note that the bench switched a load or the arm relay."""
        for converter in self.hold_ups:
            converter.load_changed()
        if self.powered:
            for name in self.axes:
                self._show_bridge(name)
            for level in self.dimming.levels:
                self._show_dimmer(level)
            self._set_draw()
        elif self.state is PowerState.UNPLUGGED:
            self.outputs.be_absent(self._agenda.now_ns)

    def _motor_drive(self, name: str, motor: MotorParameters) -> MotorDrive:
        """Return a motor at rest somewhere in the middle of its travel, at the pins of a bridge."""
        part = keyed_uniform(0.3, 0.7, self._seed, "motor", name)
        drive = MotorDrive(
            self.outputs.bridges[name],
            Motor(motor, angle_rad=part * motor.travel_rad),
            agenda=self._agenda,
            bus_v=self._network.voltage_v,
            bus_moves=self._network.moving,
            peak_trip_a=self._quantities[f"{name}.peak_trip_a"],
        )
        drive.on_draw = self._set_draw
        drive.on_trip = partial(self._trip, name)
        return drive

    def hold_up(self, name: str | None) -> Converter | None:
        """Return the hold-up output of that name, None where it is something else."""
        return next((converter for converter in self.hold_ups if converter.name == name), None)

    def load_changed(self, name: str) -> None:
        """Take note that the load of one axis, or of a hold-up output, conducts otherwise."""
        held = self.hold_up(name)
        if held is not None:
            held.load_changed()
        elif self.powered:
            self._show_bridge(name)
            self._set_draw()

    # --- power ------------------------------------------------------------------------------------

    def _fall(self) -> None:
        if self.powered:
            self.resets += 1
            self._brownout_begins()
            self._brownout.reset()
            self._lose_power(PowerState.HELD_IN_RESET)
        else:
            self._lose_power(PowerState.UNPOWERED)

    def _rise(self) -> None:
        """Start the firmware, or hang."""
        if self._rises_to_hang():
            self.state = PowerState.HUNG
            short_s = self._quantities["unit.input_short_s"]
            self._network.set_unit_load(self._quantities["unit.quiescent_a"], short_s)
            self._logic_watch.set(DISCHARGED_V, math.inf)
            return
        self.state = PowerState.STARTING
        self._dip_faults.clear()
        self._starts += 1
        now_ns = self._agenda.now_ns
        self._pins.set_unit(plugged=True, powered=True)
        for name in self.axes:
            creep_s = self._quantities[f"{name}.creep_s"]
            if creep_s > 0.0:
                self.outputs.creeping.add(name)
                self._agenda.at(now_ns + to_ns(creep_s), Order.FIRMWARE, partial(self._stop_creep, name, self._starts))
            self._show_bridge(name)
        self._ready_alarm.set(now_ns + to_ns(self._quantities["unit.ready_s"]))
        self._logic_watch.set(self._quantities["unit.reset_v"], float("inf"))
        self._set_draw()

    def _lose_power(self, state: PowerState) -> None:
        self.state = state
        if state is not PowerState.HELD_IN_RESET:
            self.resets = 0
        now_ns = self._agenda.now_ns
        self._watchdog.stop()
        for alarm in (self._scan_alarm, self._ready_alarm, self._report_alarm):
            alarm.clear()
        self._starts += 1  # what was scheduled by the firmware that ran is void
        self._dip_faults.clear()
        self._uncommanded.clear()
        self._hung = False
        self._bus.drop_unit_frames()
        self._pins.set_unit(plugged=state is not PowerState.UNPLUGGED, powered=False)
        for name, axis in self.axes.items():
            axis.drive = None
            self._trips[name].see(0.0)
            self._short_trips[name].see(0.0)
            self._joints[name].see(0.0)
        self.outputs.lose_power(now_ns)
        if state is PowerState.UNPLUGGED:
            self.outputs.be_absent(now_ns)
            return
        short_s = self._quantities["unit.input_short_s"]
        self._network.set_unit_load(0.0, UNPOWERED_CONDUCTANCE_S + short_s)
        if state is PowerState.UNPOWERED:
            starts_at_v = self._quantities["unit.cold_start_v"]
            self._logic_watch.set(float("-inf"), starts_at_v)
        else:
            above_reset_v = self._quantities["unit.reset_v"] + RESET_HYSTERESIS_V
            starts_at_v = max(self._quantities["unit.warm_start_v"], above_reset_v)
            self._logic_watch.set(DISCHARGED_V, starts_at_v)
            self._dip_faults.reset()
        self._slope_from_v = starts_at_v - HANG_SPAN_V
        self._leave_slope()

    def _hang(self) -> None:
        """Scan and report no more, with the outputs as they stand, until power is lost."""
        if self.works:
            self._hung = True
            self._scan_alarm.clear()
            self._report_alarm.clear()

    def _stay_down(self) -> None:
        """Start no more from this bus, but from one that was gone."""
        self._logic_watch.set(DISCHARGED_V, math.inf)

    def _enter_slope(self) -> None:
        self._slope_since_ns = self._agenda.now_ns
        self._slope_watch.set(self._slope_from_v - SLOPE_HYSTERESIS_V, math.inf)

    def _leave_slope(self) -> None:
        self._slope_since_ns = None
        if self._hangs_to > 0.0:
            self._slope_watch.set(-math.inf, self._slope_from_v)

    def _rises_to_hang(self) -> bool:
        """Say whether the bus came up to the start at a rate that hangs the unit."""
        since_ns = self._slope_since_ns
        self._slope_watch.clear()
        if self._hangs_to <= 0.0 or since_ns is None:
            return False
        span_s = (self._agenda.now_ns - since_ns) / NS_PER_S
        return self._hangs_from * span_s <= HANG_SPAN_V <= self._hangs_to * span_s

    def _run(self) -> None:
        """Begin scanning and reporting."""
        self.state = PowerState.RUNNING
        self._boots += 1
        self._first_scan_ns, self._last_scan_ns = self._agenda.now_ns, -1
        self._reports.start()
        self.discretes.start()
        self.dimming.start(after_reset=self.resets > 0)
        self.airspeed.start()
        self._text.start()
        self._look_at_airspeed()
        self.lock_out.start(self._sense_gain * self._network.voltage_v())
        self._duty = self.airspeed.duty(self._agenda.now_ns)
        for axis in self.axes.values():
            axis.start()
        self.outputs.show_plain(self._agenda.now_ns)
        self._restless_axes = set(self.axes)
        self._report_all()
        if self.resets:
            self._brownout_over(after_reset=True)
        self._wake()
        self._watchdog.wind()

    def _watchdog_bites(self) -> None:
        """Start anew with the bus standing."""
        self.resets += 1
        self._lose_power(PowerState.HELD_IN_RESET)
        self._rise()

    def _circuit_changed(self) -> None:
        self._wake()
        self.outputs.bus_changed()

    # --- firmware ---------------------------------------------------------------------------------

    def _touch(self, pin: str) -> None:
        if self.state is not PowerState.RUNNING:
            return
        if pin == self.parameters.airspeed.pin:
            self._look_at_airspeed()
            self._wake()
        axis = self._axis_of_pin.get(pin)
        if axis is not None:
            self._restless_axes.add(axis)
            self._wake()
        elif self.discretes.touch(pin) or self.dimming.touch(pin):
            self._wake()

    def _wake(self) -> None:
        """Have the next scan of the grid run."""
        if self.works:
            self._scan_at_or_after(self._agenda.now_ns)

    def _scan_at_or_after(self, time_ns: int) -> None:
        scan_ns = self._first_scan_ns - (self._first_scan_ns - time_ns) // self._scan_ns * self._scan_ns
        scan_ns = max(scan_ns, self._last_scan_ns + self._scan_ns if self._last_scan_ns >= 0 else scan_ns)
        if self._scan_alarm.due_ns is None or scan_ns < self._scan_alarm.due_ns:
            self._scan_alarm.set(scan_ns)

    def _scan(self) -> None:
        now_ns = self._last_scan_ns = self._agenda.now_ns
        was_locked = self.lock_out.locked
        if self.lock_out.scan(self._sense_gain * self._network.voltage_v()) != was_locked:
            self._restless_axes.update(self.axes)
            if not was_locked:
                self._brownout_begins()
            elif not self._brownout_over(after_reset=False):
                return
        for discrete in self.discretes.scan(now_ns // self._scan_ns):
            self._report_change(discrete)
        levels = self.dimming.scan(now_ns)
        for level in levels:
            self._show_dimmer(level)
        if self._scan_axes(now_ns) or levels:
            self._set_draw()
        self._plan_scan(now_ns)

    def _brownout_begins(self) -> None:
        self._brownout.begin({name: axis.direction for name, axis in self.axes.items()})

    def _brownout_over(self, *, after_reset: bool) -> bool:
        """Do what is wrong once a brownout is over; return whether the firmware goes on, rather than hangs."""
        now_ns, start = self._agenda.now_ns, self._starts
        for axis, direction, duration_ns in self._brownout.over(after_reset=after_reset):
            self._uncommanded[axis] = direction
            self._show_bridge(axis)
            self._set_draw()
            self._agenda.at(now_ns + duration_ns, Order.FIRMWARE, partial(self._end_uncommanded, axis, start))
        if after_reset or not self._brownout.hang_ns:
            return True
        self._hung = True
        self._report_alarm.clear()
        self._agenda.at(now_ns + self._brownout.hang_ns, Order.FIRMWARE, partial(self._end_hang, start))
        return False

    def _end_uncommanded(self, name: str, start: int) -> None:
        """End a drive that nobody commanded, unless the unit lost power since."""
        if start == self._starts and self._uncommanded.pop(name, 0):
            self._show_bridge(name)
            self._set_draw()

    def _end_hang(self, start: int) -> None:
        """Have a firmware that hung scan and report again, unless the unit lost power since."""
        if start == self._starts:
            self._hung = False
            self._report_all()
            self._wake()

    def _scan_axes(self, now_ns: int) -> bool:
        """Scan what may change; return whether any drive or its duty did."""
        duty_before, self._duty = self._duty, self.airspeed.duty(now_ns)
        changed = False
        for name, axis in self.axes.items():
            due_ns = axis.due_ns()
            before = axis.drive
            if name in self._restless_axes or (due_ns is not None and now_ns >= due_ns):
                axis.scan(now_ns, locked=self.lock_out.locked)
                (self._restless_axes.add if axis.busy() else self._restless_axes.discard)(name)
            if axis.drive != before or (axis.drive is not None and self._duty != duty_before):
                self.outputs.creeping.discard(name)
                self._show_bridge(name)
                changed = True
        return changed

    def _trip(self, name: str) -> None:
        """Stop an axis whose bridge took too much current."""
        if self.state is PowerState.RUNNING and self.axes[name].drive is not None:
            self.axes[name].trip(self._agenda.now_ns)
            self._restless_axes.add(name)
            self._show_bridge(name)
            self._set_draw()
            self._wake()

    def _plan_scan(self, now_ns: int) -> None:
        if self._restless_axes or self.discretes.busy() or self.dimming.busy() or self._network.moving():
            self._scan_at_or_after(now_ns + self._scan_ns)
            return
        dues_ns = [due_ns for axis in self.axes.values() if (due_ns := axis.due_ns()) is not None]
        if dues_ns:
            lost_ns = self.airspeed.lost_at_ns()
            if lost_ns is not None and lost_ns > now_ns:
                dues_ns.append(lost_ns)
            self._scan_at_or_after(min(dues_ns))

    def _receive(self, identifier: int, data: bytes) -> None:
        listens = self.state is PowerState.RUNNING and self.parameters.on_bus
        airspeed = self.parameters.airspeed
        if not listens or airspeed.route != "canaerospace" or identifier != airspeed.identifier:
            return
        speed_kt = airspeed_kt(data)
        if speed_kt is not None:
            self._take_airspeed(speed_kt)

    def receive_text(self, data: bytes) -> None:
        """Take characters that came on the text line."""
        if self.state is PowerState.RUNNING and self.parameters.airspeed.route == "text":
            for speed_kt in self._text.take(data):
                self._take_airspeed(speed_kt)

    def _take_airspeed(self, speed_kt: float) -> None:
        self.airspeed.receive(speed_kt, self._agenda.now_ns)
        if self.airspeed.duty(self._agenda.now_ns) != self._duty:
            self._wake()

    def _look_at_airspeed(self) -> None:
        """Read the pin of an airspeed that is a voltage or a contact."""
        airspeed = self.parameters.airspeed
        if airspeed.route == "analogue":
            speed_kt = airspeed_at(airspeed, self._pins.voltage_v(airspeed.pin))
            self.airspeed.stand(speed_kt, self._agenda.now_ns)
        elif airspeed.route == "switch":
            self.airspeed.stand(airspeed_by_contact(airspeed, self._pins.pressed(airspeed.pin)), self._agenda.now_ns)

    # --- reports ----------------------------------------------------------------------------------

    def _report_change(self, discrete: DebouncedDiscrete) -> None:
        """Report one scan later, plus a wait for the bus."""
        if not self.parameters.on_bus:
            return
        self._changes_reported += 1
        wait_s = keyed_uniform(
            0.0, self._quantities["unit.bus_wait_s"], self._seed, "unit", "bus wait", self._changes_reported
        )
        start = self._starts
        state, changes = discrete.state, discrete.changes

        def send() -> None:
            if start == self._starts:
                self._send_discrete(discrete, state=state, changes=changes)

        self._agenda.at(self._agenda.now_ns + self._scan_ns + to_ns(wait_s), Order.FIRMWARE, send)

    def _report_all(self) -> None:
        if not self.parameters.on_bus:
            return
        parameters, reports = self.parameters, self._reports
        for discrete in self.discretes.inputs:
            self._send_discrete(discrete, state=discrete.state, changes=discrete.changes)
        settings_off = self._settings_off + self._brownout.settings_off
        counts = (
            (parameters.reset_count_identifier, self.resets),
            (parameters.configuration_identifier, parameters.configuration + settings_off),
            *((identifier, value + settings_off) for identifier, value in self._settings()),
            (parameters.firmware_identifier, self._firmware),
        )
        for identifier, value in counts:
            if identifier:
                self._bus.offer(identifier, reports.count(identifier, value), from_unit=True)
        for identifier in parameters.level_identifiers:
            self._bus.offer(identifier, reports.level(identifier, 0.0), from_unit=True)
        self._report_alarm.set(self._agenda.now_ns + to_ns(parameters.report_period_s))

    def _settings(self) -> tuple[tuple[int, int], ...]:
        """Return (identifier, value) of each setting as it is stored."""
        settings = self.parameters.settings
        if not settings or not 0 < self._setting_lost_start <= self._boots:
            return settings
        identifier, value = settings[-1]
        return (*settings[:-1], (identifier, value + 1))

    def _send_discrete(self, discrete: DebouncedDiscrete, *, state: bool, changes: int) -> None:
        identifier = discrete.parameters.report_identifier
        self._bus.offer(identifier, self._reports.discrete(identifier, state=state, changes=changes), from_unit=True)

    # --- outputs ----------------------------------------------------------------------------------

    def _show_bridge(self, name: str) -> None:
        bus_v = self._network.voltage_v()
        direction = self._uncommanded.get(name, self.axes[name].direction)
        self.outputs.show_bridge(self._agenda.now_ns, name, direction, self._duty, bus_v=bus_v)
        flowing_a = self.outputs.bridges[name].current_a(bus_v)
        self._trips[name].see(flowing_a)
        self._short_trips[name].see(flowing_a)
        self._joints[name].see(self.outputs.bridges[name].heat_w(bus_v))

    def _joint_turned(self, name: str) -> None:
        self.outputs.bridges[name].positive_open = self._joints[name].open
        if self.powered:
            self._show_bridge(name)
            self._set_draw()

    def _show_dimmer(self, level: DimmerLevel) -> None:
        name, now_ns = level.parameters.name, self._agenda.now_ns
        self.outputs.show_dimmer(now_ns, name, level.level, bus_v=self._network.voltage_v())

    def _stop_creep(self, name: str, start: int) -> None:
        """End the creep of one bridge, unless the unit lost power since."""
        if start == self._starts and name in self.outputs.creeping:
            self.outputs.creeping.discard(name)
            self._show_bridge(name)
            self._set_draw()

    def _set_draw(self) -> None:
        draw = self.outputs.draw()
        self._network.set_unit_load(
            self._quantities["unit.quiescent_a"] + draw.current_a,
            self._quantities["unit.input_short_s"] + draw.conductance_s,
        )


def _load_of(relays: Relays, output: str) -> OutputLoad:
    load = relays.load(output)
    return OutputLoad(conductance_s=1.0 / load.ohm, behind_v=load.behind_v)
