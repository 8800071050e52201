"""One open PyVISA message-based resource, as a driver of a SCPI instrument sees it.

Text and blocks go out and come back under one lock; every exception of PyVISA, its backends and the operating
system leaves here as an `InstrumentError`. A reply that was not read to its end (time-out, interrupt) never
becomes the answer to a later query: the next query first proves that link and instrument are in step again.
"""

import contextlib
import logging
import threading
from collections.abc import Iterator
from typing import Self

import pyvisa
from pyvisa import errors as visa_errors
from pyvisa.constants import BufferOperation, StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument, TCPIPSocket

from instruments import scpi
from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, ProtocolError

_log = logging.getLogger(__name__)

CHUNK_BYTES = 1 << 20  # measured best over sockets, VXI-11, HiSLIP and USB; 8 MiB is slower again
STALE_REPLIES_AT_MOST = 8
QUIET_S = 0.1  # a socket that gives nothing for so long holds nothing
DISCARDED_AT_MOST = 1000  # reads

# What PyVISA, its backends (serial and USB errors are OSErrors) and the operating system raise.
_FOREIGN = (visa_errors.Error, visa_errors.VisaIOWarning, OSError, RuntimeError, ValueError, EOFError)

_DAMAGED = frozenset(
    {
        StatusCode.error_serial_framing,
        StatusCode.error_serial_overrun,
        StatusCode.error_serial_parity,
        StatusCode.error_input_protocol_violation,
        StatusCode.error_output_protocol_violation,
        StatusCode.error_raw_read_protocol_violation,
        StatusCode.error_raw_write_protocol_violation,
    }
)
_NOT_SUPPORTED = frozenset({StatusCode.error_nonsupported_operation, StatusCode.error_nonimplemented_operation})


@contextlib.contextmanager
def translated_errors(*, name: str, address: str, command: str, time_out_s: float) -> Iterator[None]:
    """Turn foreign exceptions into `InstrumentError`s that name instrument, address, command and what to check.

    Raises:
        InstrumentTimeoutError: no answer in time.
        ProtocolError: characters were damaged or out of order on the link.
        InstrumentLostError: anything else; the link can't be used.
    """
    try:
        yield
    except InstrumentError:
        raise  # some of them are OSErrors too; said once is enough
    except _FOREIGN as error:
        doing = f'"{command}"' if command else "opening"
        if _is_time_out(error):
            raise InstrumentTimeoutError(
                f"{name} ({address}): no answer to {doing} within {time_out_s:g} s. "
                "Check that it is on, its cable, and that no other program uses it.",
                instrument=name,
                command=command,
            ) from error
        if isinstance(error, visa_errors.VisaIOWarning) or _status(error) in _DAMAGED:
            raise ProtocolError(
                f"{name} ({address}): {doing}: characters were damaged on the link: {error}. "
                "Check cable, earth, baud rate and parity.",
                instrument=name,
                command=command,
            ) from error
        raise InstrumentLostError(
            f"{name} ({address}): {doing}: the link can't be used: {type(error).__name__}: {error}. "
            "Check the address in the bench sheet, the cable, access rights, and that it is on.",
            instrument=name,
            command=command,
        ) from error


def _status(error: BaseException) -> int | None:
    return error.error_code if isinstance(error, visa_errors.VisaIOError) else None


def _is_time_out(error: BaseException) -> bool:
    return isinstance(error, TimeoutError) or _status(error) == StatusCode.error_timeout


def open_visa(
    resource_name: str, *, resource_manager: pyvisa.ResourceManager, name: str, time_out_s: float
) -> "VisaTransport":
    """Open a resource. On sockets this succeeds with nobody there: only a first query proves a link.

    Args:
        resource_name: VISA address, as `TCPIP0::10.0.0.5::inst0::INSTR`.
        resource_manager: PyVISA's; stays open when the transport closes, others may use it.
        name: what messages call the instrument.
        time_out_s: for each exchange, in seconds, at least 1 ms.

    Raises:
        InstrumentLostError: nothing there, or not a message-based resource.
        ValueError: a time-out below 1 ms.
    """
    if not time_out_s >= 0.001:
        raise ValueError(f"{name}: a time-out is at least 0.001 s, not {time_out_s:g} s")
    with translated_errors(name=name, address=resource_name, command="", time_out_s=time_out_s):
        resource = resource_manager.open_resource(resource_name)
    if not isinstance(resource, MessageBasedResource):
        resource.close()
        raise InstrumentLostError(
            f"{name} ({resource_name}): not an address of an instrument that takes messages. "
            "Correct the address in the bench sheet.",
            instrument=name,
        )
    try:
        return VisaTransport(resource, name=name, address=resource_name, time_out_s=time_out_s)
    except BaseException:
        resource.close()
        raise


def _message(command: str) -> bytes:
    if "\n" in command or not command.isascii():
        raise ValueError(f"{command!r} is not one line of ASCII")
    return command.encode("ascii") + b"\n"


