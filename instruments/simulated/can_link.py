"""A python-can bus in simulated time: interface `simbench`, channel the name it is served under.

`recv` itself is overridden, because the base class loops on wall time. For the same reason there are no cyclic
senders, and a `can.Notifier` must not be used: its thread would advance the plant.
"""

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import NoReturn

import can
from can.interfaces import BACKENDS

from instruments.simulated.port import PlantPort
from instruments.simulated.serial_link import SteppedClock

INTERFACE = "simbench"
LOOK_EVERY_NS = 500_000  # while `recv` waits; a frame's time stamp is exact all the same
LONGEST_WAIT_S = 60.0  # of a `recv` without time-out, which would never end on a silent bus


@dataclass(frozen=True, slots=True)
class _Channel:
    plant: PlantPort
    clock: SteppedClock


_channels: dict[str, _Channel] = {}


@contextmanager
def serve_bus(name: str, *, plant: PlantPort, clock: SteppedClock) -> Iterator[str]:
    """Serve the plant's bus as channel `name` while the block runs; yields the name.

    Raises:
        ValueError: the name is served already; two benches must not meet.
    """
    if name in _channels:
        raise ValueError(f"a simulated bus is served as {name!r} already; give this bench its own name")
    BACKENDS[INTERFACE] = (__name__, SimulatedCanBus.__name__)
    _channels[name] = _Channel(plant, clock)
    try:
        yield name
    finally:
        del _channels[name]


class SimulatedCanBus(can.BusABC):
    """The bench's node. A message's time stamp is the bench time at which the host has it, in seconds.

    What it does not model: bus errors and a full transmit queue.
    """

    def __init__(self, channel: str, can_filters: can.typechecking.CanFilters | None = None, **_kwargs: object) -> None:
        """Join the channel; bit rate and the like are the plant's.

        Raises:
            can.CanInitializationError: nothing is served under that name.
        """
        if channel not in _channels:
            raise can.CanInitializationError(f"no simulated bus is served as {channel!r}")
        self.channel_info = f"simulated bus {channel}"
        self._name = channel
        self._channel = _channels[channel]
        self._waiting: deque[can.Message] = deque()
        super().__init__(channel, can_filters)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - accepted at once
        """Queue a classic data frame.

        Raises:
            can.CanOperationError: any other kind of frame, or the bus is no longer served.
        """
        if msg.is_remote_frame or msg.is_error_frame or msg.is_fd:
            raise can.CanOperationError("this bus carries classic data frames only")
        self._served().plant.send_frame(msg.arbitration_id, bytes(msg.data))

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return the next message; with none there, advance time until one comes or `timeout` seconds are over.

        Raises:
            can.CanOperationError: without time-out, when nothing came for a minute; or no longer served.
        """
        plant, clock = self._served().plant, self._channel.clock
        end_ns = plant.now_ns + round((LONGEST_WAIT_S if timeout is None else timeout) * 1e9)
        while True:
            self._take()
            if self._waiting:
                return self._waiting.popleft()
            if plant.now_ns >= end_ns:
                break
            clock.advance_ns(min(LOOK_EVERY_NS, end_ns - plant.now_ns))
        if timeout is None:
            raise can.CanOperationError(f"no frame within {LONGEST_WAIT_S} s, and no time-out given")
        return None

    def send_periodic(self, *_args: object, **_kwargs: object) -> NoReturn:
        """Refuse: it would send on wall time."""
        raise NotImplementedError("cyclic frames are sent on the bench's clock, by the rig")

    def _take(self) -> None:
        for time_ns, identifier, data in self._channel.plant.take_frames():
            message = can.Message(
                timestamp=time_ns / 1e9,
                arbitration_id=identifier,
                data=data,
                is_extended_id=identifier > 0x7FF,
                is_rx=True,
            )
            if self._matches_filters(message):
                self._waiting.append(message)

    def _served(self) -> _Channel:
        if _channels.get(self._name) is not self._channel:
            raise can.CanOperationError(f"simulated bus {self._name!r} is no longer served")
        return self._channel
