"""Bits of a classical CAN data frame with an 11-bit identifier, as they stand on the line.

Start of frame, identifier, RTR, IDE, r0, length, data, CRC-15, each stuffed with a complement after five
equal bits; then, not stuffed, CRC delimiter, acknowledge slot (dominant: somebody acknowledges), its
delimiter and seven recessive bits of end of frame. 0 is dominant. Layout and polynomial after
ISO 11898-1 (data frame, base format; x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1).
Not modelled: remote and error frames, overload, bit errors, re-synchronisation.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

CRC15_POLYNOMIAL = 0x4599
INTERMISSION_BITS = 3
_RUN_BEFORE_STUFFING = 5
_TAIL = (1, 0, 1, 1, 1, 1, 1, 1, 1, 1)  # CRC delimiter, acknowledge slot, its delimiter, end of frame


class FrameShape(NamedTuple):
    """A frame as level changes: bit counts from its start at which the line turns dominant, recessive, ..."""

    edges_bits: NDArray[np.int64]
    length_bits: int  # end of frame included, intermission not


def crc15(bits: tuple[int, ...] | list[int]) -> int:
    """Return the CRC-15 of a bit sequence, first bit first, register starting at 0."""
    register = 0
    for bit in bits:
        feedback = bit ^ (register >> 14)
        register = (register << 1) & 0x7FFF
        if feedback:
            register ^= CRC15_POLYNOMIAL
    return register


def frame_bits(identifier: int, data: bytes) -> tuple[int, ...]:
    """Return every bit of the frame on the line, 0 dominant, from start of frame to the end of end of frame.

    Raises:
        ValueError: the identifier has more than 11 bits or the data more than 8 bytes.
    """
    if not 0 <= identifier <= 0x7FF:
        raise ValueError(f"CAN identifier {identifier:#x} has more than 11 bits.")
    if len(data) > 8:
        raise ValueError(f"CAN frame {identifier:#x}: {len(data)} data bytes, at most 8 fit.")
    head = f"0{identifier:011b}000{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
    bits = [int(bit) for bit in head]
    bits += [int(bit) for bit in f"{crc15(bits):015b}"]
    return (*_stuffed(bits), *_TAIL)


def _stuffed(bits: list[int]) -> list[int]:
    out: list[int] = []
    previous, run = -1, 0
    for bit in bits:
        run = run + 1 if bit == previous else 1
        out.append(bit)
        previous = bit
        if run == _RUN_BEFORE_STUFFING:
            previous, run = 1 - bit, 1
            out.append(previous)
    return out


@lru_cache(maxsize=8192)
def frame_shape(identifier: int, data: bytes) -> FrameShape:
    """Return the frame's level changes and length; the line is recessive before and after."""
    bits = frame_bits(identifier, data)
    edges = np.flatnonzero(np.diff((1, *bits))).astype(np.int64)
    edges.flags.writeable = False
    return FrameShape(edges, len(bits))
