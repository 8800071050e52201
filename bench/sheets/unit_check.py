"""What a unit sheet must hold beyond its shape: names that exist, pins used once, limits in order."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

from bench.errors import Problem
from bench.sheets.airspeed_check import check_airspeed
from bench.sheets.limit_text import LIMIT_QUANTITIES
from bench.sheets.schema import suggestion
from bench.sheets.simulation_check import check_simulation
from bench.sheets.source import join_key
from bench.sheets.unit_file import THRESHOLD_LIMITS, LimitTable, ReportTable, UnitFile
from bench.sheets.units import AIRSPEED, TIME, VOLTAGE, Quantity, format_quantity
from test_plans.sheets import FIRMWARE_REPORT

AIRSPEED_LINE = "airspeed"  # what its line is called
NEEDED_REPORTS = ("reset-count", "configuration")


def check_unit(unit: UnitFile, file: str, *, margins: bool = True) -> Iterator[Problem]:
    """Yield every fault of meaning.

    `margins`: whether good units must be drawn plainly inside the limits and defects lie plainly outside. Judging
    stored captures under other limits needs no such unit.
    """
    yield from _ratings(unit, file)
    yield from _pins(unit, file)
    yield from _hold_ups(unit, file)
    yield from _names(unit, file)
    yield from _levels(unit, file)
    yield from _trim_rules(unit, file)
    yield from check_airspeed(unit, file)
    yield from _reports(unit, file)
    yield from _profiles(unit, file)
    yield from _interruptions(unit, file)
    sound_limits: set[str] = set()
    for name, limit in unit.limits.items():
        faults = list(_limit(name, limit, file))
        yield from faults
        sound_limits |= set() if faults else {name}
    yield from _discrete_limits(unit, file)
    yield from check_simulation(unit, sound_limits if margins else frozenset(), file)


def _profiles(unit: UnitFile, file: str) -> Iterator[Problem]:
    """Yield profiles that ask for nothing, or for the hold-up output of a model that has none."""
    held_up = any(output.held_at is not None for output in unit.outputs.values())
    for name, entry in unit.profiles.items():
        key = join_key("profiles", name)
        if entry.hold_up is None and entry.logic is None:
            yield Problem(file, key, "requires nothing", "give hold-up or logic, or take it out")
        if entry.hold_up is not None and not held_up:
            yield Problem(file, f"{key}.hold-up", "the model has no hold-up output", "take it out, or give held-at")
        if entry.logic is not None and unit.bus is None:
            yield Problem(file, f"{key}.logic", "the model reports nothing that would show it", "take it out")


def _interruptions(unit: UnitFile, file: str) -> Iterator[Problem]:
    """Yield states that a model has not got, that ask for nothing, or whose figures don't rise with the behaviours."""
    has = {
        "idle": True,
        "trim": bool(unit.trims),
        "dimming": bool(unit.dimming),
        "hold-up": any(output.held_at is not None for output in unit.outputs.values()),
    }
    if unit.interruptions and (unit.bus is None or "reset-count" not in unit.bus.reports):
        yield Problem(file, "interruptions", "the model reports no reset-count that would show it", "take it out")
    for state, entry in unit.interruptions.items():
        key, longest = join_key("interruptions", state), list(entry.longest_s.items())
        if not has[state]:
            yield Problem(file, key, "the model has nothing that it speaks of", "take it out")
        if not longest:
            yield Problem(file, key, "requires nothing", "give kept-working or lost-and-recovered, or take it out")
        for (one, before_s), (other, longest_s) in pairwise(longest):
            if longest_s <= before_s:
                what = f'up to {longest_s * 1e3:g} ms "{other.value}", but up to {before_s * 1e3:g} ms "{one.value}"'
                yield Problem(file, key, what, "let the lengths rise from each behaviour to the next")


def pins_in_use(unit: UnitFile) -> Iterator[tuple[str, str]]:
    """Yield (key, pin) of every place of the sheet that claims a pin."""
    yield "power.power-pin", unit.power.power_pin
    yield "power.power-ground-pin", unit.power.power_ground_pin
    yield "power.signal-ground-pin", unit.power.signal_ground_pin
    for table, entries in (
        ("discretes", unit.discretes),
        ("rheostats", unit.rheostats),
        ("dimming", unit.dimming),
        ("inputs", unit.inputs),
    ):
        for name, entry in entries.items():
            yield f"{table}.{name}.pin", entry.pin
    for name, trim in unit.trims.items():
        yield f"trims.{name}.plus-pin", trim.plus_pin
        yield f"trims.{name}.minus-pin", trim.minus_pin
        for index, switch in enumerate(trim.switches):
            yield f"trims.{name}.switches[{index}].pin", switch.pin
    for name, output in unit.outputs.items():
        yield f"outputs.{name}.plus-pin", output.plus_pin
        if output.minus_pin is not None:
            yield f"outputs.{name}.minus-pin", output.minus_pin
    if unit.airspeed is not None and unit.airspeed.pin is not None:
        yield f"airspeed.{unit.airspeed.route}.pin", unit.airspeed.pin


