"""What feeds the unit: supply and dip source, the bus switch, and the contactor that the watchdog holds.

It keeps what was last asked for, as nothing else on the bench knows it all. Knows no capture and no procedure.
"""

from collections.abc import Callable, Mapping, Sequence

from bench.sheets.bench_sheet import BenchSheet
from instruments.capabilities import DataAcquisition, SequenceStep, SequencingSupply
from instruments.errors import RatingExceededError
from test_plans.rig import Source, SupplyPath, SupplyReading, Tread
from test_plans.sheets import UnitSheet

BEAT_PERIOD_S = 0.250  # design allows 0.5 s between beats
STAIR_S = 0.020

Log = Callable[[str, float, Mapping[str, float | str | bool]], None]  # kind, uncertainty of its time in s, fields


class Feed:
    """Supply, bus switch and contactor of one bench.

    Args:
        sheet: wiring.
        unit: what it survives.
        supply: driver.
        dip_source: driver; None: the bench has none.
        daq: driver, for bus switch and watchdog.
        now: bench time in s.
        wait_until: waits to a bench time, with all duties of waiting.
        log: writes an event beside the running capture.
        changed: told whenever what the unit is fed with has changed.
    """

    def __init__(
        self,
        *,
        sheet: BenchSheet,
        unit: UnitSheet,
        supply: SequencingSupply,
        dip_source: SequencingSupply | None,
        daq: DataAcquisition,
        now: Callable[[], float],
        wait_until: Callable[[float], None],
        log: Log,
        changed: Callable[[], None],
    ) -> None:
        self._sheet = sheet
        self._unit = unit
        self._supply = supply
        self._dip_source = dip_source
        self._courses: dict[Source, tuple[float, float]] = {}  # loaded: the highest voltage in it, and the last
        self._daq = daq
        self._now = now
        self._wait_until = wait_until
        self._log = log
        self._changed = changed
        self._last_beat_s = float("-inf")
        self._contactor_wanted = False
        self._output_on = False
        self._path = SupplyPath.OPEN
        self.voltage_v = 0.0  # as set last
        self.current_limit_a = 0.0

    @property
    def unit_has_bus(self) -> bool:
        """Whether the unit is fed straight from a supply that is on."""
        return self._path is SupplyPath.RUN and self._output_on

    @property
    def most_volts_expected(self) -> float:
        """What the unit's pins may show at most: what is set or loaded, or anything while they only discharge."""
        if not self._contactor_wanted:
            return float("inf")
        return max(self.voltage_v, *(highest_v for highest_v, _ in self._courses.values()), 0.0)

    def beat_if_due(self, now_s: float) -> None:
        """Hold the contactor, where it is wanted, a little before its watchdog lets go."""
        if self._contactor_wanted and now_s - self._last_beat_s >= BEAT_PERIOD_S:
            self._daq.beat()
            self._last_beat_s = now_s

    def set(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit; both are read back by the driver.

        Raises:
            RatingExceededError: more than the unit survives; the supply's own ratings its driver holds.
        """
        self._check_unit_survives(voltage_v)
        self._supply.set_current_limit(current_limit_a)
        self._supply.set_voltage(voltage_v)
        self.voltage_v, self.current_limit_a = voltage_v, current_limit_a
        self._changed()
        self._note(set_voltage_v=voltage_v, current_limit_a=current_limit_a)

    def ramp(self, to_voltage_v: float, *, rate_v_per_s: float) -> None:
        """Ramp in stairs of 20 ms from the present setting; returns when it has arrived.

        Raises:
            RatingExceededError: more than the unit survives.
        """
        self._check_unit_survives(to_voltage_v)
        from_v, began_s = self.voltage_v, self._now()
        n_stairs = max(1, round(abs(to_voltage_v - from_v) / rate_v_per_s / STAIR_S))
        for stair in range(1, n_stairs + 1):
            voltage_v = from_v + (to_voltage_v - from_v) * stair / n_stairs
            self._supply.set_voltage(round(voltage_v, 4))
            self.voltage_v = voltage_v
            self._changed()
            self._wait_until(began_s + stair * STAIR_S)
        self._note(set_voltage_v=to_voltage_v, current_limit_a=self.current_limit_a)

    def set_output(self, on: bool) -> None:
        """Switch the output; over-voltage protection goes first, at what the unit survives."""
        if on:
            self._supply.set_overvoltage(self._unit.survives_voltage_v)
        self._supply.set_output(on)
        self._output_on = on
        self._changed()
        self._note(output=on)

    def connect(self, path: SupplyPath) -> None:
        """Set the bus switch, break before make; the contactor follows through the watchdog."""
        self._open_bus_switch()
        if path is SupplyPath.OPEN:
            self._contactor_wanted = False
            self._daq.release_watchdog()
        else:
            self._daq.set_digital(self._sheet.paths[path.value], True)
            self._close_contactor()
        self._stands(path)

    def hold_contactor(self) -> None:
        """Close the contactor through the watchdog, the bus switch open."""
        self._open_bus_switch()
        self._close_contactor()
        self._stands(SupplyPath.OPEN)

    def switched(self, path: SupplyPath) -> None:
        """Take note of where the bus switch will stand once a scheduled switching has come."""
        self._path = path

    def load_course(self, source: Source, treads: Sequence[Tread], current_limit_a: float) -> None:
        """Load a course; the dip source is set to its begin and its output switched on, over-voltage first.

        Raises:
            RatingExceededError: more than the unit survives; the source's own ratings its driver holds.
            KeyError: the bench has no dip source.
        """
        highest_v = max(tread.voltage_v for tread in treads)
        self._check_unit_survives(highest_v)
        driver = self._driver(source)
        driver.load_sequence([SequenceStep(voltage_v=tread.voltage_v, dwell_s=tread.dwell_s) for tread in treads])
        self._courses[source] = (highest_v, treads[-1].voltage_v)
        if source is Source.DIP_SOURCE:
            driver.set_current_limit(current_limit_a)
            driver.set_voltage(treads[0].voltage_v)
            driver.set_overvoltage(self._unit.survives_voltage_v)
            driver.set_output(True)
        self._changed()

    def play_course(self, source: Source) -> None:
        """Have a source play its course from now on."""
        self._driver(source).start_sequence()

    def end_course(self, source: Source) -> None:
        """Give a course up; the supply stays at the voltage of its last step, the dip source goes off."""
        driver = self._driver(source)
        if source is Source.DIP_SOURCE:
            driver.set_output(False)
        driver.stop_sequence()
        _, last_v = self._courses.pop(source)
        if source is Source.SUPPLY:
            self.voltage_v = last_v
        self._changed()

    def make_dip_source_safe(self) -> None:
        """Switch the dip source off, where there is one."""
        self._courses.pop(Source.DIP_SOURCE, None)
        if self._dip_source is not None:
            self._dip_source.make_safe()

    def _driver(self, source: Source) -> SequencingSupply:
        if source is Source.SUPPLY:
            return self._supply
        if self._dip_source is None:
            raise KeyError(f"bench {self._sheet.name} has no dip source")
        return self._dip_source

    def _open_bus_switch(self) -> None:
        for output in self._sheet.paths.values():
            self._daq.set_digital(output, False)

    def _close_contactor(self) -> None:
        self._contactor_wanted = True
        self._daq.beat()
        self._last_beat_s = self._now()

    def _stands(self, path: SupplyPath) -> None:
        self._path = path
        self._changed()
        self._note(path=path.value)

    def give_up(self) -> None:
        """Want the contactor no longer: no beat holds it from here on. Nothing is switched, so nothing can fail."""
        self._contactor_wanted = False
        self._path = SupplyPath.OPEN

    def make_safe(self) -> None:
        """Switch the output off; what is driven from here on is nothing."""
        self._courses.pop(Source.SUPPLY, None)
        self._supply.make_safe()
        self.voltage_v = 0.0

    def read(self) -> SupplyReading:
        """Read the supply and log it."""
        status = self._supply.status()
        reading = SupplyReading(
            voltage_v=self._supply.measure_voltage(),
            current_a=self._supply.measure_current(),
            set_voltage_v=self.voltage_v,
            current_limit_a=self.current_limit_a,
            limiting=status.limiting or status.limiting_latched,
        )
        fields = {
            "voltage_v": reading.voltage_v,
            "current_a": reading.current_a,
            "set_v": reading.set_voltage_v,
            "limit_a": reading.current_limit_a,
            "limiting": reading.limiting,
        }
        self._log("supply", 0.005, fields)
        return reading

    def _note(self, **fields: float | str | bool) -> None:
        self._log("note", 0.002, fields)

    def _check_unit_survives(self, voltage_v: float) -> None:
        if voltage_v > self._unit.survives_voltage_v:
            raise RatingExceededError(
                f"supply: {voltage_v:g} V was asked for, but {self._unit.title} survives "
                f"{self._unit.survives_voltage_v:g} V. Nothing was set; correct the plan.",
                instrument="supply",
                command="voltage",
            )
