"""The host's end of the data-acquisition link: one request at a time, data frames handed on as they come."""

import logging
import threading
from collections.abc import Callable
from itertools import count
from typing import TypeVar

from instruments.clock import Clock
from instruments.daq_frames import Frame, FrameDecoder, encode_frame
from instruments.daq_messages import REQUEST_TAGS, Command, PayloadError, Refusal, Reply, decode_error
from instruments.errors import (
    InstrumentError,
    InstrumentTimeoutError,
    LateScheduleError,
    ProtocolError,
    SettingRefusedError,
)
from instruments.transports.serial_port import SerialPort, serial_errors

log = logging.getLogger(__name__)

POLL_S = 0.001  # between looks at the port while a reply is due
READ_BYTES = 256 * 1024  # at most in one read
SILENCE_S = 0.1  # a frame begun is given up after this long without a byte
MAX_DRAIN_BYTES = 8 * 1024 * 1024  # at one go, so that a drain always returns

_ERRORS: dict[int, type[InstrumentError]] = {
    Refusal.LATE_SCHEDULE: LateScheduleError,
    Refusal.UNKNOWN_COMMAND: ProtocolError,
    Refusal.BAD_PAYLOAD: ProtocolError,
}  # every other refusal is a SettingRefusedError

T = TypeVar("T")


class DaqLink:
    """Requests and replies over an open port; `take_data` gets every data frame, in the order they came.

    Attributes:
        lock: guards port and decoder; whoever shares state with `take_data` takes it too.
        decoder: counts what was broken or missing on the line.
    """

    def __init__(
        self,
        *,
        port: SerialPort,
        clock: Clock,
        name: str,
        time_out_s: float,
        take_data: Callable[[Frame], None],
    ) -> None:
        if port.timeout != 0:
            raise ValueError("reads of this port would wait on their own clock; open it with `timeout=0`")
        self.lock = threading.RLock()
        self.decoder = FrameDecoder()
        self._port = port
        self._clock = clock
        self._name = name
        self._time_out_s = time_out_s
        self._take_data = take_data
        self._tags = count(1)
        self._awaited: int | None = None  # tag of the request under way
        self._reply: Frame | None = None

    def ask(self, command: Command, decode: Callable[[memoryview], T], payload: bytes = b"") -> T:
        """Send a command and return what its acknowledgement says.

        Raises:
            ProtocolError: the acknowledgement is not of the right shape.
            InstrumentError: as `request`.
        """
        return self._decoded(command, decode, self.request(command, payload))

    def request(self, command: Command, payload: bytes = b"", *, expected: Refusal | None = None) -> memoryview:
        """Send a command and return its acknowledgement; an `expected` refusal counts as an empty one.

        Raises:
            LateScheduleError: a sample index already taken.
            SettingRefusedError: any other refusal.
            ProtocolError: the device does not know this command or its shape.
            InstrumentTimeoutError: no reply in time.
            InstrumentLostError: the port is gone.
        """
        with self.lock:
            tag = next(self._tags) % REQUEST_TAGS
            self._awaited, self._reply = tag, None
            try:
                with serial_errors(self._name, command.name):
                    self._port.write(encode_frame(command, sequence=tag, tag=tag, payload=payload))
                reply = self._wait_for_reply(command)
            finally:
                self._awaited = None
        if reply.kind == Reply.ACKNOWLEDGE:
            log.debug("%s: %s %d acknowledged", self._name, command.name, tag)
            return reply.payload
        code, text = self._decoded(command, decode_error, reply.payload)
        if code == expected:
            return memoryview(b"")
        message = f"{self._name} refused {command.name}: {text} (code {code})."
        kind = _ERRORS.get(code, SettingRefusedError)
        raise kind(message, instrument=self._name, command=command.name, reply=f"{code} {text}")

    def take_waiting(self) -> None:
        """Take in what waits at the port, never waiting; nothing while this very thread awaits a reply.

        Raises:
            InstrumentLostError: the port is gone.
        """
        with self.lock:
            if self._awaited is not None:  # a simulated clock drains from inside that wait, which reads by itself
                return
            self._read("drain")

    def close(self) -> None:
        """Close the port.

        Raises:
            InstrumentLostError: it was gone already.
        """
        with self.lock, serial_errors(self._name, "close"):
            self._port.close()

    def _wait_for_reply(self, command: Command) -> Frame:
        heard_s = self._clock.monotonic_s()
        deadline_s = heard_s + self._time_out_s
        while True:
            n_bytes = self._read(command.name)
            now_s = self._clock.monotonic_s()
            if n_bytes:
                heard_s = now_s
            elif now_s - heard_s >= SILENCE_S:
                self._sort(self.decoder.give_up_unfinished())
            if self._reply is not None:
                return self._reply
            if now_s >= deadline_s:
                message = f"{self._name}: no reply to {command.name} within {self._time_out_s} s."
                hint = "Check cable and power; a reply broken on the way counts as none."
                raise InstrumentTimeoutError(f"{message} {hint}", instrument=self._name, command=command.name)
            self._clock.sleep_s(POLL_S)

    def _read(self, command: str) -> int:
        """Take in what waits at the port; return how many bytes that was.

        It reads until less comes than it asked for rather than asking how much waits: over TCP pyserial answers 1 at
        most.
        """
        n_bytes = 0
        while n_bytes < MAX_DRAIN_BYTES:
            with serial_errors(self._name, command):
                data = self._port.read(READ_BYTES)
            n_bytes += len(data)
            if data:
                self._sort(self.decoder.feed(data))
            if len(data) < READ_BYTES:
                break
        return n_bytes

    def _sort(self, frames: list[Frame]) -> None:
        for frame in frames:
            if frame.kind == Reply.DATA:
                self._take_data(frame)
            elif frame.tag == self._awaited and frame.kind in {Reply.ACKNOWLEDGE, Reply.ERROR}:
                self._reply = frame
            else:
                log.debug("%s: frame %#x with tag %d belongs to nothing", self._name, frame.kind, frame.tag)

    def _decoded(self, command: Command, decode: Callable[[memoryview], T], payload: memoryview) -> T:
        try:
            return decode(payload)
        except PayloadError as error:
            message = f"{self._name}: reply to {command.name} is not of its shape: {error}. Update its firmware."
            raise ProtocolError(
                message, instrument=self._name, command=command.name, reply=bytes(payload[:64]).hex(" ")
            ) from error
