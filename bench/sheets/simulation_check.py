"""What the `[simulation]` table of a unit sheet must hold, and the spreads and defects it becomes."""

from collections.abc import Collection, Iterator

from bench.errors import Problem
from bench.sheets.caught_check import check_findings, check_procedures
from bench.sheets.limit_text import quantity_of
from bench.sheets.schema import suggestion
from bench.sheets.simulation_file import (
    QUANTITIES,
    DefectTable,
    Figure,
    NotCaughtTable,
    QuantityTable,
    SimulationTable,
)
from bench.sheets.simulation_sheet import NotCaught, UnitDefect, UnitSimulation
from bench.sheets.source import join_key
from bench.sheets.unit_file import LimitTable, UnitFile
from bench.sheets.units import Quantity, format_quantity
from instruments.simulated.draw import DerivedCheck, QuantitySpec

GOOD_MARGIN_U = 4.0  # 2 u for acceptance and 2 u more
DEFECT_MARGIN_U = 4.0
_PART_OF_A_UNIT = 1e-9  # what a decimal figure loses in binary


def members(unit: UnitFile) -> dict[str, tuple[str, ...]]:
    """Return the members of each group of quantities, by the unit sheet's names."""
    return {
        "unit": ("unit",),
        "active-low": tuple(name for name, entry in unit.discretes.items() if entry.sense == "active-low"),
        "active-high": tuple(name for name, entry in unit.discretes.items() if entry.sense == "active-high"),
        "switch": tuple(switch.name for trim in unit.trims.values() for switch in trim.switches),
        "axis": tuple(unit.trims),
        "rheostat": tuple(unit.rheostats),
        "hold-up": tuple(name for name, entry in unit.outputs.items() if entry.held_at is not None),
        "pwm": tuple(name for name, entry in unit.dimming.items() if entry.kind == "pwm"),
        "dc": tuple(name for name, entry in unit.dimming.items() if entry.kind == "dc"),
    }


def check_simulation(unit: UnitFile, sound_limits: Collection[str], file: str) -> Iterator[Problem]:
    """Yield every fault of the `[simulation]` table; only `sound_limits` are held against it."""
    if unit.simulation is None:
        return
    table = unit.simulation
    for group, quantities in table.quantities.items():
        if group not in QUANTITIES:
            mend = suggestion(group, QUANTITIES, "groups")
            yield Problem(file, join_key("simulation.quantities", group), "is no group of quantities", mend)
            continue
        for name, entry in quantities.items():
            yield from _quantity(group, name, entry, file)
            yield from _inside_limit(unit, sound_limits, (group, name), entry, file)
    yield from _derived(table, file)
    yield from _defects(unit, sound_limits, table, file)


def to_unit_simulation(unit: UnitFile) -> UnitSimulation | None:
    """Return what the twin needs beyond the unit sheet, None where the sheet has no `[simulation]`."""
    table = unit.simulation
    if table is None:
        return None
    groups = members(unit)
    return UnitSimulation(
        specs={
            f"{member}.{name}": _spec(entry)
            for group, quantities in table.quantities.items()
            for member in groups[group]
            for name, entry in quantities.items()
        },
        derived=tuple(
            DerivedCheck(
                minuend=f"{member}.{entry.minuend}",
                subtrahend=f"{member}.{entry.subtrahend}",
                low=entry.low[0] if entry.low else float("-inf"),
                high=entry.high[0] if entry.high else float("inf"),
            )
            for entry in table.derived
            for member in groups[entry.of]
        ),
        defects=tuple(
            UnitDefect(
                id=entry.id,
                title=entry.title,
                function=entry.function,
                caught_by=entry.caught_by,
                findings=entry.findings,
                caught_in=entry.caught_in or "",
                deviations={name: deviation for name, (deviation, _) in entry.deviations.items()},
            )
            for entry in table.defects
        ),
        not_caught=tuple(
            NotCaught(id=entry.id, title=entry.title, function=entry.function, because=entry.because)
            for entry in table.not_caught
        ),
    )