class VisaTransport:
    """Text, numbers and blocks over one resource; safe to share between threads."""

    def __init__(self, resource: MessageBasedResource, *, name: str, address: str, time_out_s: float) -> None:
        self.name = name
        self.address = address
        self.time_out_s = time_out_s
        self._resource = resource
        # A link that can mark the end of a message needs no termination character, and is much faster without.
        self._marks_end = not isinstance(resource, (SerialInstrument, TCPIPSocket))
        self._lock = threading.RLock()
        self._in_step = False  # an earlier session may have left a reply unread
        self._token = 0
        with self._translated(""):
            resource.timeout = time_out_s * 1000.0
            resource.read_termination = None if self._marks_end else "\n"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def write(self, command: str) -> None:
        """Send a command that has no reply. Goes out even when link and instrument are out of step."""
        message = _message(command)
        with self._lock, self._translated(command):
            self._resource.write_raw(message)

    def query(self, command: str) -> str:
        """Send a command and return its reply without surrounding white space.

        Raises:
            InstrumentTimeoutError: no reply in time.
            InstrumentLostError: the link is gone.
            ProtocolError: the reply is not ASCII, or link and instrument don't come into step.
        """
        message = _message(command)
        with self._lock:
            if not self._in_step:
                self.resync()
            self._in_step = False
            with self._translated(command):
                self._resource.write_raw(message)
                reply = self._resource.read_raw()
            self._in_step = True
        return self._text(command, reply)

    def query_block(self, command: str) -> bytes:
        """Send a command and return the contents of the block it answers with.

        Raises:
            ProtocolError: the reply is not a block.
            InstrumentTimeoutError: the block is shorter than it says.
            InstrumentLostError: the link is gone.
        """
        message = _message(command)
        with self._lock:
            if not self._in_step:
                self.resync()
            self._in_step = False
            try:
                with self._translated(command):
                    self._resource.read_termination = None
                    self._resource.write_raw(message)
                with self._protocol(command):
                    payload = scpi.read_block(
                        lambda count: self._read_exactly(command, count),
                        (lambda: self._read_to_end(command)) if self._marks_end else None,
                    )
            finally:
                with self._translated(command):
                    self._resource.read_termination = None if self._marks_end else "\n"
            self._in_step = True
        return payload

    def distrust(self) -> None:
        """Have the next query resync first: a reply came that makes no sense, more of it may be on its way."""
        with self._lock:
            self._in_step = False

    def resync(self) -> tuple[scpi.ErrorEntry, ...]:
        """Discard unread replies, prove with a token that the next reply is the next query's, empty the error queue.

        The token is a number that changes every time, written to the event status enable register and read
        back together with the identity: no reply to another query looks like that. The register ends as 0.

        Returns: what stood in the error queue; also logged.

        Raises:
            InstrumentTimeoutError: no reply to the token either.
            InstrumentLostError: the link is gone.
            ProtocolError: only other replies came.
        """
        with self._lock:
            self._in_step = False
            self._token = self._token % 255 + 1
            probe = f"*ESE {self._token};*ESE?;*IDN?"
            with self._translated(probe):
                self._discard()
                self._resource.write_raw(_message(probe))
            for _ in range(STALE_REPLIES_AT_MOST):
                with self._translated(probe):
                    reply = self._resource.read_raw().decode("latin-1")
                if reply.startswith(f"{self._token};") and reply.count(",") >= 3:
                    break
            else:
                raise ProtocolError(
                    f'{self.name} ({self.address}): "{probe}": only other replies came, last {reply!r}. '
                    "Check the address: is this a SCPI instrument?",
                    instrument=self.name,
                    command=probe,
                    reply=reply,
                )
            self._in_step = True
            self.write("*ESE 0")
            with self._protocol("SYST:ERR?"):
                entries = tuple(scpi.drain_errors(self.query))
        for entry in entries:
            _log.warning("%s (%s): stood in the error queue: %s", self.name, self.address, entry)
        return entries

    def close(self) -> None:
        """Close the resource; a second call does nothing.

        Raises:
            InstrumentLostError: the link failed on closing.
        """
        with self._lock, self._translated("(close)"):
            self._resource.close()

    def _read_exactly(self, command: str, count: int) -> bytes:
        with self._translated(command):
            return self._resource.read_bytes(count, chunk_size=CHUNK_BYTES)

    def _read_to_end(self, command: str) -> bytes:
        with self._translated(command):
            return self._resource.read_raw(CHUNK_BYTES)

    def _discard(self) -> None:
        if isinstance(self._resource, TCPIPSocket):
            self._read_away()
            return
        try:
            self._resource.clear()
        except NotImplementedError:
            self._flush()
        except visa_errors.VisaIOError as error:
            if error.error_code not in _NOT_SUPPORTED:
                raise
            self._flush()

    def _read_away(self) -> None:
        """Take what a socket still holds: pyvisa-py's own clear never ends once the other side has closed."""
        self._resource.timeout = 1000.0 * min(QUIET_S, self.time_out_s)
        try:
            for _ in range(DISCARDED_AT_MOST):
                self._resource.read_raw()
        except visa_errors.VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise
        finally:
            self._resource.timeout = 1000.0 * self.time_out_s

    def _flush(self) -> None:
        # Serial ports and some USB backends can't clear a device. The token alone finds the step again
        # where not even the receive buffer can be emptied.
        with contextlib.suppress(NotImplementedError, visa_errors.VisaIOError):
            self._resource.flush(BufferOperation.discard_read_buffer)

    def _text(self, command: str, reply: bytes) -> str:
        with self._protocol(command, reply=repr(reply)):
            return reply.decode("ascii").strip()

    def _translated(self, command: str) -> contextlib.AbstractContextManager[None]:
        return translated_errors(name=self.name, address=self.address, command=command, time_out_s=self.time_out_s)

    @contextlib.contextmanager
    def _protocol(self, command: str, reply: str = "") -> Iterator[None]:
        try:
            yield
        except ValueError as error:
            if isinstance(error, InstrumentError):
                raise
            raise ProtocolError(
                f'{self.name} ({self.address}): "{command}": {error}. Check model and firmware in the bench sheet.',
                instrument=self.name,
                command=command,
                reply=reply,
            ) from error
