"""Serial ports by pyserial: what its exceptions mean, said once."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

import serial

from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, SettingRefusedError


class SerialPort(Protocol):
    """What a driver uses of an open pyserial port."""

    @property
    def timeout(self) -> float | None:
        """Return the longest wait of `read` in seconds."""
        ...

    def read(self, size: int = 1, /) -> bytes:
        """Return `size` bytes, fewer when the time-out comes first."""
        ...

    def write(self, data: bytes, /) -> int | None:
        """Send bytes."""
        ...

    def close(self) -> None:
        """Close; a second time does nothing."""
        ...


def _terminal_errors() -> tuple[type[Exception], ...]:
    """Return what the terminal layer below pyserial raises by itself; nothing where there is none."""
    try:
        from termios import error  # noqa: PLC0415 - absent on some systems
    except ImportError:
        return ()
    return (error,)


_LOST: tuple[type[Exception], ...] = (OSError, *_terminal_errors())  # SerialException is an OSError


@contextmanager
def serial_errors(instrument: str, command: str) -> Iterator[None]:
    """Translate what pyserial raises inside the block; put nothing but calls of the port into it.

    Raises:
        InstrumentTimeoutError: the port took no bytes in time.
        InstrumentLostError: unplugged, closed, refused or not there.
        SettingRefusedError: an address or setting that this port does not know.
    """
    try:
        yield
    except InstrumentError:
        raise  # some are OSErrors too; a simulated port can let other drivers run while it waits
    except serial.SerialTimeoutException as error:
        message = f"{instrument}: the port took no bytes for {command} in time. Check that the device is running."
        raise InstrumentTimeoutError(message, instrument=instrument, command=command) from error
    except (ValueError, NotImplementedError) as error:
        message = f"{instrument}: {command}: {error}. Check its address in the bench sheet."
        raise SettingRefusedError(message, instrument=instrument, command=command) from error
    except _LOST as error:
        message = f"{instrument}: link lost at {command}: {error}. Check cable, power and that no other program has it."
        raise InstrumentLostError(message, instrument=instrument, command=command) from error
