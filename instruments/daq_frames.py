"""Frames of the data-acquisition link (`daq_protocol.md`): encode one, and find them in a byte stream.

A frame is taken only when both of its checksums agree; everything else is skipped, so a broken byte costs
the frame it is in and nothing more. What a payload means stands in `daq_messages`.
"""

import binascii
import struct
import zlib
from dataclasses import dataclass

MAGIC = b"\xb7\x4e"
VERSION = 1
MAX_PAYLOAD_BYTES = 65536

_FIELDS = struct.Struct("<2sBBIIH")  # magic, version, type, sequence number, payload length, tag
_HEADER_CHECK = struct.Struct("<H")
_FRAME_CHECK = struct.Struct("<I")
HEADER_BYTES = _FIELDS.size + _HEADER_CHECK.size
TRAILER_BYTES = _FRAME_CHECK.size
_CRC16_START = 0xFFFF  # CRC-16/CCITT-FALSE: polynomial 0x1021, this start, neither reflected nor inverted


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame that passed both checksums. `payload` looks into the bytes that were fed."""

    kind: int
    sequence: int
    tag: int
    payload: memoryview


def encode_frame(kind: int, *, sequence: int, tag: int, payload: bytes) -> bytes:
    """Return the bytes of one frame.

    Args:
        kind: frame type, 0 to 255.
        sequence: number of the frame in its direction; taken modulo 2**32.
        tag: request number, or scan number of a data frame; 0 to 65535.
        payload: at most `MAX_PAYLOAD_BYTES`.

    Raises:
        ValueError: the payload is longer than the protocol allows.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise ValueError(f"payload of {len(payload)} bytes; a frame takes at most {MAX_PAYLOAD_BYTES}")
    fields = _FIELDS.pack(MAGIC, VERSION, kind, sequence & 0xFFFFFFFF, len(payload), tag)
    header = fields + _HEADER_CHECK.pack(binascii.crc_hqx(fields, _CRC16_START))
    return b"".join((header, payload, _FRAME_CHECK.pack(zlib.crc32(payload, zlib.crc32(header)))))


class FrameDecoder:
    """Takes bytes as they come and returns whole frames; holds at most one unfinished frame.

    Attributes:
        skipped_bytes: bytes that belonged to no good frame.
        broken_frames: frames with a good header whose second checksum did not agree.
        missing_frames: frames that never came, by the jumps of the sequence number.
    """

    def __init__(self) -> None:
        self.skipped_bytes = 0
        self.broken_frames = 0
        self.missing_frames = 0
        self._rest = b""
        self._next_sequence: int | None = None

    def feed(self, data: bytes) -> list[Frame]:
        """Return the frames that `data` completes, in the order they came."""
        stream = self._rest + data if self._rest else data
        frames: list[Frame] = []
        view = memoryview(stream)
        position = 0
        while True:
            start = stream.find(MAGIC, position)
            if start < 0:
                # the last byte may be the first half of a magic
                start = len(stream) - (1 if stream.endswith(MAGIC[:1]) and len(stream) > position else 0)
            self.skipped_bytes += start - position
            position = start
            if len(stream) - position < HEADER_BYTES:
                break
            length = self._payload_length(stream, position)
            if length is None:
                position = self._skip_one(position)
                continue
            end = position + HEADER_BYTES + length + TRAILER_BYTES
            if end > len(stream):
                break
            body = view[position : end - TRAILER_BYTES]
            if zlib.crc32(body) != _FRAME_CHECK.unpack_from(stream, end - TRAILER_BYTES)[0]:
                self.broken_frames += 1
                position = self._skip_one(position)
                continue
            _, _, kind, sequence, _, tag = _FIELDS.unpack_from(stream, position)
            self._count_missing(sequence)
            frames.append(Frame(kind, sequence, tag, body[HEADER_BYTES:]))
            position = end
        self._rest = stream[position:]
        return frames

    def give_up_unfinished(self) -> list[Frame]:
        """Stop waiting for the rest of a frame (the line has been silent); return what its bytes still hold."""
        if not self._rest:
            return []
        self.skipped_bytes += 1
        rest, self._rest = self._rest[1:], b""
        return self.feed(rest)

    def _payload_length(self, stream: bytes, position: int) -> int | None:
        """Return the payload length of a good header, else None."""
        fields = stream[position : position + _FIELDS.size]
        (check,) = _HEADER_CHECK.unpack_from(stream, position + _FIELDS.size)
        if binascii.crc_hqx(fields, _CRC16_START) != check:
            return None
        _, version, _, _, length, _ = _FIELDS.unpack(fields)
        return int(length) if version == VERSION and length <= MAX_PAYLOAD_BYTES else None

    def _skip_one(self, position: int) -> int:
        """Look for the next magic inside what was taken for a frame: only its first byte is given up."""
        self.skipped_bytes += 1
        return position + 1

    def _count_missing(self, sequence: int) -> None:
        if self._next_sequence is not None:
            jump = (sequence - self._next_sequence) & 0xFFFFFFFF
            # more than half the range ahead is a number from the past: a device that began anew
            self.missing_frames += jump if jump < 0x80000000 else 0
        self._next_sequence = (sequence + 1) & 0xFFFFFFFF
