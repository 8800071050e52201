"""What every link on loopback shares: it listens on a port, for one client at a time."""

import asyncio
from abc import ABC, abstractmethod

LOOPBACK = "127.0.0.1"
READ_BYTES = 65536


class Listening(ABC):
    """Listens on loopback; `port` is the one it got."""

    def __init__(self) -> None:
        self.port = 0
        self._taken = False  # by a client
        self._server: asyncio.Server | None = None

    async def start(self, port: int = 0) -> None:
        """Listen; port 0 takes any free one."""
        self._server = await asyncio.start_server(self._serve, LOOPBACK, port)
        self.port = self._server.sockets[0].getsockname()[1]

    def close(self) -> None:
        """Listen no longer."""
        if self._server is not None:
            self._server.close()

    @abstractmethod
    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection to its end."""
