"""What a unit sheet must say of airspeed: the route's own table and no other, figures that agree with the schedule."""

from collections.abc import Iterator

from bench.errors import Problem
from bench.sheets.unit_file import (
    AirspeedTable,
    AnalogueAirspeedTable,
    SwitchAirspeedTable,
    TextAirspeedTable,
    UnitFile,
)
from bench.sheets.units import AIRSPEED, TIME, VOLTAGE, format_quantity

ROUTES = ("canaerospace", "text", "analogue", "switch")
_ABOUT_THE_FIGURE = ("frozen-after", "lowest", "highest")  # of frames and sentences, which carry one
_BITS_PER_CHARACTER = 10  # start bit, eight bits, stop bit
_AROUND = 6  # characters around the inside of a sentence: "$", "*", two digits, carriage return, line feed


def check_airspeed(unit: UnitFile, file: str) -> Iterator[Problem]:
    """Yield every fault of meaning in `[airspeed]`."""
    table = unit.airspeed
    if table is None:
        if unit.trim_rules is not None and unit.trim_rules.slow_airspeed is not None:
            mend = "add it: the trim slows with airspeed, and the sheet must say how that reaches the unit"
            yield Problem(file, "airspeed", "is missing", mend)
        return
    for route in ROUTES:
        given = getattr(table, route) is not None
        if route == table.route and not given:
            yield Problem(file, f"airspeed.{route}", "is missing", "add it: it is the route")
        if route != table.route and given:
            yield Problem(
                file, f"airspeed.{route}", f'the route is "{table.route}"', "take it out, or change the route"
            )
    if table.route == "canaerospace" and unit.bus is None:
        yield Problem(file, "airspeed.route", "the unit has no bus", "add [bus], or give another route")
    yield from _lost_and_absurd(unit, table, file)
    if table.route == "text" and table.text is not None:
        yield from _text(table.text, file)
    if table.route == "analogue" and table.analogue is not None:
        yield from _analogue(unit, table.analogue, file)
    if table.route == "switch" and table.switch is not None:
        yield from _switch(unit, table.switch, file)


def _lost_and_absurd(unit: UnitFile, table: AirspeedTable, file: str) -> Iterator[Problem]:
    digital = table.route in {"canaerospace", "text"}
    if not digital:
        for key in _ABOUT_THE_FIGURE:
            if getattr(table, key.replace("-", "_")) is not None:
                yield Problem(file, f"airspeed.{key}", f"{_named(table.route)} carries no figure", "take it out")
    if table.lost is None and (digital or (table.analogue is not None and table.analogue.lost_below is not None)):
        yield Problem(file, "airspeed.lost", "is missing", 'add it, such as "3 s"')
    if table.lost is not None and table.route == "switch":
        yield Problem(file, "airspeed.lost", "a switch can't be lost", "take it out")
    if table.lost is not None and table.analogue is not None and table.analogue.lost_below is None:
        mend = "add it, or take out airspeed.lost: nothing tells the unit of a dead line"
        yield Problem(file, "airspeed.analogue.lost-below", "is missing", mend)
    least = unit.trim_rules.slow_airspeed if unit.trim_rules is not None else None
    if table.highest is not None and least is not None and table.highest <= least:
        what = f"{format_quantity(table.highest, AIRSPEED)} is not above trim-rules.slow-airspeed"
        yield Problem(file, "airspeed.highest", what, f"give more than {format_quantity(least, AIRSPEED)}")
    full_kt = unit.ratings.full_trim_airspeed
    if table.lowest is not None and full_kt is not None and table.lowest >= full_kt:
        what = f"{format_quantity(table.lowest, AIRSPEED)} is not below ratings.full-trim-airspeed"
        yield Problem(file, "airspeed.lowest", what, f"give less than {format_quantity(full_kt, AIRSPEED)}")


def _text(text: TextAirspeedTable, file: str) -> Iterator[Problem]:
    names_unit = "{unit}" in text.sentence
    if names_unit and text.other_units is None:
        mend = 'add it: "refused" or "converted"'
        yield Problem(file, "airspeed.text.other-units", "is missing", mend)
    if not names_unit and text.other_units is not None:
        what = "the sentence names no {unit}"
        yield Problem(file, "airspeed.text.other-units", what, "take it out, or show {unit} in the sentence")
    length = len(text.sentence.replace("{speed}", "000.0")) + _AROUND
    needed_s = length * _BITS_PER_CHARACTER / text.bit_rate
    if needed_s >= text.period:
        what = f"a sentence lasts {format_quantity(needed_s, TIME)} at this bit rate"
        yield Problem(file, "airspeed.text.period", what, "give a longer period, or a higher bit rate")


def _analogue(unit: UnitFile, analogue: AnalogueAirspeedTable, file: str) -> Iterator[Problem]:
    low, high = analogue.low, analogue.high
    if low.airspeed >= high.airspeed:
        what = f"{format_quantity(low.airspeed, AIRSPEED)} is not below high.airspeed"
        yield Problem(file, "airspeed.analogue.low.airspeed", what, "swap the two points, or correct one")
    if low.voltage == high.voltage:
        what = f"both points are at {format_quantity(low.voltage, VOLTAGE)}"
        yield Problem(file, "airspeed.analogue.high.voltage", what, "correct one of them")
    if analogue.lost_below is not None and analogue.lost_below >= min(low.voltage, high.voltage):
        what = f"{format_quantity(analogue.lost_below, VOLTAGE)} is not below both points"
        yield Problem(file, "airspeed.analogue.lost-below", what, "give less than the lower voltage")
    slow_kt = unit.trim_rules.slow_airspeed if unit.trim_rules is not None else None
    if slow_kt is not None and high.airspeed <= slow_kt:
        what = f"{format_quantity(high.airspeed, AIRSPEED)} is not above trim-rules.slow-airspeed"
        yield Problem(file, "airspeed.analogue.high.airspeed", what, "give a point beyond the schedule")


def _switch(unit: UnitFile, switch: SwitchAirspeedTable, file: str) -> Iterator[Problem]:
    """Yield where the switch and the schedule disagree: with a switch there is nothing between its two airspeeds."""
    if switch.falling >= switch.rising:
        what = f"{format_quantity(switch.falling, AIRSPEED)} is not below rising"
        yield Problem(file, "airspeed.switch.falling", what, "swap the two, or correct one")
        return
    slow_kt = unit.trim_rules.slow_airspeed if unit.trim_rules is not None else None
    for key, given, side, wanted in (
        ("ratings.full-trim-airspeed", unit.ratings.full_trim_airspeed, "falling", switch.falling),
        ("trim-rules.slow-airspeed", slow_kt, "rising", switch.rising),
    ):
        if given is not None and given != wanted:
            what = f"{format_quantity(given, AIRSPEED)} is not airspeed.switch.{side}"
            yield Problem(file, key, what, f"give {format_quantity(wanted, AIRSPEED)}: a switch knows nothing between")


def _named(route: str) -> str:
    return "a switch" if route == "switch" else "a voltage"
