"""Contract of `capabilities.AvionicsBus`: run each of `CHECKS` on a freshly made driver with its probe."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from instruments.capabilities import AvionicsBus
from instruments.clock import Clock
from instruments.contracts import ContractViolation, require


class BusProbe(Protocol):
    """Another node on the bus, past the driver."""

    def sent_frames(self) -> list[tuple[int, bytes]]:
        """Return (identifier, data) of the frames seen on the bus since the last call."""
        ...

    def put_frame(self, identifier: int, data: bytes) -> None:
        """Send a frame from another node."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class BusUnderContract:
    """An open driver with its probe; a frame is with the host within `latency_s`."""

    driver: AvionicsBus
    probe: BusProbe
    clock: Clock
    latency_s: float


Maker = Callable[[], BusUnderContract]
Check = Callable[[Maker], None]


def check_frames_go_out_as_given(make: Maker) -> None:
    """Identifier and data arrive as given, standard and extended, from no byte to eight."""
    bench = make()
    frames = [(0x13B, bytes(range(8))), (0x7FF, b""), (0x1ABCDEF0, b"\xff\x00")]
    for identifier, data in frames:
        bench.driver.send(identifier, data)
    bench.clock.sleep_s(bench.latency_s)
    require(bench.probe.sent_frames() == frames, "frames go out as given, in order")


def check_impossible_frames_are_refused(make: Maker) -> None:
    """An identifier beyond 29 bits or more than eight bytes is refused, and nothing goes out."""
    bench = make()
    for identifier, data in ((0x2000_0000, b""), (-1, b""), (1, bytes(9))):
        try:
            bench.driver.send(identifier, data)
        except ValueError:
            continue
        raise ContractViolation(f"frame {identifier:#x} with {len(data)} bytes raises ValueError")
    bench.clock.sleep_s(bench.latency_s)
    require(not bench.probe.sent_frames(), "a refused frame does not go out")


def check_receiving_never_waits(make: Maker) -> None:
    """On a silent bus `receive` returns nothing, and on a simulated bench time stands still meanwhile."""
    bench = make()
    before_s = bench.clock.monotonic_s()
    require(not bench.driver.receive(), "a silent bus gives no frames")
    require(bench.clock.monotonic_s() - before_s < 0.01, "receive does not wait")


def check_frames_come_in_order_with_their_time(make: Maker) -> None:
    """Frames of other nodes come once, in order, stamped with the bench time at which the host had them."""
    bench = make()
    start_s = bench.clock.monotonic_s()
    frames = [(0x100 + n, bytes([n])) for n in range(5)]
    for identifier, data in frames:
        bench.probe.put_frame(identifier, data)
        bench.clock.sleep_s(bench.latency_s)
    received = bench.driver.receive()
    end_s = bench.clock.monotonic_s()
    require([(frame.identifier, frame.data) for frame in received] == frames, "frames come once and in order")
    times_s = [start_s, *(frame.time_s for frame in received), end_s]
    require(times_s == sorted(times_s), "time stamps rise and lie between sending and receiving")
    require(not bench.driver.receive(), "no frame comes twice")


def check_own_frames_do_not_come_back(make: Maker) -> None:
    """What the driver sent is not received."""
    bench = make()
    bench.driver.send(0x13B, bytes(8))
    bench.clock.sleep_s(bench.latency_s)
    require(not bench.driver.receive(), "own frames do not come back")


def check_close_can_be_repeated(make: Maker) -> None:
    """Closing again does nothing."""
    driver = make().driver
    driver.close()
    driver.close()


CHECKS: tuple[Check, ...] = (
    check_frames_go_out_as_given,
    check_impossible_frames_are_refused,
    check_receiving_never_waits,
    check_frames_come_in_order_with_their_time,
    check_own_frames_do_not_come_back,
    check_close_can_be_repeated,
)
