"""What drivers of SCPI instruments share: one message a call, settings read back, the error queue read after each.

Ratings are checked before anything is sent. Who derives from it gives `kind` and `make_safe`.
"""

import logging
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import ClassVar, Self, TypeVar

from instruments import scpi
from instruments.capabilities import Identity
from instruments.clock import Clock
from instruments.errors import (
    InstrumentError,
    InstrumentTimeoutError,
    ProtocolError,
    RatingExceededError,
    SettingRefusedError,
)
from instruments.transports.visa import VisaTransport

_log = logging.getLogger(__name__)

T = TypeVar("T")


class ScpiDriver(ABC):
    """A SCPI instrument over an open transport; constructing it sends nothing.

    Every method raises `InstrumentTimeoutError` or `InstrumentLostError` when the link fails, `ProtocolError`
    when a reply is not what was asked for, and `SettingRefusedError` when the error queue held an entry.
    """

    kind: ClassVar[str]  # what messages call an instrument of this kind

    def __init__(self, transport: VisaTransport, *, clock: Clock) -> None:
        self._transport = transport
        self._clock = clock
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

    def begin(self) -> None:
        """Prove that a SCPI instrument answers, and arm its status registers; neither state nor settings are touched.

        Raises:
            InstrumentError: nothing answers, or something else does, or the registers can't be armed.
        """
        identity, version = self.identify(), self.read_scpi_version()
        self.arm_status()
        name, address = self._transport.name, self._transport.address
        _log.info("%s (%s): %s, SCPI %s", name, address, identity, version)

    @abstractmethod
    def arm_status(self) -> None:
        """Clear status and have what matters latched as events."""
        ...

    @abstractmethod
    def make_safe(self) -> None:
        """Leave nothing flowing, and prove it."""
        ...

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

    def _enable_questionable(self, wanted: int) -> None:
        """Clear status and have these bits of STATus:QUEStionable summarised; the enable register is read back."""
        command = f"STAT:PRES;*CLS;:STAT:QUES:ENAB {wanted};:STAT:QUES:ENAB?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_whole, command, reply) != wanted:
            raise self._refused(command, reply, f"status bits {wanted} read back as {reply}")

    def _switch(self, header: str, what: str, *, on: bool) -> None:
        """Switch something on or off, and read it back."""
        command = f"{header} {'ON' if on else 'OFF'};:{header}?"
        (reply,) = self._exchange(command, 1)
        if self._parsed(scpi.parse_switch, command, reply) is not on:
            raise self._refused(command, reply, f"the {what} reads back as {'off' if on else 'on'}")

    def _prove_off(self, header: str, what: str) -> None:
        """Switch something off and read it back as off, whatever stands in the error queue: that is logged.

        The command first goes out without waiting for an answer, so that it reaches an instrument that only listens.
        """
        try:
            self._transport.write(f"{header} OFF")
        except InstrumentError as error:
            _log.warning("%s", error)  # the query below fails likewise, or proves that all is well
        command = f"{header} OFF;:{header}?"
        reply = self._transport.query(command)
        if self._parsed(scpi.parse_switch, command, reply):
            raise self._refused(command, reply, f"the {what} reads back as on")
        for entry in self._drain():
            _log.warning("%s (%s): stood in the error queue: %s", self._transport.name, self._transport.address, entry)

    def _measure(self, header: str) -> float:
        """Return what the instrument's own meter shows."""
        command = f"MEAS:{header}?"
        (reply,) = self._exchange(command, 1)
        return self._parsed(scpi.parse_number, command, reply)

    def _set(self, header: str, value: float, resolution: float, unit: str) -> None:
        command = f"{header} {scpi.format_number(value)};:{header}?"
        (reply,) = self._exchange(command, 1)
        # A setting rounded to the instrument's steps is the same setting; a hair is left for binary fractions.
        if not abs(self._parsed(scpi.parse_number, command, reply) - value) <= resolution * 1.000001:
            raise self._refused(command, reply, f"set {value:g} {unit}, reads back {reply} {unit}")

    def _check(self, what: str, value: float, highest: float, unit: str) -> None:
        if not 0.0 <= value <= highest:  # also refuses NaN
            raise self._beyond(f"{what} {value:g} {unit}", f"0 to {highest:g} {unit}")

    def _beyond(self, asked: str, rated: str) -> RatingExceededError:
        return RatingExceededError(
            f"{self._transport.name} ({self._transport.address}): {asked} lies outside {rated} of the bench sheet; "
            f"nothing was sent. Change the plan, or use another {self.kind}.",
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
            f"Check the {self.kind}'s front panel, its range and its protection against the bench sheet.",
            instrument=self._transport.name,
            command=command,
            reply=reply,
        )


def _listed(entries: tuple[scpi.ErrorEntry, ...]) -> str:
    return "; ".join(str(entry) for entry in entries)
