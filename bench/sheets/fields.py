"""What a key of a sheet may hold: names, titles, pins, and figures with a unit, as pydantic field types.

Every type refuses in plain words what it does not want, and offers a stand-in that would have been accepted,
so that reading can go on and find the other faults of the file.
"""

import re
from collections.abc import Callable
from datetime import date
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

from bench.sheets import units
from bench.sheets.units import Quantity

STAND_IN = "stand_in"  # key of an error's context
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}", re.ASCII)
_SENTENCE = re.compile(r"[A-Z][A-Z0-9]{2,9}(?:,[ #%-)+\--\[\]_-z|]*)+", re.ASCII)  # none of NMEA 0183's own characters
_LONGEST_SENTENCE = 76  # NMEA 0183 has 82 characters, six of them around this
_FINDING = re.compile(r"[a-z0-9*][a-z0-9*-]*(?:\.[a-z0-9*-]+)+", re.ASCII)
_PIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,15}", re.ASCII)


def _kebab(name: str) -> str:
    return name.replace("_", "-")


class Table(BaseModel):
    """A TOML table: no key unknown, nothing converted, keys with hyphens for names with underscores."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, alias_generator=_kebab)


def fault(message: str, stand_in: object) -> PydanticCustomError:
    """Return a refusal that carries what could stand in its place."""
    return PydanticCustomError("sheet", "{words}", {"words": message, STAND_IN: stand_in})


def _figure(wanted: Quantity, *, least: float | None = None, above: float | None = None) -> PlainValidator:
    """Return a validator from text with a unit to an SI float, from `least` on or beyond `above`."""

    def read(found: object) -> float:
        stand_in = wanted.example
        try:
            value = units.read_quantity(found, wanted)
        except ValueError as refusal:
            raise fault(str(refusal), stand_in) from refusal
        if least is not None and value < least:
            raise fault(f'found "{found}", wanted at least {units.format_quantity(least, wanted)}', stand_in)
        if above is not None and value <= above:
            raise fault(f'found "{found}", wanted more than {units.format_quantity(above, wanted)}', stand_in)
        return value

    return PlainValidator(read, json_schema_input_type=shown_as(wanted.name, wanted.example))


def shown_as(name: str, example: str) -> object:
    """Return the type that a JSON Schema shows: text, with what it means and an example."""
    return Annotated[str, Field(description=name, examples=[example])]


def _words(check: Callable[[str], bool], wanted: str, stand_in: str) -> PlainValidator:
    def read(found: object) -> str:
        if not isinstance(found, str) or not check(found):
            raise fault(f"found {units.show(found)}, wanted {wanted}", stand_in)
        return found

    return PlainValidator(read, json_schema_input_type=shown_as(wanted, stand_in))


def is_name(text: str) -> bool:
    """Say whether text can be the name of a sheet, or of anything in one."""
    return _NAME.fullmatch(text) is not None


def _is_title(text: str) -> bool:
    return bool(text.strip()) and len(text) <= 120


def is_sentence(text: str) -> bool:
    """Say whether text can be the inside of an NMEA 0183 sentence with a place for a speed, and perhaps its unit."""
    fixed = text.replace("{speed}", "000.0", 1).replace("{unit}", "N", 1)
    return "{speed}" in text and len(fixed) <= _LONGEST_SENTENCE and _SENTENCE.fullmatch(fixed) is not None


def _read_date(found: object) -> str:
    if isinstance(found, str):
        try:
            return date.fromisoformat(found).isoformat()
        except ValueError:
            pass
    raise fault(f"found {units.show(found)}, wanted a date such as 2026-11-25", "2026-11-25")


def _accuracy(wanted: Quantity) -> PlainValidator:
    def read(found: object) -> tuple[float, float]:
        try:
            return units.read_accuracy(found, wanted)
        except ValueError as refusal:
            raise fault(str(refusal), f"0.05 % + {wanted.example}") from refusal

    return PlainValidator(read, json_schema_input_type=shown_as("an accuracy", f"0.05 % + {wanted.example}"))


def _one_accuracy(found: object) -> tuple[float, float, str]:
    """Return relative and absolute half-width and the unit of the absolute part: volts or amperes."""
    for wanted in (units.VOLTAGE, units.CURRENT):
        try:
            relative, absolute = units.read_accuracy(found, wanted)
        except ValueError:
            continue
        return relative, absolute, wanted.symbol
    message = f'found {units.show(found)}, wanted an accuracy such as "0.05 % + 10 mV" or "0.3 % + 3 mA"'
    raise fault(message, "0.05 % + 10 mV")


def _condition(found: object) -> object:
    """Let numbers, switches and lists of text through as they are; the plan's reader knows what each means."""
    if isinstance(found, (bool, int, str)) or (isinstance(found, list) and all(isinstance(x, str) for x in found)):
        return tuple(found) if isinstance(found, list) else found
    raise fault(f"found {units.show(found)}, wanted text with a unit, a whole number, true, false or a list", 1)


