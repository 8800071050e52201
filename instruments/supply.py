"""Driver of a programmable DC supply that speaks SCPI-1999 (volume 2 commands, volume 4 instrument class).

Each call is one message: set, read back and one reading of the error queue travel together, so that the frequent
case costs one exchange. Ratings are checked before anything is sent. Status bits differ between makers
and come from the bench sheet.
"""

import logging
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self, TypeVar

import pyvisa

from instruments import scpi
from instruments.capabilities import Identity, PowerSupply, SupplyStatus
from instruments.clock import Clock
from instruments.errors import (
    InstrumentError,
    InstrumentTimeoutError,
    ProtocolError,
    RatingExceededError,
    SettingRefusedError,
)
from instruments.transports.visa import VisaTransport, open_visa

_log = logging.getLogger(__name__)

T = TypeVar("T")

# The largest difference between a setting and its read-back that is still the same setting.
VOLTAGE_RESOLUTION_V = 0.001
CURRENT_RESOLUTION_A = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyRatings:
    """What the bench sheet allows, and where this model's status bits stand."""

    max_voltage_v: float
    max_current_a: float
    limiting_bit: int  # of STATus:QUEStionable, 0 to 14: the output limits current
    overvoltage_bit: int  # same: overvoltage protection has tripped

    def __post_init__(self) -> None:
        for bit in (self.limiting_bit, self.overvoltage_bit):
            if not 0 <= bit <= 14:
                raise ValueError(f"a bit of STATus:QUEStionable lies between 0 and 14, not {bit}")
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
        identity = supply.identify()
        version = supply.read_scpi_version()
        supply.arm_status()
    except BaseException:
        transport.close()
        raise
    _log.info("%s (%s): %s, SCPI %s", name, resource_name, identity, version)
    return supply


