"""A SCPI instrument on a TCP socket (`TCPIP::host::port::SOCKET`): lines in, lines and blocks out.

One client at a time, as many instruments have it: a second one is turned away, for two of them would take each
other's replies. What it does not model: a transmit buffer that fills up.
"""

import asyncio
import contextlib

from instruments.served.listening import LOOPBACK, READ_BYTES, Listening
from instruments.served.world import World
from instruments.simulated.visa_library import MessageDevice


class ScpiSocket(Listening):
    """Serves one device."""

    def __init__(self, device: MessageDevice, world: World) -> None:
        super().__init__()
        self._device = device
        self._world = world

    @property
    def resource(self) -> str:
        """The VISA address that reaches it."""
        return f"TCPIP0::{LOOPBACK}::{self.port}::SOCKET"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer):
            if self._taken:
                return
            self._taken = True
            answering = asyncio.create_task(self._answer(writer))
            try:
                with contextlib.suppress(ConnectionError):
                    while data := await reader.read(READ_BYTES):
                        self._device.receive(data, now_ns=self._world.catch_up(), stream=True)
            finally:
                answering.cancel()
                self._device.clear(now_ns=self._world.catch_up(), stream=False)  # nobody is left to read its replies
                self._taken = False

    async def _answer(self, writer: asyncio.StreamWriter) -> None:
        """Send each reply once the instrument has it."""
        replies = self._device.replies
        with contextlib.suppress(ConnectionError):
            while True:
                if not replies:
                    await self._world.tick()
                    continue
                reply = replies[0]
                await self._world.until(reply.ready_ns)
                if replies and replies[0] is reply:  # else it was cleared meanwhile
                    replies.popleft()
                    writer.write(bytes(reply.data))
                    await writer.drain()
