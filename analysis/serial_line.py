"""Characters on a sampled serial line: when they came, how long the line was busy, and what they were.

A start bit at space, eight bits from the lowest on (space is 0), no parity, a stop bit at mark.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BITS = 10  # of a character
LONGEST_MARK_BITS = 12.0  # inside a text: nine at most, and a little
LEAST_SAMPLES_PER_BIT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """A stretch in which the line was busy: sample time of its first space, and until its last one."""

    start_s: float
    length_s: float


def bursts(space: NDArray[np.bool_], sample_rate_hz: float, bit_rate: float) -> tuple[Burst, ...]:
    """Return every stretch of characters that follow one another, in order of time.

    Args:
        space: the line, true at space, shape (n,).
        sample_rate_hz: of the samples.
        bit_rate: about that of the line; tells a pause from a mark inside a text.
    """
    at = np.flatnonzero(space)
    if not at.size:
        return ()
    pause = LONGEST_MARK_BITS * sample_rate_hz / bit_rate + 2.0
    breaks = np.flatnonzero(np.diff(at) > pause)
    first, last = at[np.concatenate(([0], breaks + 1))], at[np.concatenate((breaks, [at.size - 1]))]
    return tuple(
        Burst(start_s=float(begin / sample_rate_hz), length_s=float((end - begin + 1) / sample_rate_hz))
        for begin, end in zip(first, last, strict=True)
    )


def length_s(n_characters: int, bit_rate: float) -> float:
    """Return how long a line is busy with so many characters, to the end of its last space.

    It is short by the marks at the end of the last character: by the stop bit at least. A line feed, with which a text
    ends, has its last space in the bit ahead of that.
    """
    return (BITS * n_characters - 1) / bit_rate


def decode(space: NDArray[np.bool_], sample_rate_hz: float, bit_rate: float) -> bytes | None:
    """Return the characters of a stretch; None where a stop bit is missing, so that it is no text at this bit rate.

    Every bit is read in its middle, counted from the start bit's first sample.

    Raises:
        ValueError: fewer than three samples a bit, which can't be told apart.
    """
    per_bit = sample_rate_hz / bit_rate
    if per_bit < LEAST_SAMPLES_PER_BIT:
        raise ValueError(f"{per_bit:.2g} samples a bit; at least {LEAST_SAMPLES_PER_BIT:g} are needed")
    falls = np.flatnonzero(space & ~np.concatenate(([False], space[:-1])))
    places = np.rint(per_bit * (np.arange(BITS) + 0.5) - 0.5).astype(np.int64)
    found = bytearray()
    at = 0
    while (index := int(np.searchsorted(falls, at))) < falls.size:
        start = int(falls[index])
        read = start + places
        if read[-1] >= space.size:
            return None
        bits = space[read]
        if not bits[0] or bits[-1]:
            return None
        found += np.packbits(~bits[1:9], bitorder="little").tobytes()
        at = start + int(per_bit * (BITS - 0.5))
    return bytes(found)
