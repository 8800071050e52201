"""Text and blocks of SCPI-1999 and IEEE 488.2 as the controlling side reads them. Does no input or output itself.

Parsers raise `ValueError` with what is wrong; drivers turn that into `ProtocolError` with instrument and command.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

from instruments.capabilities import Identity

# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: numbers that stand for infinity and not-a-number.
INFINITY_TEXT_VALUE = 9.9e37

MAX_QUEUE_READS = 64  # no error queue in use is longer; an instrument that goes on is broken

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_ERROR_ENTRY = re.compile(r'([+-]?\d+)\s*,\s*"(.*)"', re.DOTALL)
_SEMICOLON_OUTSIDE_QUOTES = re.compile(r';(?=(?:[^"]*"[^"]*")*[^"]*$)')


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of the error queue; 0 is none. Match the number: makers vary the text."""

    number: int
    text: str

    def __str__(self) -> str:
        return f'{self.number},"{self.text}"'


def format_number(value: float) -> str:
    """Write `value` as decimal numeric data, nine digits at most, without the noise of binary fractions."""
    return f"{value:.9g}"


def parse_number(text: str) -> float:
    """Read NR1, NR2 or NR3.

    Raises:
        ValueError: not a number, or SCPI's stand-ins for infinity (9.9E37) and not-a-number (9.91E37).
    """
    if not _NUMBER.fullmatch(text.strip()):
        raise ValueError(f"{text!r} is not a number")
    value = float(text)
    if abs(value) >= INFINITY_TEXT_VALUE:
        raise ValueError(f"{text!r} stands for no valid reading (SCPI-1999, 7.2.1)")
    return value


def parse_numbers(text: str) -> list[float]:
    """Read numbers between commas, as `parse_number` reads each."""
    return [parse_number(part) for part in text.split(",")]


def parse_whole(text: str) -> int:
    """Read NR1 (register contents, counts)."""
    if not re.fullmatch(r"[+-]?\d+", text.strip()):
        raise ValueError(f"{text!r} is not a whole number")
    return int(text)


def parse_switch(text: str) -> bool:
    """Read a Boolean reply: `0` or `1`, nothing else (SCPI-1999 volume 1, 7.3)."""
    if text.strip() not in {"0", "1"}:
        raise ValueError(f"{text!r} is neither 0 nor 1")
    return text.strip() == "1"


def parse_error_entry(text: str) -> ErrorEntry:
    """Read one reply to `SYSTem:ERRor?`: a number, a comma, a quoted text."""
    match = _ERROR_ENTRY.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not an entry of an error queue (a number and a quoted text)")
    return ErrorEntry(int(match[1]), match[2])


def parse_identity(text: str) -> Identity:
    """Read a reply to `*IDN?`: four fields between commas (IEEE 488.2, 10.14)."""
    fields = [field.strip() for field in text.split(",")]
    if len(fields) != 4 or not fields[0]:
        raise ValueError(f"{text!r} is not an identity of four fields")
    return Identity(maker=fields[0], model=fields[1], serial=fields[2], firmware=fields[3])


def split_replies(text: str) -> list[str]:
    """Part the replies of one compound message at semicolons outside quotes."""
    return [part.strip() for part in _SEMICOLON_OUTSIDE_QUOTES.split(text)]


def drain_errors(query: Callable[[str], str]) -> list[ErrorEntry]:
    """Read the error queue until it is empty.

    Raises:
        ValueError: a reply is no queue entry, or the queue does not end within 64 entries.
    """
    entries: list[ErrorEntry] = []
    while len(entries) < MAX_QUEUE_READS:
        entry = parse_error_entry(query("SYST:ERR?"))
        if entry.number == 0:
            return entries
        entries.append(entry)
    raise ValueError(f"the error queue does not end; last entry {entries[-1]}")


def read_block(read_exactly: Callable[[int], bytes], read_to_end: Callable[[], bytes] | None) -> bytes:
    """Read arbitrary block data and its terminator (IEEE 488.2, 8.7.9 definite and 8.7.10 indefinite length).

    Args:
        read_exactly: returns that many bytes or raises.
        read_to_end: returns the rest of the message; None where the link can't tell where that is, as on sockets.

    Raises:
        ValueError: what comes is no block, or is not followed by a new line.
    """
    start = read_exactly(2)
    if start[:1] != b"#" or not start[1:].isdigit():
        raise ValueError(f"a block begins with # and a digit, this with {start!r}")
    if start == b"#0":
        if read_to_end is None:
            raise ValueError("a block of indefinite length, and this link can't tell where a message ends")
        rest = read_to_end()
        if not rest.endswith(b"\n"):
            raise ValueError("a block of indefinite length without a new line at its end")
        return rest[:-1]
    digits = read_exactly(int(start[1:]))
    if not digits.isdigit():
        raise ValueError(f"the length of a block is written in digits, this in {digits!r}")
    payload = read_exactly(int(digits))
    terminator = read_exactly(1)
    if terminator == b"\r":
        terminator = read_exactly(1)
    if terminator != b"\n":
        raise ValueError(f"a block of {len(payload)} bytes is followed by {terminator!r} instead of a new line")
    return payload
