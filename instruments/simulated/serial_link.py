"""A pyserial port in simulated time: `simbench://NAME` leads to the device served under that name.

`in_waiting` and `write` never advance time; `read(n)` advances it until n bytes are there or its time-out is
over. A device that keeps time by the port's bit rate is told of it. What it does not model: framing, control lines.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol, runtime_checkable
from urllib.parse import urlsplit

import serial

SCHEME = "simbench"
_HANDLER_PACKAGE = "instruments.simulated"


class SerialDevice(Protocol):
    """The device's end of the line."""

    @property
    def now_ns(self) -> int:
        """Return simulated time."""
        ...

    def take_from_host(self, data: bytes) -> None:
        """Take what the host wrote."""
        ...

    def waiting_bytes(self) -> int:
        """Return how many bytes the host can read now."""
        ...

    def give_to_host(self, n_bytes: int) -> bytes:
        """Return the next bytes, at most `n_bytes`."""
        ...

    def next_bytes_ns(self) -> int | None:
        """Return when bytes will come without another command; None when they will not."""
        ...


@runtime_checkable
class RatedDevice(Protocol):
    """A device whose line runs at the port's bit rate."""

    def set_bit_rate(self, bit_rate: int) -> None:
        """Take the port's bit rate."""
        ...


class SteppedClock(Protocol):
    """What advances simulated time."""

    def advance_ns(self, duration_ns: int) -> None:
        """Advance by `duration_ns`."""
        ...


@dataclass(slots=True)
class _Socket:
    """A served name."""

    device: SerialDevice
    clock: SteppedClock
    taken: bool = False


_sockets: dict[str, _Socket] = {}


@contextmanager
def serve_serial(name: str, *, device: SerialDevice, clock: SteppedClock) -> Iterator[str]:
    """Serve `device` under `name` while the block runs; yields its URL.

    Raises:
        ValueError: the name is served already; two benches must not meet.
    """
    if name in _sockets:
        raise ValueError(f"a simulated serial device is served as {name!r} already; give this bench its own name")
    if _HANDLER_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_HANDLER_PACKAGE)
    _sockets[name] = _Socket(device, clock)
    try:
        yield f"{SCHEME}://{name}"
    finally:
        del _sockets[name]


class SimulatedSerial(serial.SerialBase):
    """The host's end; always exclusive."""

    def __init__(self, *args: object, **kwargs: object) -> None:
        self._socket: _Socket | None = None
        self._name = ""
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # passed on as pyserial hands them over

    def open(self) -> None:
        """Connect to the device of that name.

        Raises:
            serial.SerialException: nothing is served under it, or the port is in use.
        """
        if self.is_open:
            raise serial.SerialException("port is already open")
        self._name = urlsplit(self.port or "").netloc
        socket = _sockets.get(self._name)
        if socket is None:
            raise serial.SerialException(f"no simulated device is served as {self.port}")
        if socket.taken:
            raise serial.SerialException(f"{self.port} is in use")
        socket.taken = True
        self._socket = socket
        self.is_open = True
        self._reconfigure_port()

    def close(self) -> None:
        """Disconnect; the device carries on."""
        if self._socket is not None:
            self._socket.taken = False
            self._socket = None
        self.is_open = False

    @property
    def in_waiting(self) -> int:
        """Return how many bytes can be read without waiting."""
        return self._connected().device.waiting_bytes()

    def read(self, size: int = 1, /) -> bytes:
        """Return `size` bytes, or what came until the time-out.

        Raises:
            serial.SerialException: closed, no longer served, or without time-out and nothing would ever come.
        """
        socket = self._connected()
        device = socket.device
        end_ns = None if self.timeout is None else device.now_ns + round(self.timeout * 1e9)
        while device.waiting_bytes() < size:
            next_ns = device.next_bytes_ns()
            if next_ns is None and end_ns is None:
                raise serial.SerialException(f"{self.port}: a read without time-out would wait for ever")
            until_ns = min(time_ns for time_ns in (next_ns, end_ns) if time_ns is not None)
            if until_ns <= device.now_ns:
                break
            socket.clock.advance_ns(until_ns - device.now_ns)
        return device.give_to_host(size)

    def write(self, data: object, /) -> int:
        """Hand bytes to the device, which takes them at once."""
        octets = bytes(memoryview(data))  # type: ignore[arg-type]  # whatever holds bytes, as io.RawIOBase has it
        self._connected().device.take_from_host(octets)
        return len(octets)

    def reset_input_buffer(self) -> None:
        """Throw away what waits."""
        device = self._connected().device
        device.give_to_host(device.waiting_bytes())

    def _connected(self) -> _Socket:
        if self._socket is None:
            raise serial.PortNotOpenError
        if _sockets.get(self._name) is not self._socket:
            raise serial.SerialException(f"{self.port} is no longer served")
        return self._socket

    def _reconfigure_port(self) -> None:
        """Take any setting; pyserial calls this when one changes."""
        if self._socket is not None and isinstance(self._socket.device, RatedDevice):
            self._socket.device.set_bit_rate(self.baudrate)