def _spec(entry: QuantityTable) -> QuantitySpec:
    if entry.sd is None:
        return QuantitySpec(nominal=entry.nominal[0])
    return QuantitySpec(
        nominal=entry.nominal[0],
        sd=entry.sd[0],
        low=entry.low[0] if entry.low else float("-inf"),
        high=entry.high[0] if entry.high else float("inf"),
    )


def _quantity(group: str, name: str, entry: QuantityTable, file: str) -> Iterator[Problem]:
    key = f"simulation.quantities.{group}.{name}"
    wanted = QUANTITIES[group].get(name)
    if wanted is None:
        yield Problem(file, key, "is no quantity of this group", suggestion(name, QUANTITIES[group], "quantities"))
        return
    wrong = [
        Problem(
            file, f"{key}.{side}", f"found {format_quantity(*figure)}", f'give {wanted.name} such as "{wanted.example}"'
        )
        for side, figure in _figures(entry)
        if figure[1] is not wanted
    ]
    yield from wrong
    if wrong:
        return
    if entry.sd is not None and (entry.low is None or entry.high is None):
        yield Problem(file, key, "has a spread (sd) without low and high", "give both, so that good units stay good")
    if entry.sd is not None and entry.sd[0] < 0:
        yield Problem(file, f"{key}.sd", f"found {format_quantity(*entry.sd)}", "give zero or more")
    low, high = (figure[0] if figure else entry.nominal[0] for figure in (entry.low, entry.high))
    if not low <= entry.nominal[0] <= high:
        ends = f"{format_quantity(low, wanted)} to {format_quantity(high, wanted)}"
        what = f"{format_quantity(*entry.nominal)} is not within {ends}"
        yield Problem(file, f"{key}.nominal", what, "correct one of the three")


def _figures(entry: QuantityTable) -> Iterator[tuple[str, tuple[float, Quantity]]]:
    for side in ("nominal", "sd", "low", "high", "uncertainty"):
        figure: tuple[float, Quantity] | None = getattr(entry, side)
        if figure is not None:
            yield side, figure


def _inside_limit(
    unit: UnitFile, sound_limits: Collection[str], place: tuple[str, str], entry: QuantityTable, file: str
) -> Iterator[Problem]:
    """A good unit must pass: its quantity keeps 4 u from the limit it is measured against."""
    if entry.limit is None:
        return
    key = "simulation.quantities." + ".".join(place)
    if entry.limit not in unit.limits:
        what = f'there is no limit "{entry.limit}"'
        yield Problem(file, f"{key}.limit", what, suggestion(entry.limit, unit.limits, "limits"))
        return
    if entry.uncertainty is None:
        yield Problem(file, f"{key}.uncertainty", "is missing", "add what a reading against that limit is known to")
        return
    if entry.limit not in sound_limits:
        return
    limit, quantity = unit.limits[entry.limit], entry.nominal[1]
    if quantity_of(limit.low, limit.high) is not quantity:
        what = f'limit "{entry.limit}" is in another unit than {format_quantity(*entry.nominal)}'
        yield Problem(file, f"{key}.limit", what, "name the limit this quantity is measured against")
        return
    margin = GOOD_MARGIN_U * entry.uncertainty[0]
    low, high = entry.low or entry.nominal, entry.high or entry.nominal
    for side, given, end, inward in (("low", limit.low, low, 1.0), ("high", limit.high, high, -1.0)):
        if given is None:
            continue
        bound = given[0] + inward * margin
        if (end[0] - bound) * inward < -_PART_OF_A_UNIT * abs(bound):
            what = f"{format_quantity(*end)} is within 4 u of the limit {format_quantity(*given)}"
            yield Problem(file, f"{key}.{side}", what, f"move it to {format_quantity(bound, quantity)} or further in")