Name = Annotated[str, _words(is_name, "a name of a-z, 0-9 and hyphens", "name")]
PinName = Annotated[str, _words(lambda text: bool(_PIN.fullmatch(text)), 'a pin name such as "P1-4"', "P1-4")]
FindingPattern = Annotated[
    str,
    _words(
        lambda text: bool(_FINDING.fullmatch(text)),
        'the id of a finding, * in it for any text, such as "discrete-1.truth"',
        "discrete-1.truth",
    ),
]
Title = Annotated[str, _words(_is_title, "a title of 1 to 120 characters", "title")]
Sentence = Annotated[
    str,
    _words(
        is_sentence,
        'what stands between "$" and "*", 76 characters at most, {speed} once in it, such as "IIASP,{speed},{unit}"',
        "IIASP,{speed},{unit}",
    ),
]
Date = Annotated[str, PlainValidator(_read_date, json_schema_input_type=shown_as("a date", "2026-11-25"))]

Volts = Annotated[float, _figure(units.VOLTAGE, least=0.0)]
SignedVolts = Annotated[float, _figure(units.VOLTAGE)]
PositiveVolts = Annotated[float, _figure(units.VOLTAGE, above=0.0)]
PositiveAmperes = Annotated[float, _figure(units.CURRENT, above=0.0)]
Amperes = Annotated[float, _figure(units.CURRENT, least=0.0)]
Ohms = Annotated[float, _figure(units.RESISTANCE, least=0.0)]
PositiveOhms = Annotated[float, _figure(units.RESISTANCE, above=0.0)]
PositiveHenries = Annotated[float, _figure(units.INDUCTANCE, above=0.0)]
PositiveBackEmf = Annotated[float, _figure(units.BACK_EMF, above=0.0)]
PositiveInertia = Annotated[float, _figure(units.INERTIA, above=0.0)]
PositiveFriction = Annotated[float, _figure(units.FRICTION, above=0.0)]
PositiveAngle = Annotated[float, _figure(units.ANGLE, above=0.0)]
PositiveSeconds = Annotated[float, _figure(units.TIME, above=0.0)]
Seconds = Annotated[float, _figure(units.TIME, least=0.0)]
PositiveHertz = Annotated[float, _figure(units.FREQUENCY, above=0.0)]
PositiveSlew = Annotated[float, _figure(units.VOLTAGE_RATE, above=0.0)]
PositiveCurrentSlew = Annotated[float, _figure(units.CURRENT_RATE, above=0.0)]
PositiveWatts = Annotated[float, _figure(units.POWER, above=0.0)]
PositiveSampleRate = Annotated[float, _figure(units.SAMPLE_RATE, above=0.0)]
PositiveBitRate = Annotated[float, _figure(units.BIT_RATE, above=0.0)]
PositiveByteRate = Annotated[float, _figure(units.BYTE_RATE, above=0.0)]
Knots = Annotated[float, _figure(units.AIRSPEED, least=0.0)]
Fraction = Annotated[float, _figure(units.FRACTION, least=0.0)]
ShuntScale = Annotated[float, _figure(units.SHUNT_SCALE, above=0.0)]
VoltsAccuracy = Annotated[tuple[float, float], _accuracy(units.VOLTAGE)]
AmperesAccuracy = Annotated[tuple[float, float], _accuracy(units.CURRENT)]
AnyAccuracy = Annotated[
    tuple[float, float, str],
    PlainValidator(_one_accuracy, json_schema_input_type=shown_as("an accuracy", "0.3 % + 3 mA")),
]
Condition = Annotated[
    bool | int | str | tuple[str, ...],
    PlainValidator(_condition, json_schema_input_type=bool | int | str | list[str]),
]

Identifier = Annotated[int, Field(ge=0, le=2047)]  # CAN, 11 bits
Node = Annotated[int, Field(ge=0, le=255)]
Line = Annotated[int, Field(ge=0, le=255)]  # number of a DAQ input or output; the DAQ's own count is checked later
