"""Airspeed as the bench gives it: one value again and again on a grid of time, by the route of the unit sheet.

It never waits and never reads a clock: the rig hands it the time. Every sending is told, with what went out.
"""

import math
from bisect import insort
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from typing import Protocol

from bench.errors import BenchError
from bench.sheets.bench_sheet import BenchSheet
from instruments.canaerospace import airspeed_payload, no_number_payload
from instruments.capabilities import AvionicsBus, DataAcquisition, TextOutput
from instruments.nmea0183 import checksum, encode_sentence
from test_plans.rig import AirspeedFault
from test_plans.sheets import SPEED_PER_KNOT, SPEED_SYMBOLS, Airspeed, AirspeedRoute, AirspeedSwitch, AirspeedText
from test_plans.signals import AIRSPEED

BENCH_NODE = 100
BITS_PER_CHARACTER = 10
DEAD_LINE_V = 0.0
LEAST_UNSTEADY_KT = 0.2  # a fifth of a per cent of duty on a usual schedule

Field = float | int | str | bool


class Emitter(Protocol):
    """One route."""

    def send(self, airspeed_kt: float, fault: AirspeedFault) -> Mapping[str, Field]:
        """Send one airspeed, NaN for what is no number; return what is to be logged of it."""
        ...

    def lose(self) -> Mapping[str, Field] | None:
        """Be without airspeed from now on; return what is to be logged where that needs a doing."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """An airspeed that went out, or its end: when, and what is logged of it."""

    time_s: float
    fields: Mapping[str, Field]


class AirspeedSource:
    """Sends an airspeed every period, held back over quiet stretches, until it is given another or stopped.

    Every other one is higher by `unsteady_kt`, as an airspeed in flight never stands still; 0 leaves it as it is.
    """

    def __init__(self, emitter: Emitter, period_s: float, *, unsteady_kt: float = 0.0) -> None:
        self._emitter = emitter
        self._period_s = period_s
        self._unsteady_kt = unsteady_kt
        self._higher = False
        self._airspeed_kt: float | None = None
        self._fault = AirspeedFault.NONE
        self._due_s = 0.0
        self._quiet: list[tuple[float, float]] = []  # in order of time

    def start(self, airspeed_kt: float, now_s: float) -> None:
        """Send `airspeed_kt` from `now_s` on."""
        self._airspeed_kt, self._fault = airspeed_kt, AirspeedFault.NONE
        self._due_s = now_s

    def set(self, airspeed_kt: float, now_s: float, fault: AirspeedFault = AirspeedFault.NONE) -> None:
        """Send another airspeed from the next place of the grid on; where none is sent, begin at `now_s`.

        NaN is sent as it is: in good order, and no number.
        """
        if self._airspeed_kt is None:
            self._due_s = now_s
        self._airspeed_kt, self._fault = airspeed_kt, fault

    def stop(self, now_s: float) -> Sent | None:
        """Send no more airspeed; return what is to be logged of it."""
        was_sending, self._airspeed_kt = self._airspeed_kt is not None, None
        fields = self._emitter.lose() if was_sending else None
        return Sent(time_s=now_s, fields=fields) if fields is not None else None

    def quiet(self, from_s: float, to_s: float) -> None:
        """Hold back what is due in this stretch of bench time until its end."""
        insort(self._quiet, (from_s, to_s))

    def next_due_s(self) -> float | None:
        """Return when the next one goes out, quiet stretches respected; None when none is due."""
        if self._airspeed_kt is None:
            return None
        due_s = self._due_s
        for from_s, to_s in self._quiet:
            if from_s > due_s:
                break
            due_s = max(due_s, to_s)
        return due_s

    def send_due(self, now_s: float) -> Sent | None:
        """Send what is due by `now_s`, if anything is; the grid stays where it began."""
        due_s = self.next_due_s()
        if due_s is None or self._airspeed_kt is None or due_s > now_s + 1e-9:
            return None
        self._higher = not self._higher and self._fault is not AirspeedFault.FROZEN
        given_kt = self._airspeed_kt + (self._unsteady_kt if self._higher else 0.0)
        fields = {"airspeed_kt": self._airspeed_kt, **self._emitter.send(given_kt, self._fault)}
        if self._fault is not AirspeedFault.NONE:
            fields["fault"] = self._fault.value
        while self._due_s <= now_s + 1e-9:
            self._due_s += self._period_s
        while self._quiet and self._quiet[0][1] <= now_s:
            del self._quiet[0]
        return Sent(time_s=now_s, fields=fields)


class FrameEmitter:
    """Airspeed as CANaerospace frames."""

    def __init__(self, bus: AvionicsBus, identifier: int) -> None:
        self._bus = bus
        self._identifier = identifier
        self._message_codes = count()

    def send(self, airspeed_kt: float, fault: AirspeedFault) -> Mapping[str, Field]:
        """Send a frame.

        Raises:
            BenchError: a fault that no frame can have.
        """
        _refuse(fault, "a frame of the avionics bus")
        code = next(self._message_codes) % 256
        if math.isnan(airspeed_kt):
            data = no_number_payload(node=BENCH_NODE, message_code=code)
        else:
            data = airspeed_payload(airspeed_kt, node=BENCH_NODE, message_code=code)
        self._bus.send(self._identifier, data)
        return {}

    def lose(self) -> None:
        """Do nothing: no more frames is all it takes."""


class TextEmitter:
    """Airspeed as NMEA 0183 sentences, in good order or wrong in one respect."""

    def __init__(self, line: TextOutput, text: AirspeedText) -> None:
        self._line = line
        self._text = text

    def send(self, airspeed_kt: float, fault: AirspeedFault) -> Mapping[str, Field]:
        """Send a sentence; one that is no number has nothing where the figure belongs."""
        data = text_of(self._text, airspeed_kt, fault)
        self._line.send(data)
        return {
            "route": AirspeedRoute.TEXT.value,
            "text": data.decode("ascii"),
            "bit_rate": self._text.bit_rate,
            "lasts_s": BITS_PER_CHARACTER * len(data) / self._text.bit_rate,
        }

    def lose(self) -> None:
        """Do nothing: no more sentences is all it takes."""


class VoltageEmitter:
    """Airspeed as a voltage."""

    def __init__(self, daq: DataAcquisition, output: int, airspeed: Airspeed) -> None:
        if airspeed.analogue is None:
            raise BenchError("airspeed by voltage without its two points; the sheet was not checked")
        self._daq = daq
        self._output = output
        self._analogue = airspeed.analogue

    def send(self, airspeed_kt: float, fault: AirspeedFault) -> Mapping[str, Field]:
        """Set the voltage; that of a dead line for what is no number.

        Raises:
            BenchError: a fault that no voltage can have.
        """
        _refuse(fault, "a voltage")
        return self._put(DEAD_LINE_V if math.isnan(airspeed_kt) else self._analogue.volts(airspeed_kt))

    def lose(self) -> Mapping[str, Field]:
        """Set the voltage of a dead line."""
        return {"airspeed_kt": math.nan, **self._put(DEAD_LINE_V)}

    def _put(self, volts: float) -> Mapping[str, Field]:
        self._daq.set_analog(self._output, volts)
        return {"route": AirspeedRoute.ANALOGUE.value, "volts": volts}


class ContactEmitter:
    """Airspeed as a contact with hysteresis."""

    def __init__(self, daq: DataAcquisition, output: int, switch: AirspeedSwitch) -> None:
        self._daq = daq
        self._output = output
        self._switch = switch
        self._fast = False

    def send(self, airspeed_kt: float, fault: AirspeedFault) -> Mapping[str, Field]:
        """Close or open the contact as a switch of that kind would.

        Raises:
            BenchError: a fault that no contact can have.
        """
        _refuse(fault, "a contact")
        if airspeed_kt >= self._switch.rising_kt:
            self._fast = True
        elif airspeed_kt <= self._switch.falling_kt:
            self._fast = False
        closed = self._fast == self._switch.closed_when_fast
        self._daq.set_digital(self._output, closed)
        return {"route": AirspeedRoute.SWITCH.value, "closed": closed}

    def lose(self) -> None:
        """Do nothing: a contact can't be lost."""


