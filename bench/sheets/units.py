"""Text with a unit to an SI float, by a closed table: the only place where unit text is read.

A `Quantity` is what a key wants. The same text may be right for one key and wrong for another: "2 %" of
travel is the fraction 0.02, "2 %" of duty is 2.0 per cent. Airspeed stays in knots, as everything else here
that flies says it. Messages say what was found and what is wanted; file and key are the reader's to add.
"""

import re
from dataclasses import dataclass

_PREFIXES = {"": 1.0, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_PREFIX_WORDS = {"": 1.0, "milli": 1e-3, "k": 1e3, "M": 1e6, "micro": 1e-6}
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*(.*)", re.ASCII)


_LONGEST_NUMBER = 40  # so that no number overflows


@dataclass(frozen=True, slots=True)
class Quantity:
    """A kind of figure: what to call it, an example, its unit inside, and every unit it may be written in."""

    name: str  # with its article: "a voltage"
    example: str
    symbol: str  # unit of the float that comes out
    suffix: str  # how names inside end: `voltage_v`
    factors: tuple[tuple[str, float], ...]


def _prefixed(symbol: str, prefixes: str) -> tuple[tuple[str, float], ...]:
    return tuple((prefix + symbol, _PREFIXES[prefix]) for prefix in ("", *prefixes))


VOLTAGE = Quantity("a voltage", "13.8 V", "V", "v", _prefixed("V", "um"))
CURRENT = Quantity("a current", "0.5 A", "A", "a", _prefixed("A", "um"))
POWER = Quantity("a power", "150 W", "W", "w", _prefixed("W", "mk"))
RESISTANCE = Quantity(
    "a resistance", "4.7 kohm", "ohm", "ohm", tuple((word + "ohm", scale) for word, scale in _PREFIX_WORDS.items())
)
CONDUCTANCE = Quantity("a conductance", "5 S", "S", "s", _prefixed("S", "um"))
CAPACITANCE = Quantity("a capacitance", "2.2 mF", "F", "f", _prefixed("F", "um"))
INDUCTANCE = Quantity("an inductance", "2 mH", "H", "h", _prefixed("H", "um"))
BACK_EMF = Quantity("a back-EMF constant", "0.02 V s", "V s", "v_s", (("V s", 1.0), ("mV s", 1e-3)))
INERTIA = Quantity("a moment of inertia", "2e-6 kg m2", "kg m2", "kg_m2", (("kg m2", 1.0), ("g cm2", 1e-7)))
FRICTION = Quantity("a friction by speed", "1e-6 N m s", "N m s", "n_m_s", (("N m s", 1.0),))
ANGLE = Quantity("an angle turned", "20000 rad", "rad", "rad", (("rad", 1.0),))
TIME = Quantity("a time", "500 ms", "s", "s", (*_prefixed("s", "um"), ("min", 60.0)))
FREQUENCY = Quantity("a frequency", "240 Hz", "Hz", "hz", _prefixed("Hz", "kM"))
VOLTAGE_RATE = Quantity("a rate of voltage", "5 V/s", "V/s", "v_per_s", (("V/s", 1.0), ("mV/s", 1e-3), ("V/ms", 1e3)))
CURRENT_RATE = Quantity("a rate of current", "10 A/ms", "A/s", "a_per_s", (("A/s", 1.0), ("A/ms", 1e3), ("A/us", 1e6)))
SAMPLE_RATE = Quantity("a sample rate", "50 kS/s", "S/s", "hz", (("S/s", 1.0), ("kS/s", 1e3), ("MS/s", 1e6)))
BIT_RATE = Quantity(
    "a bit rate", "125 kbit/s", "bit/s", "bit_per_s", (("bit/s", 1.0), ("kbit/s", 1e3), ("Mbit/s", 1e6))
)
BYTE_RATE = Quantity("a data rate", "6 MB/s", "B/s", "bytes_per_s", (("B/s", 1.0), ("kB/s", 1e3), ("MB/s", 1e6)))
AIRSPEED = Quantity("an airspeed", "60 kt", "kt", "kt", (("kt", 1.0),))
FRACTION = Quantity("a part of a whole", "0.05 %", "", "fraction", (("%", 1e-2), ("ppm", 1e-6)))
PERCENT = Quantity("a percentage", "3 %", "%", "percent", (("%", 1.0),))
SHUNT_SCALE = Quantity("a current per volt", "0.25 A/V", "A/V", "a_per_v", (("A/V", 1.0), ("mA/V", 1e-3)))
COUNT = Quantity("a plain number", "4", "", "count", (("", 1.0),))

MEASURABLE = (
    VOLTAGE,
    CURRENT,
    RESISTANCE,
    CONDUCTANCE,
    CAPACITANCE,
    TIME,
    FREQUENCY,
    PERCENT,
    AIRSPEED,
    VOLTAGE_RATE,
)


def read_quantity(found: object, wanted: Quantity) -> float:
    """Return `found` (text such as "4.7 kohm") as a float in `wanted.symbol`.

    >>> read_quantity("4.7 kohm", RESISTANCE)
    4700.0

    Raises:
        ValueError: not text, no number, or a unit that `wanted` does not know; says what is wanted.
    """
    match = _NUMBER.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is not None and len(match.group(1)) <= _LONGEST_NUMBER:
        for symbol, factor in wanted.factors:
            if match.group(2) == symbol:
                return _scaled(match.group(1), factor)
    raise ValueError(f'found {show(found)}, wanted {wanted.name} such as "{wanted.example}"')


def read_any(found: object, choices: tuple[Quantity, ...]) -> tuple[float, Quantity]:
    """Return `found` as a float together with the first of `choices` that knows its unit.

    Raises:
        ValueError: none of them does.
    """
    for quantity in choices:
        try:
            return read_quantity(found, quantity), quantity
        except ValueError:
            continue
    known = ", ".join(f'"{quantity.example}"' for quantity in choices)
    raise ValueError(f"found {show(found)}, wanted a figure with its unit such as {known}")


def read_accuracy(found: object, wanted: Quantity) -> tuple[float, float]:
    """Return the half-widths of "0.05 % + 10 mV": a fraction of the reading, and an absolute part.

    Raises:
        ValueError: not of that form, or a negative part.
    """
    mend = f'wanted an accuracy such as "0.05 % + {wanted.example}"'
    if not isinstance(found, str) or found.count("+") != 1:
        raise ValueError(f"found {show(found)}, {mend}")
    of_reading, absolute = (part.strip() for part in found.split("+"))
    try:
        bounds = (read_quantity(of_reading, FRACTION), read_quantity(absolute, wanted))
    except ValueError as fault:
        raise ValueError(f'found "{found}", {mend}') from fault
    if min(bounds) < 0:
        raise ValueError(f'found "{found}" with a negative part, {mend}')
    return bounds


def show(found: object) -> str:
    """Return `found` as a message shows it: text in quotes, the rest as TOML has it."""
    if isinstance(found, bool):
        return str(found).lower()
    if isinstance(found, str):
        return f'"{found}"'
    if isinstance(found, dict):
        return "a table"
    if isinstance(found, list | tuple):
        return "a list"
    return str(found)


def format_quantity(value: float, quantity: Quantity) -> str:
    """Return a value with its unit, in the form `read_quantity` reads.

    >>> format_quantity(0.02, RESISTANCE)
    '0.02 ohm'
    """
    if quantity is FRACTION:
        return f"{value * 100:.12g} %"
    return f"{value:.12g} {quantity.symbol}".rstrip()


def _scaled(number: str, factor: float) -> float:
    """Scale without the last-digit dust of a product: 20 m is 0.02, as `float("0.02")` is."""
    value = float(number)
    if factor < 1:
        return value / round(1 / factor)
    return value * factor