def _ratings(unit: UnitFile, file: str) -> Iterator[Problem]:
    ratings = unit.ratings
    rising = (
        ("lowest-voltage", ratings.lowest_voltage),
        ("nominal-voltage", ratings.nominal_voltage),
        ("highest-voltage", ratings.highest_voltage),
        ("survives-voltage", ratings.survives_voltage),
    )
    for (lower_name, lower), (upper_name, upper) in pairwise(rising):
        if lower > upper:
            what = f"{format_quantity(lower, VOLTAGE)} is above {upper_name} {format_quantity(upper, VOLTAGE)}"
            yield Problem(file, f"ratings.{lower_name}", what, "swap the two, or correct one")
    if unit.debounce is not None and unit.debounce.rejects >= unit.debounce.accepts:
        rejects, accepts = (format_quantity(x, TIME) for x in (unit.debounce.rejects, unit.debounce.accepts))
        what = f"{rejects} is not below accepts {accepts}"
        yield Problem(file, "debounce.rejects", what, "swap the two, or correct one")


def _pins(unit: UnitFile, file: str) -> Iterator[Problem]:
    first_use: dict[str, str] = {}
    for key, pin in pins_in_use(unit):
        if pin not in unit.pins:
            yield Problem(file, key, f'there is no pin "{pin}"', suggestion(pin, unit.pins, "pins"))
        elif pin in first_use:
            yield Problem(file, key, f'pin "{pin}" is already that of {first_use[pin]}', "give each its own pin")
        else:
            first_use[pin] = key


def _hold_ups(unit: UnitFile, file: str) -> Iterator[Problem]:
    for name, output in unit.outputs.items():
        if (output.held_at is None) != (output.rated_current is None):
            missing = "held-at" if output.held_at is None else "rated-current"
            what = "is missing beside its other half"
            yield Problem(
                file, f"outputs.{name}.{missing}", what, "give held-at and rated-current together, or neither"
            )
        if output.short_proof and output.held_at is None:
            what = "stands at an output that is not held up"
            yield Problem(file, f"outputs.{name}.short-proof", what, "take it out: only a hold-up output is shorted")


def _names(unit: UnitFile, file: str) -> Iterator[Problem]:
    for table, named in (("trims", unit.trims), ("outputs", unit.outputs), ("inputs", unit.inputs)):
        for name, entry in named.items():
            if entry.function not in unit.functions:
                what = f'there is no function "{entry.function}"'
                mend = suggestion(entry.function, unit.functions, "functions")
                yield Problem(file, f"{table}.{name}.function", what, mend)
    owner: dict[str, str] = {}
    for key, name in _signal_names(unit):
        if name in owner:
            yield Problem(file, key, f'the name "{name}" is already that of {owner[name]}', "give each its own name")
        owner.setdefault(name, key)


def _signal_names(unit: UnitFile) -> Iterator[tuple[str, str]]:
    """Yield (key, name) of everything that lends its name to a signal or a line."""
    if unit.airspeed is not None and unit.airspeed.pin is not None:
        yield "airspeed", AIRSPEED_LINE
    for table, names in (
        ("discretes", unit.discretes),
        ("rheostats", unit.rheostats),
        ("dimming", unit.dimming),
        ("trims", unit.trims),
        ("outputs", unit.outputs),
        ("inputs", unit.inputs),
    ):
        for name in names:
            yield f"{table}.{name}", name
    for axis, trim in unit.trims.items():
        for index, switch in enumerate(trim.switches):
            yield f"trims.{axis}.switches[{index}].name", switch.name


