"""The simulated serial port that sends text to the unit: what `serial_link` serves to the driver."""

from typing import Protocol


class TextPlant(Protocol):
    """The plant as this port needs it."""

    @property
    def now_ns(self) -> int:
        """Present time."""
        ...

    def send_text(self, data: bytes, bit_rate: float) -> None:
        """Send text to the unit."""
        ...


class SimulatedTextPort:
    """Satisfies `serial_link.SerialDevice` and `serial_link.RatedDevice`; nothing ever comes back."""

    def __init__(self, plant: TextPlant) -> None:
        self._plant = plant
        self._bit_rate = 9600

    @property
    def now_ns(self) -> int:
        """Return simulated time."""
        return self._plant.now_ns

    def set_bit_rate(self, bit_rate: int) -> None:
        """Take the port's bit rate."""
        self._bit_rate = bit_rate

    def take_from_host(self, data: bytes) -> None:
        """Send what the host wrote."""
        self._plant.send_text(data, self._bit_rate)

    def waiting_bytes(self) -> int:
        """Return none."""
        return 0

    def give_to_host(self, n_bytes: int) -> bytes:  # noqa: ARG002
        """Return nothing."""
        return b""

    def next_bytes_ns(self) -> int | None:
        """Return that none will come."""
        return None
