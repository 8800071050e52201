"""Contract of `capabilities.TextOutput`: run each of `CHECKS` on a freshly made driver with its probe."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from instruments.capabilities import TextOutput
from instruments.clock import Clock
from instruments.contracts import ContractViolation, require
from instruments.errors import InstrumentError

BITS_PER_BYTE = 10  # start bit, eight bits, stop bit
FIRST = b"$IIASP,62.5,N*0C\r\n"


class LineProbe(Protocol):
    """A listener at the other end of the line, past the driver."""

    def heard(self) -> bytes:
        """Return what has arrived on the line since the last call."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class TextUnderContract:
    """An open driver with its probe; `timing_s` is how well the line keeps its time."""

    driver: TextOutput
    probe: LineProbe
    clock: Clock
    bit_rate: int
    timing_s: float


Maker = Callable[[], TextUnderContract]
Check = Callable[[Maker], None]


def _lasts_s(bench: TextUnderContract, data: bytes) -> float:
    return BITS_PER_BYTE * len(data) / bench.bit_rate


def check_bytes_go_out_as_given(make: Maker) -> None:
    """Every byte arrives as given and in order, whatever it is."""
    bench = make()
    data = bytes(range(256))
    bench.driver.send(data)
    bench.clock.sleep_s(_lasts_s(bench, data) + bench.timing_s)
    require(bench.probe.heard() == data, "bytes arrive as given, in order")


def check_sending_never_waits(make: Maker) -> None:
    """Handing over takes no time, however long the line takes."""
    bench = make()
    before_s = bench.clock.monotonic_s()
    bench.driver.send(bytes(100))
    require(bench.clock.monotonic_s() - before_s < 0.01, "sending does not wait")


def check_the_line_takes_its_time(make: Maker) -> None:
    """Text is there when its last bit is, by the bit rate, and not before."""
    bench = make()
    bench.driver.send(FIRST)
    bench.clock.sleep_s(0.5 * _lasts_s(bench, FIRST) - bench.timing_s)
    require(len(bench.probe.heard()) < len(FIRST), "not all of it is there halfway")
    bench.clock.sleep_s(0.5 * _lasts_s(bench, FIRST) + 2.0 * bench.timing_s)
    require(bench.probe.heard().endswith(b"\n"), "it is there once its time is over")


def check_one_text_waits_for_another(make: Maker) -> None:
    """What is sent while the line is busy follows, and nothing is lost."""
    bench = make()
    bench.driver.send(FIRST)
    bench.driver.send(FIRST)
    bench.clock.sleep_s(2.0 * _lasts_s(bench, FIRST) + bench.timing_s)
    require(bench.probe.heard() == FIRST + FIRST, "two texts go out one after the other")


def check_a_closed_line_sends_nothing(make: Maker) -> None:
    """Closing again does nothing, and sending after it is refused."""
    bench = make()
    bench.driver.close()
    bench.driver.close()
    try:
        bench.driver.send(FIRST)
    except InstrumentError:
        return
    raise ContractViolation("sending on a closed line raises InstrumentError")


CHECKS: tuple[Check, ...] = (
    check_bytes_go_out_as_given,
    check_sending_never_waits,
    check_the_line_takes_its_time,
    check_one_text_waits_for_another,
    check_a_closed_line_sends_nothing,
)
