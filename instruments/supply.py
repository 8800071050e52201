"""Driver of a programmable DC supply that speaks SCPI-1999 (volume 2 commands, volume 4 instrument class).

Each call is one message: set, read back and one reading of the error queue travel together, so that the frequent
case costs one exchange. Ratings are checked before anything is sent. Status bits differ between makers
and come from the bench sheet.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pyvisa

from instruments import scpi
from instruments.capabilities import PowerSupply, SequenceStep, SupplyStatus, VoltageSequencer
from instruments.clock import Clock
from instruments.scpi_driver import ScpiDriver
from instruments.transports.visa import VisaTransport, open_visa

# The largest difference between a setting and its read-back that is still the same setting.
VOLTAGE_RESOLUTION_V = 0.001
CURRENT_RESOLUTION_A = 0.001
DWELL_RESOLUTION_S = 0.0001


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyRatings:
    """What the bench sheet allows, and where this model's status bits stand."""

    max_voltage_v: float
    max_current_a: float
    limiting_bit: int  # of STATus:QUEStionable, 0 to 14: the output limits current
    overvoltage_bit: int  # same: overvoltage protection has tripped
    list_points: int = 0  # most steps of a sequence; 0: it plays none
    shortest_dwell_s: float = 0.0  # of a step of a sequence
    sequence_bit: int = 3  # of STATus:OPERation, 0 to 14: it plays a sequence

    def __post_init__(self) -> None:
        for bit in (self.limiting_bit, self.overvoltage_bit, self.sequence_bit):
            if not 0 <= bit <= 14:
                raise ValueError(f"a bit of a status register lies between 0 and 14, not {bit}")
        if self.limiting_bit == self.overvoltage_bit:
            raise ValueError(f"limiting and overvoltage can't both be bit {self.limiting_bit}")
        for value in (self.max_voltage_v, self.max_current_a):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"ratings are positive numbers, not {value}")


def open_supply(
    resource_name: str,
    *,
    resource_manager: pyvisa.ResourceManager,
    clock: Clock,
    ratings: SupplyRatings,
    name: str,
    time_out_s: float,
) -> "ScpiSupply":
    """Open the supply, prove that a SCPI instrument answers, and arm its status registers.

    Neither output nor settings are touched.

    Args:
        resource_name: VISA address from the bench sheet.
        resource_manager: PyVISA's; stays open after the supply is closed.
        clock: bench time, for the log.
        ratings: from the bench sheet.
        name: what messages call it.
        time_out_s: for each exchange, in seconds.

    Raises:
        InstrumentLostError: nothing there.
        InstrumentTimeoutError: something there that doesn't answer.
        ProtocolError: something else answers.
        SettingRefusedError: the status registers can't be armed.
    """
    transport = open_visa(resource_name, resource_manager=resource_manager, name=name, time_out_s=time_out_s)
    try:
        supply = ScpiSupply(transport, clock=clock, ratings=ratings)
        supply.begin()
    except BaseException:
        transport.close()
        raise
    return supply


