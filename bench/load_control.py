"""The electronic load behind its relays: where it hangs, and what must be true before it draws.

Relays switch only while its input is off and read back as off. It draws only where it is connected, and never more than
its rating at the most volts that an output may carry: a driver knows amperes and watts, not the bus.
"""

from collections.abc import Mapping

from bench.sheets.bench_sheet import BenchSheet, ElectronicLoadSheet
from instruments.capabilities import DataAcquisition, ElectronicLoad
from instruments.errors import RatingExceededError
from test_plans.rig import Drawn, LoadReading


class LoadControl:
    """One electronic load, or none: then everything but `make_safe` and `disconnect` is refused."""

    def __init__(
        self,
        *,
        sheet: BenchSheet,
        load: ElectronicLoad | None,
        daq: DataAcquisition,
        most_v: float,
        most_at_v: Mapping[str, float],
    ) -> None:
        """Take a bench's load.

        Args:
            sheet: wiring and ratings.
            load: driver; None: the bench has none.
            daq: driver, for its relays.
            most_v: that any output may carry.
            most_at_v: output -> that this one may carry, where it is another figure.
        """
        self._sheet = sheet
        self._load = load
        self._daq = daq
        self._most_v, self._most_at_v = most_v, most_at_v
        self._output = ""
        self._drawing = False

    def connect(self, output: str, *, reverse: bool) -> None:
        """Have it on one output and nowhere else, its input off and its level at nothing.

        Raises:
            KeyError: the bench has no electronic load, or it doesn't reach that output or can't be reversed.
            InstrumentError: its input is not known to be off; no relay was switched.
        """
        load, facts = self._present()
        if output not in self._sheet.load_outputs:
            raise KeyError(
                f"the electronic load does not reach {output}; it reaches {', '.join(self._sheet.load_outputs)}"
            )
        if reverse and facts.reverse_output is None:
            raise KeyError("the electronic load has no relay that exchanges its leads")
        self._release(load)
        if facts.reverse_output is not None:
            self._daq.set_digital(facts.reverse_output, reverse)
        self._daq.set_digital(self._sheet.load_outputs[output], True)
        self._output = output

    def disconnect(self) -> None:
        """Have it draw nothing and hang nowhere; nothing where the bench has none."""
        if self._load is not None:
            self._release(self._load)

    def draw(self, drawn: Drawn, level: float) -> None:
        """Have it draw.

        Raises:
            KeyError: the bench has no electronic load, or it is not connected.
            RatingExceededError: it could be more than its rating at the most volts that may stand there.
        """
        load, facts = self._present()
        if not self._output:
            raise KeyError("the electronic load is connected to nothing")
        self._check_power(drawn, level, facts)
        {
            Drawn.CURRENT: load.draw_current,
            Drawn.POWER: load.draw_power,
            Drawn.RESISTANCE: load.draw_resistance,
        }[drawn](level)
        self._drawing = True
        load.set_input(True)

    def stop(self) -> None:
        """Have it draw nothing; it stays connected.

        Raises:
            KeyError: the bench has no electronic load.
        """
        load, _ = self._present()
        load.set_input(False)
        self._drawing = False

    def before_disarming(self) -> None:
        """Have it draw nothing, so that the arm relay opens without current; nothing where it draws nothing anyway."""
        if self._drawing:
            self.stop()

    def read(self) -> LoadReading:
        """Read its meters and state.

        Raises:
            KeyError: the bench has no electronic load.
        """
        load, _ = self._present()
        status = load.status()
        return LoadReading(
            voltage_v=load.measure_voltage(),
            current_a=load.measure_current(),
            power_w=load.measure_power(),
            drawing=status.input_on,
            tripped=status.protection_tripped,
            reversed=status.reversed_latched,
        )

    def make_safe(self) -> None:
        """Switch its input off and read it back as off; nothing where the bench has none."""
        if self._load is not None:
            self._load.make_safe()
            self._drawing = False

    def _present(self) -> tuple[ElectronicLoad, ElectronicLoadSheet]:
        if self._load is None or self._sheet.electronic_load is None:
            raise KeyError("the bench has no electronic load")
        return self._load, self._sheet.electronic_load

    def _release(self, load: ElectronicLoad) -> None:
        self.make_safe()
        load.draw_current(0.0)
        for output in self._sheet.load_outputs.values():
            self._daq.set_digital(output, False)
        self._output = ""

    def _check_power(self, drawn: Drawn, level: float, facts: ElectronicLoadSheet) -> None:
        most_v = self._most_at_v.get(self._output, self._most_v)
        if drawn is Drawn.CURRENT:
            power_w = level * most_v
        elif drawn is Drawn.RESISTANCE:
            power_w = most_v**2 / level if level > 0.0 else 0.0  # no resistance its driver refuses
        else:
            power_w = level
        if not power_w <= facts.max_power_w:
            raise RatingExceededError(
                f"electronic load: {drawn.value} {level:g} may become {power_w:.0f} W at {most_v:g} V, "
                f"it is rated {facts.max_power_w:g} W. Nothing was set; correct the plan.",
                instrument="electronic load",
                command=drawn.value,
            )