def _derived(table: SimulationTable, file: str) -> Iterator[Problem]:
    for index, entry in enumerate(table.derived):
        key = f"simulation.derived[{index}]"
        if entry.of not in QUANTITIES:
            yield Problem(file, f"{key}.of", f'"{entry.of}" is no group', suggestion(entry.of, QUANTITIES, "groups"))
            continue
        known = table.quantities.get(entry.of, {})
        for side, name in (("minuend", entry.minuend), ("subtrahend", entry.subtrahend)):
            if name not in known:
                what = f'"{name}" is not drawn for {entry.of}'
                yield Problem(file, f"{key}.{side}", what, suggestion(name, known, "quantities"))
        if entry.low is None and entry.high is None:
            yield Problem(file, key, "has neither low nor high", "give at least one of them")
        if entry.low and entry.high and entry.low[0] >= entry.high[0]:
            what = f"{format_quantity(*entry.low)} is not below high {format_quantity(*entry.high)}"
            yield Problem(file, f"{key}.low", what, "swap the two, or correct one")


def _defects(unit: UnitFile, sound_limits: Collection[str], table: SimulationTable, file: str) -> Iterator[Problem]:
    drawn = {
        f"{member}.{name}": (group, name)
        for group, names in members(unit).items()
        for member in names
        for name in table.quantities.get(group, {})
        if name in QUANTITIES[group]
    }
    subjects = {*unit.functions, *unit.discretes, *unit.trims, *unit.rheostats, *unit.dimming, *unit.outputs}
    seen: set[str] = set()
    for index, told in enumerate(table.not_caught):
        yield from _catalogued(f"simulation.not-caught[{index}]", told, unit, seen, file)
    for index, entry in enumerate(table.defects):
        key = f"simulation.defects[{index}]"
        yield from _catalogued(key, entry, unit, seen, file)
        yield from check_procedures(key, entry.caught_by, file)
        yield from check_findings(key, entry.findings, {*subjects, *entry.caught_by}, file)
        for name, deviation in entry.deviations.items():
            here = f'{key}.deviations."{name}"'
            if name not in drawn:
                yield Problem(file, here, "is no quantity of this unit", suggestion(name, drawn, "quantities"))
                continue
            group, quantity_name = drawn[name]
            spread = table.quantities[group][quantity_name]
            limit = unit.limits.get(spread.limit or "") if spread.limit in sound_limits else None
            fault = _deviation_fault(entry.id, deviation, spread, limit)
            if fault is not None:
                yield Problem(file, here, *fault)


def _catalogued(
    key: str, entry: DefectTable | NotCaughtTable, unit: UnitFile, seen: set[str], file: str
) -> Iterator[Problem]:
    """Yield an id that stands twice in the catalogue, `seen` being those before it, and a function there is not."""
    if entry.id in seen:
        yield Problem(file, f"{key}.id", f'"{entry.id}" stands twice', "give each defect its own id")
    seen.add(entry.id)
    if entry.function not in unit.functions:
        what = f'there is no function "{entry.function}"'
        yield Problem(file, f"{key}.function", what, suggestion(entry.function, unit.functions, "functions"))


def _deviation_fault(
    defect: str, deviation: Figure, spread: QuantityTable, limit: LimitTable | None
) -> tuple[str, str] | None:
    """Return (what, mend) of a deviation in a wrong unit, or not plain at severity 1: 4 u outside its limit."""
    wanted = spread.nominal[1]
    if deviation[1] is not wanted:
        return f"found {format_quantity(*deviation)}", f'give {wanted.name} such as "{wanted.example}"'
    if limit is None or spread.uncertainty is None:
        return None
    beyond = _beyond(limit, spread.nominal[0] + deviation[0])
    needed = DEFECT_MARGIN_U * spread.uncertainty[0]
    if beyond >= needed * (1 - _PART_OF_A_UNIT):
        return None
    what = f"{defect} at severity 1 is {format_quantity(beyond, wanted)} outside the limit {spread.limit}"
    return what, f"it must be 4 u = {format_quantity(needed, wanted)} outside or more"


def _beyond(limit: LimitTable, value: float) -> float:
    """Return how far a value lies outside a limit; negative inside."""
    outside = [float("-inf")]
    if limit.low is not None:
        outside.append(limit.low[0] - value)
    if limit.high is not None:
        outside.append(value - limit.high[0])
    return max(outside)
