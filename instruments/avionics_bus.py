"""Driver of the avionics bus over python-can: frames out, frames in, nothing that waits.

Cyclic frames are the rig's to send, on the bench's clock; python-can's own senders run on wall time.
"""

import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING, Self

import can

from instruments.capabilities import AvionicsBus, ReceivedFrame
from instruments.clock import Clock
from instruments.transports.can_bus import can_errors

log = logging.getLogger(__name__)

MAX_STANDARD_IDENTIFIER = 0x7FF
MAX_IDENTIFIER = 0x1FFF_FFFF
MAX_DATA_BYTES = 8


class CanAvionicsBus:  # satisfies capabilities.AvionicsBus
    """The bench's node on the bus.

    Args:
        bus: open python-can bus.
        clock: bench time.
        name: how messages call it.
        timestamp_zero_s: bench time at which the interface's time stamps are zero.
        send_time_out_s: how long the interface may take to accept a frame.
    """

    def __init__(
        self,
        *,
        bus: can.BusABC,
        clock: Clock,
        name: str,
        timestamp_zero_s: float = 0.0,
        send_time_out_s: float = 0.1,
    ) -> None:
        self._bus = bus
        self._clock = clock
        self._name = name
        self._timestamp_zero_s = timestamp_zero_s
        self._send_time_out_s = send_time_out_s
        self._looked_s = clock.monotonic_s()
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def send(self, identifier: int, data: bytes) -> None:
        """Send a data frame; an identifier beyond 11 bits goes out as an extended one.

        Raises:
            ValueError: identifier beyond 29 bits or more than eight bytes.
            InstrumentError: the bus did not take it.
        """
        if not 0 <= identifier <= MAX_IDENTIFIER or len(data) > MAX_DATA_BYTES:
            raise ValueError(
                f"{self._name}: frame {identifier:#x} with {len(data)} bytes; 29 bits and 8 bytes is the most"
            )
        message = can.Message(arbitration_id=identifier, data=data, is_extended_id=identifier > MAX_STANDARD_IDENTIFIER)
        with can_errors(self._name, f"send {identifier:#x}"):
            self._bus.send(message, timeout=self._send_time_out_s)

    def receive(self) -> Sequence[ReceivedFrame]:
        """Return the data frames that came since the last call, in order; never waits.

        A frame's time is the interface's time stamp in bench time, held between the last call and now: the
        frame can't have come at another time, whatever the stamp says.
        """
        frames = []
        earliest_s, now_s = self._looked_s, self._clock.monotonic_s()
        while (message := self._next()) is not None:
            if message.is_error_frame or message.is_remote_frame:
                log.warning("%s: %s", self._name, message)
                continue
            time_s = min(max(message.timestamp + self._timestamp_zero_s, earliest_s), now_s)
            frames.append(ReceivedFrame(time_s=time_s, identifier=message.arbitration_id, data=bytes(message.data)))
        self._looked_s = now_s
        return frames

    def close(self) -> None:
        """Leave the bus; a second call does nothing."""
        if not self._closed:
            self._closed = True
            with can_errors(self._name, "close"):
                self._bus.shutdown()

    def _next(self) -> can.Message | None:
        with can_errors(self._name, "receive"):
            return self._bus.recv(timeout=0)


def open_avionics_bus(
    interface: str, channel: str, *, bit_rate: int, clock: Clock, name: str, timestamp_zero_s: float = 0.0
) -> CanAvionicsBus:
    """Open a python-can interface by name; python-can's own configuration files are not consulted.

    Args:
        interface: as python-can names it.
        channel: of that interface.
        bit_rate: in bit/s.
        clock: bench time.
        name: how messages call it.
        timestamp_zero_s: bench time at which the interface's time stamps are zero.

    Raises:
        SettingRefusedError: no such interface, or it can't be set like this.
        InstrumentLostError: it is not there or in use.
    """
    with can_errors(name, f"open {interface} {channel}"):
        bus = can.Bus(interface=interface, channel=channel, bitrate=bit_rate, ignore_config=True)
    return CanAvionicsBus(bus=bus, clock=clock, name=name, timestamp_zero_s=timestamp_zero_s)


if TYPE_CHECKING:
    _: type[AvionicsBus] = CanAvionicsBus
