"""Firmware, airspeed as text, voltage or contact: what the unit makes of it. Frames of the bus are `reports`'s.

A sentence is taken only with its checksum, its fixed fields as the sheet has them, and a figure. What can be wrong: it
takes sentences whatever their checksum, or figures whatever unit they name.
"""

import math
import re
from collections.abc import Mapping

from instruments.simulated.parameters import AirspeedInput

KNOTS = {"N": 1.0, "K": 1.0 / 1.852, "M": 3600.0 / 1852.0}  # knots per unit, by the letter a sentence names it with
LETTERS = {"kt": "N", "km/h": "K", "m/s": "M"}
PRESENT = 0.5  # a fault that is there or not is there from here on
LONGEST_LINE = 200  # bytes without a line end: what came is thrown away


class TextReceiver:
    """Collects characters to lines, and lines to airspeeds."""

    def __init__(self, parameters: AirspeedInput, quantities: Mapping[str, float]) -> None:
        fixed = re.escape(parameters.sentence)
        speed, unit = re.escape("{speed}"), re.escape("{unit}")
        pattern = fixed.replace(speed, r"(?P<speed>[^,]*)").replace(unit, r"(?P<unit>[^,]*)")
        self._said = re.compile(pattern)
        self._own = LETTERS[parameters.speed_unit]
        self._converts = parameters.converts_units
        self._unchecked = quantities["unit.airspeed_unchecked"] >= PRESENT
        self._any_unit = quantities["unit.airspeed_any_unit"] >= PRESENT
        self._line = bytearray()

    def start(self) -> None:
        """Begin with an empty line."""
        self._line.clear()

    def take(self, data: bytes) -> list[float]:
        """Return the airspeeds, in knots, of the lines that these characters complete."""
        self._line += data
        *lines, rest = bytes(self._line).split(b"\r\n")
        self._line = bytearray(rest[-LONGEST_LINE:])
        found = [self._airspeed_kt(line) for line in lines]
        return [airspeed_kt for airspeed_kt in found if airspeed_kt is not None]

    def _airspeed_kt(self, line: bytes) -> float | None:
        text = line.decode("ascii", "replace")
        body, _, digits = text.removeprefix("$").partition("*")
        check = 0
        for character in body:
            check ^= ord(character)
        in_order = text.startswith("$") and digits == f"{check:02X}"
        match = self._said.fullmatch(body) if in_order or self._unchecked else None
        if match is None:
            return None
        try:
            figure = float(match["speed"])
        except ValueError:
            return None
        letter = match.groupdict().get("unit") or self._own
        if self._any_unit:
            letter = self._own
        if letter not in KNOTS or (letter != self._own and not self._converts) or not math.isfinite(figure):
            return None
        return figure * KNOTS[letter]


def airspeed_at(parameters: AirspeedInput, voltage_v: float) -> float | None:
    """Return the airspeed that a voltage means; None where it says that there is none."""
    if voltage_v < parameters.lost_below_v:
        return None
    slope = (parameters.high_kt - parameters.low_kt) / (parameters.high_v - parameters.low_v)
    return parameters.low_kt + (voltage_v - parameters.low_v) * slope


def airspeed_by_contact(parameters: AirspeedInput, closed: bool) -> float:
    """Return an airspeed beyond the end of the schedule that a contact stands for."""
    return math.inf if closed == parameters.closed_when_fast else -math.inf
