"""Driver of a serial port that only sends text, over pyserial: eight bits, no parity, one stop bit."""

from typing import TYPE_CHECKING, Self

import serial

from instruments.capabilities import TextOutput
from instruments.errors import InstrumentLostError
from instruments.transports.serial_port import SerialPort, serial_errors


class SerialTextOutput:  # satisfies capabilities.TextOutput
    """The bench's end of a text line.

    Args:
        port: open pyserial port, exclusively ours.
        name: how messages call it.
    """

    def __init__(self, *, port: SerialPort, name: str) -> None:
        self._port = port
        self._name = name

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def send(self, data: bytes) -> None:
        """Hand bytes to the port, which sends them one after the other; does not wait until they are out.

        Raises:
            InstrumentLostError: the port is gone, or took fewer bytes.
            InstrumentTimeoutError: it took none in time.
        """
        with serial_errors(self._name, "send"):
            taken = self._port.write(data)
        if taken != len(data):
            message = f"{self._name}: the port took {taken} of {len(data)} bytes. Check its cable and its power."
            raise InstrumentLostError(message, instrument=self._name, command="send")

    def close(self) -> None:
        """Close the port; a second call does nothing."""
        with serial_errors(self._name, "close"):
            self._port.close()


def open_text_output(url: str, *, bit_rate: int, name: str, time_out_s: float) -> SerialTextOutput:
    """Open a serial port by its pyserial name or URL.

    Args:
        url: of the port.
        bit_rate: in bit/s.
        name: how messages call it.
        time_out_s: how long it may take to accept what is sent.

    Raises:
        InstrumentLostError: it is not there or in use.
        SettingRefusedError: it knows no such address or bit rate.
    """
    with serial_errors(name, f"open {url}"):
        port = serial.serial_for_url(url, baudrate=bit_rate, write_timeout=time_out_s, exclusive=True)
    return SerialTextOutput(port=port, name=name)


if TYPE_CHECKING:
    _: type[TextOutput] = SerialTextOutput
