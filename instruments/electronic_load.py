"""Driver of a programmable DC electronic load that speaks SCPI (IEEE 488.2; SCPI-1999 volumes 1 and 2).

SCPI-1999 has no instrument class for loads, so makers differ: the headers that choose the mode and switch the input,
and where status bits stand, come from the bench sheet. The rest is common to all: `CURR`, `POW` and `RES` set the level
of a mode, `MEAS:VOLT?`, `MEAS:CURR?` and `MEAS:POW?` read its own meters, and `:PROT:CLE` under the header of the input
releases a protection.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pyvisa

from instruments import scpi
from instruments.capabilities import ElectronicLoad, LoadStatus
from instruments.clock import Clock
from instruments.errors import RatingExceededError
from instruments.scpi_driver import ScpiDriver
from instruments.transports.visa import VisaTransport, open_visa

# The largest difference between a setting and its read-back that is still the same setting.
CURRENT_RESOLUTION_A = 0.001
POWER_RESOLUTION_W = 0.01
RESISTANCE_RESOLUTION_OHM = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRatings:
    """What the bench sheet allows, and what this model calls things."""

    max_current_a: float
    max_power_w: float
    least_resistance_ohm: float
    most_resistance_ohm: float
    mode_header: str  # chooses the mode: `FUNC`, `MODE`
    input_header: str  # switches the input: `INP`
    protection_bit: int  # of STATus:QUEStionable, 0 to 14: a protection has switched the input off
    reverse_bit: int  # same: the voltage at its terminals is the wrong way round

    def __post_init__(self) -> None:
        for bit in (self.protection_bit, self.reverse_bit):
            if not 0 <= bit <= 14:
                raise ValueError(f"a bit of STATus:QUEStionable lies between 0 and 14, not {bit}")
        if self.protection_bit == self.reverse_bit:
            raise ValueError(f"protection and reverse voltage can't both be bit {self.protection_bit}")
        for value in (self.max_current_a, self.max_power_w, self.least_resistance_ohm, self.most_resistance_ohm):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"ratings are positive numbers, not {value}")
        if self.least_resistance_ohm >= self.most_resistance_ohm:
            raise ValueError("the least resistance lies below the most")


def open_electronic_load(
    resource_name: str,
    *,
    resource_manager: pyvisa.ResourceManager,
    clock: Clock,
    ratings: LoadRatings,
    name: str,
    time_out_s: float,
) -> "ScpiElectronicLoad":
    """Open the load, prove that a SCPI instrument answers, and arm its status registers.

    Neither input nor settings are touched.

    Args:
        resource_name: VISA address from the bench sheet.
        resource_manager: PyVISA's; stays open after the load is closed.
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
        load = ScpiElectronicLoad(transport, clock=clock, ratings=ratings)
        load.begin()
    except BaseException:
        transport.close()
        raise
    return load


