"""Firmware, reports: CANaerospace payloads, each identifier with its own message code.

Byte 0 is the sending node, 1 the data type, 2 the service code (0), 3 the message code, which counts the
messages of that identifier; 4 to 7 hold the datum, most significant byte first (CANaerospace 1.7).
"""

import math
import struct

FLOAT = 2
ULONG = 4
KNOTS_PER_M_PER_S = 3600.0 / 1852.0


class Reports:
    """Builds the unit's reports and counts their message codes."""

    def __init__(self, node: int) -> None:
        self._node = node
        self._codes: dict[int, int] = {}

    def start(self) -> None:
        """Begin all message codes at 0."""
        self._codes.clear()

    def count(self, identifier: int, value: int) -> bytes:
        """Return the payload of an unsigned whole number (ULONG, wrapping at 32 bits)."""
        return self._payload(identifier, ULONG, struct.pack(">I", value & 0xFFFFFFFF))

    def discrete(self, identifier: int, *, state: bool, changes: int) -> bytes:
        """Return the payload of a discrete: bit 0 its state, bits 1 to 31 its change counter."""
        return self.count(identifier, (changes << 1) | int(state))

    def level(self, identifier: int, value: float) -> bytes:
        """Return the payload of a level (FLOAT)."""
        return self._payload(identifier, FLOAT, struct.pack(">f", value))

    def _payload(self, identifier: int, data_type: int, datum: bytes) -> bytes:
        code = self._codes.get(identifier, 0)
        self._codes[identifier] = (code + 1) & 0xFF
        return bytes((self._node, data_type, 0, code)) + datum


def airspeed_kt(data: bytes) -> float | None:
    """Return the airspeed in knots of a CANaerospace FLOAT in m/s, or None where it is something else."""
    if len(data) != 8 or data[1] != FLOAT:
        return None
    (speed_m_per_s,) = struct.unpack(">f", data[4:8])
    return float(speed_m_per_s) * KNOTS_PER_M_PER_S if math.isfinite(speed_m_per_s) else None
