"""The supply's output stage: settings, slewing reference, limits, protection, and what its meter shows.

It knows its own terminals only through the circuit it is attached to (`network.InputNetwork`).
Not modelled: regulation loop dynamics, output ripple, programming delay, its own output capacitance, and
the foot-room of the sense (it makes good any drop in the leads).
"""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Protocol

from instruments.simulated.agenda import NS_PER_S, Agenda, Order, to_ns
from instruments.simulated.parameters import SupplyParameters


class Circuit(Protocol):
    """What the output stage is wired to."""

    def renew(self) -> None:
        """Work out the course from now on, because something changed."""
        ...

    def terminal_voltage_v(self) -> float:
        """Return the voltage at the supply's terminals."""
        ...

    def sensed_voltage_v(self) -> float:
        """Return the voltage at the sense point."""
        ...

    def supply_current_a(self) -> float:
        """Return the current out of the supply, negative when it sinks."""
        ...

    def limiting(self) -> bool:
        """Say whether the supply limits its current."""
        ...


class SupplyStage:
    """Satisfies `port.SupplyPort`; settings take effect at the agenda's present time."""

    def __init__(self, parameters: SupplyParameters, agenda: Agenda) -> None:
        self.parameters = parameters
        self.voltage_setting_v = 0.0
        self.current_setting_a = 0.0
        self.overvoltage_setting_v = 1.1 * parameters.max_voltage_v
        self.output_on = False
        self.overvoltage_tripped = False
        self.on_setting: Callable[[], None] | None = None  # it drives another voltage, or none any more
        self._agenda = agenda
        self._circuit: Circuit | None = None
        self._limited = False
        self._folded_back = False
        self._start_ns = 0
        self._start_v = 0.0
        self._slope_v_per_s = 0.0
        self._arrival_ns: int | None = None
        self._play = 0  # which sequence: a step scheduled by an earlier one is void
        self._playing = False

    def attach(self, circuit: Circuit) -> None:
        """Wire it up; once, before anything is set."""
        self._circuit = circuit

    @property
    def current_limit_a(self) -> float:
        """The limit that acts, whatever was set."""
        part = self.parameters.folds_back_to if self._folded_back else 1.0
        return part * min(self.current_setting_a, self.parameters.current_limit_cap_a, self.parameters.max_current_a)

    def set_voltage(self, voltage_v: float) -> None:
        """Let the reference slew to the new set point."""
        start_v = self.reference_v()
        self.voltage_setting_v = voltage_v
        self._slew_from(start_v)

    def set_current_limit(self, current_a: float) -> None:
        """Set the current limit."""
        self.current_setting_a = current_a
        self._wired.renew()

    def set_overvoltage(self, voltage_v: float) -> None:
        """Set the over-voltage trip, which acts on the terminals."""
        self.overvoltage_setting_v = voltage_v
        self._wired.renew()

    def play(self, steps: Sequence[tuple[float, float]]) -> None:
        """Play (voltage in V, dwell in s) one after the other from now on, each as fast as it slews."""
        self._play += 1
        self._playing = True
        at_ns = self._agenda.now_ns
        for voltage_v, dwell_s in steps:
            self._agenda.at(at_ns, Order.BENCH, partial(self._step, self._play, voltage_v))
            at_ns += to_ns(dwell_s)
        self._agenda.at(at_ns, Order.BENCH, partial(self._end_play, self._play))

    def playing(self) -> bool:
        """Say whether a sequence is being played."""
        return self._playing

    def stop_playing(self) -> None:
        """Give up what is being played."""
        self._play += 1
        self._playing = False

    def set_output(self, on: bool) -> None:
        """Switch the output; on, the reference starts at what stands at the terminals; off is high impedance."""
        on = on and not self.overvoltage_tripped
        if not on:
            self.stop_playing()
        if on == self.output_on:
            return
        start_v = self._wired.terminal_voltage_v()
        self.output_on = on
        self._slew_from(start_v)

    def clear_protection(self) -> None:
        """Forget a trip; the output stays off until it is switched on again."""
        self.overvoltage_tripped = False

    def read_voltage_v(self) -> float:
        """Return what its meter shows: volts at the sense point."""
        parameters = self.parameters
        sensed_v = self._wired.sensed_voltage_v()
        return sensed_v * (1.0 + parameters.voltage_reading_gain_error) + parameters.voltage_reading_offset_v

    def read_current_a(self) -> float:
        """Return what its meter shows."""
        parameters = self.parameters
        current_a = self._wired.supply_current_a()
        return current_a * (1.0 + parameters.current_reading_gain_error) + parameters.current_reading_offset_a

    def limiting(self) -> bool:
        """Say whether it limits current now."""
        return self._wired.limiting()

    def limited_since_last_call(self) -> bool:
        """Say whether it limited at any time since the last call of this."""
        limited, self._limited = self._limited or self.limiting(), False
        return limited

    def note_limiting(self) -> None:
        """Latch that it limited; called by the circuit. One that folds back limits at less from here on."""
        self._limited = True
        self._folded_back = True

    def note_regulating(self) -> None:
        """Take note that it regulates its voltage again, or is off; called by the circuit."""
        self._folded_back = False

    def trip(self) -> None:
        """Switch off by over-voltage protection; called by the circuit."""
        self.overvoltage_tripped = True
        self.output_on = False
        self.stop_playing()
        self._tell()

    def driven_v(self) -> float | None:
        """Return where its terminals go with next to nothing drawn, None while it is off."""
        return self._target_v() if self.output_on else None

    def reference_v(self) -> float:
        """Return the slewing set point now, set errors included."""
        if self._arrival_ns is None or self._agenda.now_ns >= self._arrival_ns:
            return self._target_v()
        return self._start_v + self._slope_v_per_s * (self._agenda.now_ns - self._start_ns) / NS_PER_S

    def reference_slope_v_per_s(self) -> float:
        """Return how fast the set point moves from now on."""
        return 0.0 if self.arrival_ns() is None else self._slope_v_per_s

    def arrival_ns(self) -> int | None:
        """Return when the set point arrives, or None when it has."""
        if self._arrival_ns is not None and self._agenda.now_ns >= self._arrival_ns:
            self._arrival_ns = None
        return self._arrival_ns

    def _step(self, play: int, voltage_v: float) -> None:
        if play == self._play:
            self.set_voltage(voltage_v)

    def _end_play(self, play: int) -> None:
        if play == self._play:
            self._playing = False

    @property
    def _wired(self) -> Circuit:
        if self._circuit is None:
            raise RuntimeError("the supply stage is not attached to a circuit")
        return self._circuit

    def _target_v(self) -> float:
        parameters = self.parameters
        return max(0.0, self.voltage_setting_v * (1.0 + parameters.set_gain_error) + parameters.set_offset_v)

    def _slew_from(self, start_v: float) -> None:
        distance_v = self._target_v() - start_v
        up = distance_v > 0.0
        rate_v_per_s = self.parameters.slew_up_v_per_s if up else self.parameters.slew_down_v_per_s
        duration_ns = math.ceil(abs(distance_v) / rate_v_per_s * NS_PER_S)
        self._start_ns, self._start_v = self._agenda.now_ns, start_v
        # The slope is that of the whole nanoseconds, so that the set point arrives exactly.
        self._slope_v_per_s = distance_v / duration_ns * NS_PER_S if duration_ns else 0.0
        self._arrival_ns = self._agenda.now_ns + duration_ns if duration_ns else None
        self._wired.renew()
        self._tell()

    def _tell(self) -> None:
        if self.on_setting is not None:
            self.on_setting()
