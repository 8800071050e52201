"""CANaerospace payloads: eight bytes that say who sends what, in which type, and its value.

Node, data type, service code, message code, then four bytes of data, big-endian. The interface is published
by its author with no rights reserved (CANaerospace interface specification 1.7).
"""

import math
import struct
from dataclasses import dataclass
from enum import IntEnum

KNOT_M_PER_S = 1852 / 3600  # one international nautical mile (1852 m) per hour
INDICATED_AIRSPEED_IDENTIFIER = 315
PAYLOAD_BYTES = 8

_HEAD = struct.Struct(">BBBB")


class DataType(IntEnum):
    """Data types that have one value of four bytes."""

    FLOAT = 2
    LONG = 3
    ULONG = 4


_VALUE = {DataType.FLOAT: struct.Struct(">f"), DataType.LONG: struct.Struct(">i"), DataType.ULONG: struct.Struct(">I")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Payload:
    """A decoded payload. `value` is a float for FLOAT, else an int."""

    node: int
    data_type: DataType
    service_code: int
    message_code: int
    value: float | int


def encode_payload(payload: Payload) -> bytes:
    """Return the eight bytes.

    Raises:
        ValueError: a field or the value does not fit its place.
    """
    kind = DataType(payload.data_type)
    try:
        head = _HEAD.pack(payload.node, kind, payload.service_code, payload.message_code)
        return head + _VALUE[kind].pack(payload.value)
    except (struct.error, OverflowError) as error:
        raise ValueError(f"{payload} does not fit a CANaerospace payload: {error}") from error


def decode_payload(data: bytes) -> Payload:
    """Read eight bytes.

    Raises:
        ValueError: not eight bytes, or of a data type that has no value of four bytes.
    """
    if len(data) != PAYLOAD_BYTES:
        raise ValueError(f"CANaerospace payload {data.hex(' ')!r} has {len(data)} bytes, not {PAYLOAD_BYTES}")
    node, kind, service_code, message_code = _HEAD.unpack_from(data)
    try:
        data_type = DataType(kind)
    except ValueError:
        raise ValueError(f"CANaerospace payload {data.hex(' ')!r} has data type {kind}; known: 2, 3, 4") from None
    (value,) = _VALUE[data_type].unpack_from(data, _HEAD.size)
    return Payload(node=node, data_type=data_type, service_code=service_code, message_code=message_code, value=value)


def airspeed_payload(airspeed_kt: float, *, node: int, message_code: int) -> bytes:
    """Return the payload of an indicated airspeed given in knots; on the bus it stands in m/s as FLOAT.

    Args:
        airspeed_kt: finite.
        node: sender, 0 to 255.
        message_code: counts the sender's messages; taken modulo 256.

    Raises:
        ValueError: airspeed not finite, or node out of range.
    """
    if not math.isfinite(airspeed_kt):
        raise ValueError(f"airspeed {airspeed_kt} kt is not a number to send")
    return encode_payload(
        Payload(
            node=node,
            data_type=DataType.FLOAT,
            service_code=0,
            message_code=message_code % 256,
            value=airspeed_kt * KNOT_M_PER_S,
        )
    )


def no_number_payload(*, node: int, message_code: int) -> bytes:
    """Return a FLOAT payload in good order whose value is no number, to see what a receiver makes of it."""
    return encode_payload(
        Payload(node=node, data_type=DataType.FLOAT, service_code=0, message_code=message_code % 256, value=math.nan)
    )
