"""Framing of the capture log: chunks that prove themselves.

Every chunk is 20 bytes of head and a payload, little-endian:

    0   4  magic "BPL1"
    4   1  kind: 1 header, 2 data, 3 events, 4 closing
    5   3  zero
    8   4  sequence, 0 for the first chunk of a file
    12  4  payload length in bytes
    16  4  CRC-32 (zlib's) of bytes 0 to 15 and of the payload

A log is read up to the first chunk that is cut, altered or out of sequence; nothing after it is trusted.
"""

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import BinaryIO

MAGIC = b"BPL1"
HEAD = struct.Struct("<4sB3xII")
CRC = struct.Struct("<I")
HEAD_BYTES = HEAD.size + CRC.size


class ChunkKind(IntEnum):
    """What a chunk's payload is."""

    HEADER = 1
    DATA = 2
    EVENTS = 3
    CLOSING = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """A chunk whose CRC held; `offset` is where its payload begins in the file."""

    kind: ChunkKind
    sequence: int
    offset: int
    payload: bytes


class DamagedChunkError(Exception):
    """The first chunk that can't be trusted; the text says which, where and why."""


def encode_chunk(kind: ChunkKind, sequence: int, payload: bytes) -> bytes:
    """Return a chunk as it stands in the file."""
    head = HEAD.pack(MAGIC, kind, sequence, len(payload))
    return head + CRC.pack(zlib.crc32(payload, zlib.crc32(head))) + payload


def read_chunks(file: BinaryIO, size_bytes: int) -> Iterator[Chunk]:
    """Yield the chunks of a log from its beginning, one in memory at a time.

    Args:
        file: opened for reading, at its beginning.
        size_bytes: length of the file; a chunk that says it reaches beyond is cut.

    Raises:
        DamagedChunkError: at the first chunk that is cut, altered or out of sequence.
    """
    sequence = 0
    offset = 0
    while offset < size_bytes:
        where = f"chunk {sequence} at byte {offset}"
        head = file.read(HEAD_BYTES)
        if len(head) < HEAD_BYTES:
            raise DamagedChunkError(f"{where} is cut short")
        magic, kind, found, length = HEAD.unpack_from(head)
        if magic != MAGIC:
            raise DamagedChunkError(f"{where} does not begin as a chunk does")
        if offset + HEAD_BYTES + length > size_bytes:
            raise DamagedChunkError(f"{where} is cut short")
        payload = file.read(length)
        if CRC.unpack_from(head, HEAD.size)[0] != zlib.crc32(payload, zlib.crc32(head[: HEAD.size])):
            raise DamagedChunkError(f"{where} is altered: its CRC does not hold")
        if found != sequence or kind not in set(ChunkKind):
            raise DamagedChunkError(f"{where} is out of place: it says it is chunk {found}, kind {kind}")
        yield Chunk(kind=ChunkKind(kind), sequence=sequence, offset=offset + HEAD_BYTES, payload=payload)
        sequence += 1
        offset += HEAD_BYTES + length
