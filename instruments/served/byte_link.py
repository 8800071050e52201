"""A serial device on a TCP socket (pyserial's `socket://`) or on a pseudo-terminal, in wall time.

One client at a time. What it does not model: the pace of a line; a socket has none, and neither has USB.
"""

import asyncio
import contextlib
import os

from instruments.served.listening import LOOPBACK, READ_BYTES, Listening
from instruments.served.world import World
from instruments.simulated.serial_link import SerialDevice


class ByteSocket(Listening):
    """Serves one device on loopback."""

    def __init__(self, device: SerialDevice, world: World) -> None:
        super().__init__()
        self._device = device
        self._world = world

    @property
    def url(self) -> str:
        """The pyserial URL that reaches it."""
        return f"socket://{LOOPBACK}:{self.port}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer):
            if self._taken:
                return
            self._taken = True
            sending = asyncio.create_task(self._send(writer))
            try:
                with contextlib.suppress(ConnectionError):
                    while data := await reader.read(READ_BYTES):
                        self._world.catch_up()
                        self._device.take_from_host(data)
                        self._hand_on(writer)
            finally:
                sending.cancel()
                self._taken = False

    async def _send(self, writer: asyncio.StreamWriter) -> None:
        """Send what the device has to say, as it comes."""
        with contextlib.suppress(ConnectionError):
            while True:
                self._hand_on(writer)
                await writer.drain()
                await self._world.tick()

    def _hand_on(self, writer: asyncio.StreamWriter) -> None:
        if n_bytes := self._device.waiting_bytes():
            writer.write(self._device.give_to_host(n_bytes))


class ByteTerminal:
    """Serves one device on a pseudo-terminal; `url` is the path of its client's end.

    Raises:
        OSError: this system has none; `ByteTerminal.possible` says so beforehand.
    """

    possible = hasattr(os, "openpty")

    def __init__(self, device: SerialDevice, world: World) -> None:
        import tty  # noqa: PLC0415  (not on every system)

        self._device = device
        self._world = world
        self._ours, self._theirs = os.openpty()  # theirs stays open, or the terminal dies between two clients
        tty.setraw(self._ours)
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.url = os.ttyname(self._theirs)
        self._unsent = b""
        self._sending: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin to listen, in the running event loop."""
        asyncio.get_running_loop().add_reader(self._ours, self._take)
        self._sending = asyncio.create_task(self._send())

    def close(self) -> None:
        """Give the terminal up."""
        if self._sending is not None:
            self._sending.cancel()
            asyncio.get_running_loop().remove_reader(self._ours)
        os.close(self._ours)
        os.close(self._theirs)

    def _take(self) -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._ours, READ_BYTES)
            self._world.catch_up()
            self._device.take_from_host(data)
            self._hand_on()

    async def _send(self) -> None:
        while True:
            self._hand_on()
            await self._world.tick()

    def _hand_on(self) -> None:
        """Write as much as the terminal takes; the rest waits in the device, which loses samples beyond its buffer."""
        if not self._unsent:
            self._unsent = self._device.give_to_host(min(self._device.waiting_bytes(), READ_BYTES))
        with contextlib.suppress(BlockingIOError):
            while self._unsent:
                self._unsent = self._unsent[os.write(self._ours, self._unsent) :]
                if not self._unsent:
                    self._unsent = self._device.give_to_host(min(self._device.waiting_bytes(), READ_BYTES))