class ScpiSupply(ScpiDriver):
    """`capabilities.PowerSupply` and `VoltageSequencer` over an open transport; constructing it sends nothing."""

    kind = "supply"

    def __init__(self, transport: VisaTransport, *, clock: Clock, ratings: SupplyRatings) -> None:
        super().__init__(transport, clock=clock)
        self._ratings = ratings
        self._limited_at_last_call = False
        self._last_step_v: float | None = None  # of the sequence that is loaded

    def arm_status(self) -> None:
        """Clear status and have limiting and overvoltage latched as events and summarised."""
        self._enable_questionable(1 << self._ratings.limiting_bit | 1 << self._ratings.overvoltage_bit)
        self._limited_at_last_call = False

    def set_voltage(self, voltage_v: float) -> None:
        """Set the output voltage, 0 V to the rated voltage, and read it back.

        Raises:
            RatingExceededError: outside the ratings; nothing was sent.
            SettingRefusedError: reads back differently.
        """
        self._check("voltage", voltage_v, self._ratings.max_voltage_v, "V")
        self._set("VOLT", voltage_v, VOLTAGE_RESOLUTION_V, "V")

    def set_current_limit(self, current_a: float) -> None:
        """Set the current limit, 0 A to the rated current, and read it back; raises as `set_voltage`."""
        self._check("current limit", current_a, self._ratings.max_current_a, "A")
        self._set("CURR", current_a, CURRENT_RESOLUTION_A, "A")

    def set_overvoltage(self, voltage_v: float) -> None:
        """Set where overvoltage protection trips, 0 V to the rated voltage, and read back; raises as `set_voltage`."""
        self._check("overvoltage protection", voltage_v, self._ratings.max_voltage_v, "V")
        self._set("VOLT:PROT", voltage_v, VOLTAGE_RESOLUTION_V, "V")

    def set_output(self, on: bool) -> None:
        """Switch the output and read its state back.

        Raises:
            SettingRefusedError: reads back differently, or refused (a tripped protection holds it off).
        """
        self._switch("OUTP", "output", on=on)

    def measure_voltage(self) -> float:
        """Return what its own meter shows, in volts."""
        return self._measure("VOLT")

    def measure_current(self) -> float:
        """Return what its own meter shows, in amperes."""
        return self._measure("CURR")

    def status(self) -> SupplyStatus:
        """Return the conditions now; reading clears the latched event.

        The event register latches the start of limiting only. Limiting that went on at the last call and
        ended since is no new event, but was seen since the last call: it counts as latched here. So does
        what a call that failed may have read and lost.
        """
        command = "OUTP?;:STAT:QUES:COND?;:STAT:QUES?"
        limited_before = self._limited_at_last_call
        self._limited_at_last_call = True  # until the reply is in: a reading that fails may have cleared an event
        output, condition_text, event_text = self._exchange(command, 3)
        condition, event = (
            self._parsed(scpi.parse_whole, command, condition_text),
            self._parsed(scpi.parse_whole, command, event_text),
        )
        limiting = bool(condition >> self._ratings.limiting_bit & 1)
        latched = limiting or limited_before or bool(event >> self._ratings.limiting_bit & 1)
        output_on = self._parsed(scpi.parse_switch, command, output)
        self._limited_at_last_call = limiting
        return SupplyStatus(
            output_on=output_on,
            limiting=limiting,
            limiting_latched=latched,
            overvoltage_tripped=bool(condition >> self._ratings.overvoltage_bit & 1),
        )

    def clear_protection(self) -> None:
        """Release a tripped protection; the output stays off until it is switched on."""
        command = "OUTP:PROT:CLE;:STAT:QUES:COND?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_whole, command, reply) >> self._ratings.overvoltage_bit & 1:
            raise self._refused(command, reply, "overvoltage protection is still tripped")

    def load_sequence(self, steps: Sequence[SequenceStep]) -> None:
        """Load a sequence and read it back; the output stays as it is.

        Raises:
            RatingExceededError: no step, more than the supply holds, or one outside the ratings; nothing was sent.
            SettingRefusedError: reads back differently.
        """
        if not 1 <= len(steps) <= self._ratings.list_points:
            raise self._beyond(f"a sequence of {len(steps)} steps", f"1 to {self._ratings.list_points} steps")
        for step in steps:
            self._check("step of a sequence", step.voltage_v, self._ratings.max_voltage_v, "V")
            if not self._ratings.shortest_dwell_s <= step.dwell_s < math.inf:
                raise self._beyond(f"dwell {step.dwell_s:g} s", f"{self._ratings.shortest_dwell_s:g} s and longer")
        voltages = [step.voltage_v for step in steps]
        dwells = [step.dwell_s for step in steps]
        for header, values, resolution in (
            ("LIST:VOLT", voltages, VOLTAGE_RESOLUTION_V),
            ("LIST:DWEL", dwells, DWELL_RESOLUTION_S),
        ):
            command = f"{header} {','.join(scpi.format_number(value) for value in values)};:{header}?"
            (reply,) = self._exchange(command, 1)
            read = self._parsed(scpi.parse_numbers, command, reply)
            if len(read) != len(values) or any(
                not abs(got - value) <= resolution * 1.000001 for got, value in zip(read, values, strict=True)
            ):
                raise self._refused(command, reply, f"{len(values)} steps of {header} read back differently")
        self._last_step_v = steps[-1].voltage_v

    def start_sequence(self) -> None:
        """Play the loaded sequence once from now on; at its end the last voltage stays.

        Raises:
            SettingRefusedError: nothing is loaded, the output is off, or one is being played.
        """
        command = "VOLT:MODE LIST;:VOLT:MODE?;:INIT"
        (reply,) = self._exchange(command, 1)
        if reply.strip().upper() != "LIST":
            raise self._refused(command, reply, f"the mode reads back as {reply}")

    def sequence_running(self) -> bool:
        """Say whether a sequence is being played."""
        command = "STAT:OPER:COND?"
        (reply,) = self._exchange(command, 1)
        return bool(self._parsed(scpi.parse_whole, command, reply) >> self._ratings.sequence_bit & 1)

    def stop_sequence(self) -> None:
        """Give up a running sequence and go back to fixed settings, at the voltage of its last step.

        Nothing is sent where none was loaded.
        """
        if self._last_step_v is None:
            return
        command = f"ABOR;:VOLT {scpi.format_number(self._last_step_v)};:VOLT:MODE FIX;:VOLT:MODE?"
        (reply,) = self._exchange(command, 1)
        if reply.strip().upper() not in {"FIX", "FIXED"}:
            raise self._refused(command, reply, f"the mode reads back as {reply}")

    def make_safe(self) -> None:
        """Switch the output off and read it back as off; a second call does the same again.

        An entry in the error queue does not hide that the output reads back as off: it is logged.

        Raises:
            InstrumentError: whether the output is off is not known, or it is on.
        """
        self._prove_off("OUTP", "output")


if TYPE_CHECKING:
    _: type[PowerSupply] = ScpiSupply
    _sequencer: type[VoltageSequencer] = ScpiSupply