class ScpiElectronicLoad(ScpiDriver):
    """`capabilities.ElectronicLoad` over an open transport; constructing it sends nothing."""

    kind = "electronic load"

    def __init__(self, transport: VisaTransport, *, clock: Clock, ratings: LoadRatings) -> None:
        super().__init__(transport, clock=clock)
        self._ratings = ratings
        self._reversed_at_last_call = False

    def arm_status(self) -> None:
        """Clear status and have a tripped protection and reverse voltage latched as events and summarised."""
        self._enable_questionable(1 << self._ratings.protection_bit | 1 << self._ratings.reverse_bit)
        self._reversed_at_last_call = False

    def draw_current(self, current_a: float) -> None:
        """Set constant current, 0 A to the rated current, and read mode and level back; the input stays as it is.

        Raises:
            RatingExceededError: outside the ratings; nothing was sent.
            SettingRefusedError: reads back differently.
        """
        self._check("current", current_a, self._ratings.max_current_a, "A")
        self._set_mode("CURR", current_a, CURRENT_RESOLUTION_A, "A")

    def draw_power(self, power_w: float) -> None:
        """Set constant power, 0 W to the rated power; raises as `draw_current`."""
        self._check("power", power_w, self._ratings.max_power_w, "W")
        self._set_mode("POW", power_w, POWER_RESOLUTION_W, "W")

    def draw_resistance(self, resistance_ohm: float) -> None:
        """Set constant resistance between the least and the most; raises as `draw_current`."""
        least_ohm, most_ohm = self._ratings.least_resistance_ohm, self._ratings.most_resistance_ohm
        if not least_ohm <= resistance_ohm <= most_ohm:  # also refuses NaN
            raise RatingExceededError(
                f"{self._transport.name} ({self._transport.address}): resistance {resistance_ohm:g} ohm lies outside "
                f"{least_ohm:g} to {most_ohm:g} ohm of the bench sheet; nothing was sent. Change the plan, or use "
                "another electronic load.",
                instrument=self._transport.name,
            )
        self._set_mode("RES", resistance_ohm, RESISTANCE_RESOLUTION_OHM, "ohm")

    def set_input(self, on: bool) -> None:
        """Switch the input and read its state back.

        Raises:
            SettingRefusedError: reads back differently, or refused (a tripped protection holds it off).
        """
        self._switch(self._ratings.input_header, "input", on=on)

    def measure_voltage(self) -> float:
        """Return what its own meter shows between its terminals, in volts."""
        return self._measure("VOLT")

    def measure_current(self) -> float:
        """Return what its own meter shows, in amperes."""
        return self._measure("CURR")

    def measure_power(self) -> float:
        """Return what its own meter shows, in watts."""
        return self._measure("POW")

    def status(self) -> LoadStatus:
        """Return the conditions now; reading clears the latched event.

        The event register latches the start of reverse voltage only. What stood at the last call and ended since was
        seen since that call; so does what a call that failed may have read and lost.
        """
        command = f"{self._ratings.input_header}?;:STAT:QUES:COND?;:STAT:QUES?"
        reversed_before = self._reversed_at_last_call
        self._reversed_at_last_call = True  # until the reply is in: a reading that fails may have cleared an event
        state, condition_text, event_text = self._exchange(command, 3)
        condition = self._parsed(scpi.parse_whole, command, condition_text)
        event = self._parsed(scpi.parse_whole, command, event_text)
        input_on = self._parsed(scpi.parse_switch, command, state)
        reverse = bool(condition >> self._ratings.reverse_bit & 1)
        latched = reverse or reversed_before or bool(event >> self._ratings.reverse_bit & 1)
        self._reversed_at_last_call = reverse
        return LoadStatus(
            input_on=input_on,
            protection_tripped=bool(condition >> self._ratings.protection_bit & 1),
            reversed_now=reverse,
            reversed_latched=latched,
        )

    def clear_protection(self) -> None:
        """Release a tripped protection; the input stays off until it is switched on."""
        command = f"{self._ratings.input_header}:PROT:CLE;:STAT:QUES:COND?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_whole, command, reply) >> self._ratings.protection_bit & 1:
            raise self._refused(command, reply, "a protection is still tripped")

    def make_safe(self) -> None:
        """Switch the input off and read it back as off; a second call does the same again.

        An entry in the error queue does not hide that the input reads back as off: it is logged.

        Raises:
            InstrumentError: whether the input is off is not known, or it is on.
        """
        self._prove_off(self._ratings.input_header, "input")

    def _set_mode(self, mode: str, level: float, resolution: float, unit: str) -> None:
        """Set level, then mode, so that no old level is drawn in a new mode; both are read back."""
        self._set(mode, level, resolution, unit)
        header = self._ratings.mode_header
        command = f"{header} {mode};:{header}?"
        (reply,) = self._exchange(command, 1)
        if not reply.strip().upper().startswith(mode):
            raise self._refused(command, reply, f"the mode reads back as {reply}")


if TYPE_CHECKING:
    _: type[ElectronicLoad] = ScpiElectronicLoad