def text_of(text: AirspeedText, airspeed_kt: float, fault: AirspeedFault) -> bytes:
    """Return the sentence of an airspeed.

    Args:
        text: how the unit sheet describes it.
        airspeed_kt: NaN leaves the place of the figure empty.
        fault: a wrong checksum; cut short ahead of it; or in another unit, in good order otherwise.
    """
    unit = text.speed_unit
    if fault is AirspeedFault.OTHER_UNIT:
        unit = other_unit(text)
    figure = "" if math.isnan(airspeed_kt) else f"{airspeed_kt * SPEED_PER_KNOT[unit]:.{text.decimals}f}"
    said = text.sentence.replace("{speed}", figure).replace("{unit}", SPEED_SYMBOLS[unit])
    sentence = encode_sentence(said)
    if fault is AirspeedFault.CHECKSUM:
        return sentence[:-4] + f"{checksum(said) ^ 0x5A:02X}\r\n".encode("ascii")
    if fault is AirspeedFault.CUT_SHORT:
        return sentence[:-5] + b"\r\n"
    return sentence


def other_unit(text: AirspeedText) -> str:
    """Return a unit of speed that is not the sheet's."""
    return "kt" if text.speed_unit == "km/h" else "km/h"


def airspeed_source(
    airspeed: Airspeed | None,
    *,
    sheet: BenchSheet,
    daq: DataAcquisition,
    bus: AvionicsBus | None,
    text_line: TextOutput | None,
) -> AirspeedSource | None:
    """Return what gives airspeed by the unit's route; None where it takes none, or this bench has no line for it."""
    emitter: Emitter | None = None
    if airspeed is None:
        return None
    if airspeed.route is AirspeedRoute.CANAEROSPACE and bus is not None:
        emitter = FrameEmitter(bus, airspeed.identifier)
    elif airspeed.text is not None and text_line is not None:
        emitter = TextEmitter(text_line, airspeed.text)
    elif airspeed.analogue is not None and AIRSPEED in sheet.stimuli:
        emitter = VoltageEmitter(daq, sheet.stimuli[AIRSPEED], airspeed)
    elif airspeed.switch is not None and AIRSPEED in sheet.switches:
        emitter = ContactEmitter(daq, sheet.switches[AIRSPEED], airspeed.switch)
    return None if emitter is None else AirspeedSource(emitter, airspeed.period_s, unsteady_kt=_unsteady_kt(airspeed))


def _unsteady_kt(airspeed: Airspeed) -> float:
    """Return by how much an airspeed must move so that the unit does not take it for frozen: 0 where it never does."""
    if math.isinf(airspeed.frozen_s):
        return 0.0
    text = airspeed.text
    last_place_kt = 0.0 if text is None else 10.0**-text.decimals / SPEED_PER_KNOT[text.speed_unit]
    return max(LEAST_UNSTEADY_KT, last_place_kt)


def _refuse(fault: AirspeedFault, what: str) -> None:
    if fault not in {AirspeedFault.NONE, AirspeedFault.FROZEN}:
        raise BenchError(f"airspeed: {what} can't have a {fault.value}. Correct the procedure.")