def _levels(unit: UnitFile, file: str) -> Iterator[Problem]:
    yield from _open_wipers(unit, file)
    for name, output in unit.dimming.items():
        key, wanted = f"dimming.{name}", output.level_quantity
        right = True
        for side, (value, quantity) in (("low-level", output.low_level), ("high-level", output.high_level)):
            if quantity is not wanted:
                right = False
                what = f"found {format_quantity(value, quantity)} for a {output.kind} output"
                yield Problem(file, f"{key}.{side}", what, f'give {wanted.name} such as "{wanted.example}"')
        if right and output.low_level[0] >= output.high_level[0]:
            low, high = (format_quantity(*level) for level in (output.low_level, output.high_level))
            what = f"{low} is not below high-level {high}"
            yield Problem(file, f"{key}.low-level", what, "swap the two, or correct one")
        if output.kind == "pwm" and output.frequency is None:
            yield Problem(file, f"{key}.frequency", "is missing", "add it: a pwm output has a frequency")
        if output.kind == "dc" and output.frequency is not None:
            yield Problem(file, f"{key}.frequency", "a dc output has no frequency", "take it out")


def _open_wipers(unit: UnitFile, file: str) -> Iterator[Problem]:
    """An open wiper is told from one that stands somewhere on its travel, and does something stated."""
    for name, rheostat in unit.rheostats.items():
        key = f"rheostats.{name}"
        for given, side in ((rheostat.open_voltage, "open-travel"), (rheostat.open_travel, "open-voltage")):
            if given is not None and getattr(rheostat, side.replace("-", "_")) is None:
                yield Problem(file, f"{key}.{side}", "is missing", "add it, or take out the other half")
        if rheostat.open_voltage is not None and rheostat.open_voltage <= rheostat.full_travel:
            ends = format_quantity(rheostat.full_travel, VOLTAGE)
            what = f"{format_quantity(rheostat.open_voltage, VOLTAGE)} is not above full-travel {ends}"
            yield Problem(file, f"{key}.open-voltage", what, "give where an open wiper idles, beyond its travel")


def _trim_rules(unit: UnitFile, file: str) -> Iterator[Problem]:
    rules, full_kt = unit.trim_rules, unit.ratings.full_trim_airspeed
    if rules is None:
        if unit.trims:
            yield Problem(file, "trim-rules", "is missing", "add it: the unit has trim outputs")
    elif rules.slow_airspeed is None:
        if full_kt is not None:
            yield Problem(file, "trim-rules.slow-airspeed", "is missing", "add it: there is a full-trim-airspeed")
    elif full_kt is None:
        yield Problem(file, "ratings.full-trim-airspeed", "is missing", "add it: there is a slow-airspeed")
    elif rules.slow_airspeed <= full_kt:
        what = f"{format_quantity(rules.slow_airspeed, AIRSPEED)} is not above ratings.full-trim-airspeed"
        yield Problem(file, "trim-rules.slow-airspeed", what, f"give more than {format_quantity(full_kt, AIRSPEED)}")


def _reports(unit: UnitFile, file: str) -> Iterator[Problem]:
    yield from _states_of_discretes(unit, file)
    if unit.bus is None:
        return
    reports = unit.bus.reports
    for name in NEEDED_REPORTS:
        if name not in reports:
            yield Problem(file, f"bus.reports.{name}", "is missing", "add it: every run reads it")
    for name in (*NEEDED_REPORTS, FIRMWARE_REPORT):
        if name in reports and reports[name].kind != "count":
            yield Problem(file, f"bus.reports.{name}.kind", f'found "{reports[name].kind}"', 'give "count"')
    owner: dict[int, str] = {}
    if unit.airspeed is not None and unit.airspeed.canaerospace is not None:
        owner[unit.airspeed.canaerospace.identifier] = "airspeed.canaerospace.identifier"
    for name, report in reports.items():
        key = f"bus.reports.{name}.identifier"
        if report.identifier in owner:
            what = f"{report.identifier} is already that of {owner[report.identifier]}"
            yield Problem(file, key, what, "give each its own identifier")
        owner.setdefault(report.identifier, key)
        yield from _bits(unit, name, report, file)


def _bits(unit: UnitFile, name: str, report: ReportTable, file: str) -> Iterator[Problem]:
    """The bits of a setting stand for trim axes, or for dimming outputs between two rheostats; each stands once."""
    key, bits = f"bus.reports.{name}.bits", report.bits
    if not bits:
        return
    if report.kind != "setting":
        yield Problem(file, key, f'goes with kind "setting", not "{report.kind}"', "take it out, or correct the kind")
    elif not (set(bits) <= unit.trims.keys() or set(bits) <= unit.dimming.keys()):
        yield Problem(file, key, "are neither all trim axes nor all dimming outputs", "name those of one kind")
    elif len(set(bits)) < len(bits):
        yield Problem(file, key, "name one twice", "give each one bit")
    elif set(bits) <= unit.dimming.keys() and len(unit.rheostats) != 2:
        what = f"a bit chooses one of two rheostats, and there are {len(unit.rheostats)}"
        yield Problem(file, key, what, "take bits out")