class ScpiSupply:
    """`capabilities.PowerSupply` over an open transport; constructing it sends nothing.

    Every method raises `InstrumentTimeoutError` or `InstrumentLostError` when the link fails, `ProtocolError`
    when a reply is not what was asked for, and `SettingRefusedError` when the error queue held an entry.
    """

    def __init__(self, transport: VisaTransport, *, clock: Clock, ratings: SupplyRatings) -> None:
        self._transport = transport
        self._clock = clock
        self._ratings = ratings
        self._limited_at_last_call = False
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def identify(self) -> Identity:
        """Return who answers to `*IDN?`."""
        reply = self._transport.query("*IDN?")  # alone: nothing may follow it in a message (IEEE 488.2, 10.14)
        return self._parsed(scpi.parse_identity, "*IDN?", reply)

    def read_scpi_version(self) -> float:
        """Return the year of the standard it claims, such as 1999.0 (`SYSTem:VERSion?`)."""
        (reply,) = self._exchange("SYST:VERS?", 1)
        version = self._parsed(scpi.parse_number, "SYST:VERS?", reply)
        if version < 1990.0:
            raise self._unexpected("SYST:VERS?", reply, "no version of SCPI; is the address right?")
        return version

    def arm_status(self) -> None:
        """Clear status and have limiting and overvoltage latched as events and summarised."""
        wanted = 1 << self._ratings.limiting_bit | 1 << self._ratings.overvoltage_bit
        command = f"STAT:PRES;*CLS;:STAT:QUES:ENAB {wanted};:STAT:QUES:ENAB?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_whole, command, reply) != wanted:
            raise self._refused(command, reply, f"status bits {wanted} read back as {reply}")
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
        command = f"OUTP {'ON' if on else 'OFF'};:OUTP?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_switch, command, reply) is not on:
            raise self._refused(command, reply, f"the output reads back as {'off' if on else 'on'}")

    def measure_voltage(self) -> float:
        """Return what its own meter shows, in volts."""
        (reply,) = self._exchange("MEAS:VOLT?", 1)
        return self._parsed(scpi.parse_number, "MEAS:VOLT?", reply)

    def measure_current(self) -> float:
        """Return what its own meter shows, in amperes."""
        (reply,) = self._exchange("MEAS:CURR?", 1)
        return self._parsed(scpi.parse_number, "MEAS:CURR?", reply)

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

    def make_safe(self) -> None:
        """Switch the output off and read it back as off; a second call does the same again.

        The command first goes out without waiting for an answer, so that it reaches a supply that only listens.
        An entry in the error queue does not hide that the output reads back as off: it is logged.

        Raises:
            InstrumentError: whether the output is off is not known, or it is on.
        """
        try:
            self._transport.write("OUTP OFF")
        except InstrumentError as error:
            _log.warning("%s", error)  # the query below fails likewise, or proves that all is well
        command = "OUTP OFF;:OUTP?"
        reply = self._transport.query(command)
        if self._parsed(scpi.parse_switch, command, reply):
            raise self._refused(command, reply, "the output reads back as on")
        for entry in self._drain():
            _log.warning("%s (%s): stood in the error queue: %s", self._transport.name, self._transport.address, entry)

    def close(self) -> None:
        """Make safe and close the link, even if making safe fails; a second call does nothing.

        Raises:
            InstrumentError: as `make_safe`.
        """
        if self._closed:
            return
        self._closed = True
        try:
            self.make_safe()
        finally:
            self._transport.close()

    def _set(self, header: str, value: float, resolution: float, unit: str) -> None:
        command = f"{header} {scpi.format_number(value)};:{header}?"
        (reply,) = self._exchange(command, 1)
        # A setting rounded to the instrument's steps is the same setting; a hair is left for binary fractions.
        if not abs(self._parsed(scpi.parse_number, command, reply) - value) <= resolution * 1.000001:
            raise self._refused(command, reply, f"set {value:g} {unit}, reads back {reply} {unit}")

    def _check(self, what: str, value: float, highest: float, unit: str) -> None:
        if not 0.0 <= value <= highest:  # also refuses NaN
            raise RatingExceededError(
                f"{self._transport.name} ({self._transport.address}): {what} {value:g} {unit} lies outside 0 to "
                f"{highest:g} {unit} of the bench sheet; nothing was sent. Change the plan, or use another supply.",
                instrument=self._transport.name,
            )

    def _exchange(self, command: str, n_replies: int) -> list[str]:
        """Send `command` with a reading of the error queue after it; return its replies, the queue being empty."""
        message = f"{command};:SYST:ERR?"
        try:
            reply = self._transport.query(message)
        except InstrumentTimeoutError as error:
            # An instrument that gives up at a command it doesn't know answers nothing; its queue says why.
            entries = self._entries_after_time_out()
            if entries:
                raise self._refused(command, "", _listed(entries)) from error
            raise
        _log.debug("%.6f s: %s: %s: %s", self._clock.monotonic_s(), self._transport.name, message, reply)
        *replies, last = scpi.split_replies(reply)
        entry = self._parsed(scpi.parse_error_entry, message, last)
        if entry.number != 0:
            raise self._refused(command, reply, _listed((entry, *self._drain())))
        if len(replies) != n_replies:
            raise self._unexpected(message, reply, f"{len(replies)} replies instead of {n_replies}")
        return replies

    def _entries_after_time_out(self) -> tuple[scpi.ErrorEntry, ...]:
        try:
            return self._transport.resync()
        except InstrumentError as error:
            _log.warning("%s", error)  # the time-out that led here is the better report
            return ()

    def _drain(self) -> list[scpi.ErrorEntry]:
        try:
            return scpi.drain_errors(self._transport.query)
        except InstrumentError:
            raise
        except ValueError as error:
            raise self._unexpected("SYST:ERR?", "", str(error)) from error

    def _parsed(self, parse: Callable[[str], T], command: str, reply: str) -> T:
        try:
            return parse(reply)
        except ValueError as error:
            raise self._unexpected(command, reply, str(error)) from error

    def _unexpected(self, command: str, reply: str, why: str) -> ProtocolError:
        self._transport.distrust()
        return ProtocolError(
            f'{self._transport.name} ({self._transport.address}): "{command}" was answered by {reply!r}: {why}. '
            "Check address, model and firmware against the bench sheet.",
            instrument=self._transport.name,
            command=command,
            reply=reply,
        )

    def _refused(self, command: str, reply: str, why: str) -> SettingRefusedError:
        return SettingRefusedError(
            f'{self._transport.name} ({self._transport.address}): "{command}" was refused: {why}. '
            "Check the supply's front panel, its range and its protection against the bench sheet.",
            instrument=self._transport.name,
            command=command,
            reply=reply,
        )


def _listed(entries: tuple[scpi.ErrorEntry, ...]) -> str:
    return "; ".join(str(entry) for entry in entries)


if TYPE_CHECKING:
    _: type[PowerSupply] = ScpiSupply
