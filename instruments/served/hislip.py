"""A SCPI instrument over HiSLIP (IVI-6.1, revision 1.0, synchronized mode): what most bench instruments offer on a LAN.

Two connections make one session: messages go over the synchronous one, clear, status and sizes over the
asynchronous one. Served are Initialize, AsyncInitialize, AsyncMaximumMessageSize, Data, DataEnd, Trigger (ignored),
the device clear, AsyncStatusQuery and locks (always granted: there is one client).
What it does not model: overlap mode, service requests, remote and local, TLS.
"""

import asyncio
import contextlib
import struct
from enum import IntEnum
from typing import NamedTuple

from instruments.served.listening import LOOPBACK, Listening
from instruments.served.world import World
from instruments.simulated.visa_library import MessageDevice

_HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, payload length (IVI-6.1, table 2)
PROLOGUE = b"HS"
PROTOCOL_VERSION = 0x0100
VENDOR = int.from_bytes(b"BX", "big")
MOST_BYTES = 1 << 20
SUB_ADDRESS = "hislip0"


class Kind(IntEnum):
    """Message types (IVI-6.1, table 4)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    TRIGGER = 12
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23


POORLY_FORMED_HEADER, TOO_MANY_CLIENTS = 1, 4  # fatal errors (IVI-6.1, table 14)
UNRECOGNIZED_TYPE = 1  # an error (IVI-6.1, table 16)


class Message(NamedTuple):
    """One HiSLIP message."""

    kind: int
    control: int
    parameter: int
    payload: bytes


class HislipServer(Listening):
    """Serves one device to one client."""

    def __init__(self, device: MessageDevice, world: World) -> None:
        super().__init__()
        self._device = device
        self._world = world
        self._session = 0
        self._clearing = False

    @property
    def resource(self) -> str:
        """The VISA address that reaches it."""
        return f"TCPIP0::{LOOPBACK}::{SUB_ADDRESS},{self.port}::INSTR"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer), contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
            first = await _read(reader)
            if first.kind == Kind.INITIALIZE:
                if self._taken:
                    await _send(writer, Kind.FATAL_ERROR, TOO_MANY_CLIENTS, 0, b"another client is connected")
                    return
                await self._synchronous(reader, writer)
            elif first.kind == Kind.ASYNC_INITIALIZE and first.parameter == self._session and self._taken:
                await _send(writer, Kind.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR)
                await self._asynchronous(reader, writer)
            else:
                await _send(writer, Kind.FATAL_ERROR, POORLY_FORMED_HEADER, 0, b"Initialize comes first")

    async def _synchronous(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._taken = True
        self._session = (self._session + 1) & 0xFFFF
        answering: asyncio.Task[None] | None = None
        try:
            await _send(writer, Kind.INITIALIZE_RESPONSE, 0, PROTOCOL_VERSION << 16 | self._session)
            whole = b""
            while True:
                message = await _read(reader)
                if message.kind in {Kind.DATA, Kind.DATA_END}:
                    whole += message.payload
                    if message.kind == Kind.DATA_END and not self._clearing:
                        self._device.receive(whole, now_ns=self._world.catch_up(), stream=False)
                        if answering is not None:
                            answering.cancel()
                        answering = asyncio.create_task(self._answer(writer, message.parameter))
                    whole = b"" if message.kind == Kind.DATA_END else whole
                elif message.kind == Kind.DEVICE_CLEAR_COMPLETE:
                    whole, self._clearing = b"", False
                    await _send(writer, Kind.DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
                elif message.kind != Kind.TRIGGER:
                    await _send(writer, Kind.ERROR, UNRECOGNIZED_TYPE, 0, b"no such message on this connection")
        finally:
            if answering is not None:
                answering.cancel()
            self._device.clear(now_ns=self._world.catch_up(), stream=False)
            self._taken = self._clearing = False

    async def _answer(self, writer: asyncio.StreamWriter, message_id: int) -> None:
        """Send the replies to one message, each once the instrument has it."""
        replies = self._device.replies
        while replies:
            reply = replies[0]
            await self._world.until(reply.ready_ns)
            if not replies or replies[0] is not reply:  # cleared meanwhile
                return
            replies.popleft()
            for first in range(0, len(reply.data), MOST_BYTES):
                part = bytes(reply.data[first : first + MOST_BYTES])
                kind = Kind.DATA_END if first + MOST_BYTES >= len(reply.data) else Kind.DATA
                await _send(writer, kind, 0, message_id, part)

    async def _asynchronous(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            message = await _read(reader)
            if message.kind == Kind.ASYNC_MAXIMUM_MESSAGE_SIZE:
                size = struct.pack("!Q", MOST_BYTES)
                await _send(writer, Kind.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0, 0, size)
            elif message.kind == Kind.ASYNC_DEVICE_CLEAR:
                self._clearing = True
                self._device.clear(now_ns=self._world.catch_up(), stream=False)
                await _send(writer, Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
            elif message.kind == Kind.ASYNC_STATUS_QUERY:
                self._world.catch_up()
                await _send(writer, Kind.ASYNC_STATUS_RESPONSE, self._device.status_byte(), 0)
            elif message.kind == Kind.ASYNC_LOCK:
                await _send(writer, Kind.ASYNC_LOCK_RESPONSE, 1, 0)
            else:
                await _send(writer, Kind.ERROR, UNRECOGNIZED_TYPE, 0, b"no such message on this connection")


async def _read(reader: asyncio.StreamReader) -> Message:
    """Return the next message.

    Raises:
        ConnectionError: what came is no HiSLIP message, or a longer one than was agreed.
        asyncio.IncompleteReadError: the client left.
    """
    prologue, kind, control, parameter, length = _HEADER.unpack(await reader.readexactly(_HEADER.size))
    if prologue != PROLOGUE or length > MOST_BYTES:
        raise ConnectionError("no HiSLIP message")
    return Message(kind, control, parameter, await reader.readexactly(length))


async def _send(writer: asyncio.StreamWriter, kind: Kind, control: int, parameter: int, payload: bytes = b"") -> None:
    writer.write(_HEADER.pack(PROLOGUE, kind, control, parameter, len(payload)) + payload)
    await writer.drain()