def _states_of_discretes(unit: UnitFile, file: str) -> Iterator[Problem]:
    """Each discrete is reported on the bus, or shown to a person, and not both; all of them the same way."""
    reports = unit.bus.reports if unit.bus is not None else {}
    if len({discrete.report is None for discrete in unit.discretes.values()}) > 1:
        mend = "report all of them, or say of each where it is shown: procedures read all discretes alike"
        yield Problem(file, "discretes", "some are reported on the bus and some are shown only", mend)
    for name, discrete in unit.discretes.items():
        key = f"discretes.{name}.report"
        if discrete.report is None:
            if discrete.shown_by is None:
                mend = "add it, or shown-by: what a person sees of it on the unit"
                yield Problem(file, key, "is missing", mend)
        elif discrete.shown_by is not None:
            what = f"is reported as {discrete.report}, so nobody is asked what the unit shows"
            yield Problem(file, f"discretes.{name}.shown-by", what, "take out one of the two")
        elif discrete.report not in reports:
            what = f'there is no report "{discrete.report}"'
            yield Problem(file, key, what, suggestion(discrete.report, reports, "reports"))
        elif reports[discrete.report].kind != "discrete":
            what = f'report "{discrete.report}" is of kind "{reports[discrete.report].kind}"'
            yield Problem(file, key, what, 'name one of kind "discrete"')


def _limit(name: str, limit: LimitTable, file: str) -> Iterator[Problem]:
    key = join_key("limits", name)
    if name not in LIMIT_QUANTITIES:
        yield Problem(file, key, "no procedure knows this limit", suggestion(name, LIMIT_QUANTITIES, "limits"))
        return
    if limit.low is None and limit.high is None:
        yield Problem(file, key, "has neither low nor high", "give at least one of them")
        return
    wrong = list(_wrong_units(key, limit, LIMIT_QUANTITIES[name], file))
    yield from wrong
    if not wrong:
        yield from _order(key, limit, file)


def _wrong_units(key: str, limit: LimitTable, wanted: Quantity, file: str) -> Iterator[Problem]:
    for side, figure in _sides(limit):
        if figure[1] is not wanted:
            what = f"found {format_quantity(*figure)}"
            yield Problem(file, f"{key}.{side}", what, f'give {wanted.name} such as "{wanted.example}"')


def _order(key: str, limit: LimitTable, file: str) -> Iterator[Problem]:
    sides = list(_sides(limit))
    for (lower_name, lower), (upper_name, upper) in pairwise(sides):
        crossed = lower[0] > upper[0] or (lower[0] == upper[0] and "nominal" not in {lower_name, upper_name})
        if crossed:
            what = f"{format_quantity(*lower)} is not below {upper_name} {format_quantity(*upper)}"
            yield Problem(file, f"{key}.{lower_name}", what, "swap the two, or correct one")


def _sides(limit: LimitTable) -> Iterator[tuple[str, tuple[float, Quantity]]]:
    for side, figure in (("low", limit.low), ("nominal", limit.nominal), ("high", limit.high)):
        if figure is not None:
            yield side, figure


def _discrete_limits(unit: UnitFile, file: str) -> Iterator[Problem]:
    """Thresholds stand with the limits, so those of each kind of discrete in use must be there, nominal included."""
    used: Mapping[str, Iterable[str]] = {
        sense: [name for name, discrete in unit.discretes.items() if discrete.sense == sense]
        for sense in THRESHOLD_LIMITS
    }
    for sense, names in used.items():
        first = next(iter(names), None)
        if first is None:
            continue
        if sense not in unit.senses:
            yield Problem(file, f"senses.{sense}", "is missing", f"add it: {first} is {sense}")
        for state in ("active", "inactive"):
            limit = f"{THRESHOLD_LIMITS[sense]}-{state}"
            if limit not in unit.limits:
                yield Problem(file, f"limits.{limit}", "is missing", f"add it: {first} is {sense}")
            elif unit.limits[limit].nominal is None:
                yield Problem(file, f"limits.{limit}.nominal", "is missing", "add the nominal threshold")
    if unit.discretes and unit.debounce is None:
        yield Problem(file, "debounce", "is missing", "add it: the unit has discretes")
