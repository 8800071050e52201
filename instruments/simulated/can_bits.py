"""Bits of a classical CAN data frame with an 11-bit identifier, as they stand on the line.

Start of frame, identifier, RTR, IDE, r0, length, data, CRC-15, each stuffed with a complement after five
equal bits; then, not stuffed, CRC delimiter, acknowledge slot (dominant: somebody acknowledges), its
delimiter and seven recessive bits of end of frame. 0 is dominant. Layout and polynomial after
ISO 11898-1 (data frame, base format; x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1).
Not modelled: remote and error frames, overload, bit errors, re-synchronisation.
"""

import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

CRC15_POLYNOMIAL = 0x4599
INTERMISSION_BITS = 3
_EQUAL_BITS = re.compile("0{5}|1{5}")
_TAIL = "1011111111"  # CRC delimiter, acknowledge slot, its delimiter, end of frame


class FrameShape(NamedTuple):
    """A frame as level changes: bit counts from its start at which the line turns dominant, recessive, ..."""

    edges_bits: NDArray[np.int64]
    length_bits: int  # end of frame included, intermission not


def crc15(message: bytes) -> int:
    """Return the CRC-15 of a message, register starting at 0, so that zero bits ahead of it change nothing."""
    register = 0
    for byte in message:
        register = (register << 8 & 0x7FFF) ^ _CRC15_OF_BYTE[register >> 7 ^ byte]
    return register


def _crc15_of_byte(byte: int) -> int:
    register = byte << 7
    for _ in range(8):
        register = register << 1 ^ (CRC15_POLYNOMIAL if register & 0x4000 else 0)
    return register & 0x7FFF


_CRC15_OF_BYTE = tuple(_crc15_of_byte(byte) for byte in range(256))


def frame_bits(identifier: int, data: bytes) -> str:
    """Return every bit of the frame on the line, "0" dominant, from start of frame to the end of end of frame.

    Raises:
        ValueError: the identifier has more than 11 bits or the data more than 8 bytes.
    """
    if not 0 <= identifier <= 0x7FF:
        raise ValueError(f"CAN identifier {identifier:#x} has more than 11 bits.")
    if len(data) > 8:
        raise ValueError(f"CAN frame {identifier:#x}: {len(data)} data bytes, at most 8 fit.")
    head = identifier << 7 | len(data)  # start of frame, RTR, IDE and r0 are 0
    message = head.to_bytes(3, "big") + data
    n_bits = 19 + 8 * len(data)
    return _stuffed(f"{int.from_bytes(message, 'big'):0{n_bits}b}{crc15(message):015b}") + _TAIL


def _stuffed(bits: str) -> str:
    """Put a complement after every five equal bits; it counts for the bits that follow it."""
    position = 0
    while run := _EQUAL_BITS.search(bits, position):
        position = run.end()
        bits = bits[:position] + ("0" if run[0][0] == "1" else "1") + bits[position:]
    return bits


@lru_cache(maxsize=8192)
def frame_shape(identifier: int, data: bytes) -> FrameShape:
    """Return the frame's level changes and length; the line is recessive before and after."""
    bits = frame_bits(identifier, data)
    edges = np.flatnonzero(np.diff(np.frombuffer(f"1{bits}".encode(), np.uint8)))
    edges.flags.writeable = False
    return FrameShape(edges, len(bits))
