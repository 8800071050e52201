"""The aircraft sheet's settings, held one by one against what the unit reports of them. Pure."""

from collections.abc import Collection, Iterator, Mapping

from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.readings import Record
from test_plans.sheets import AircraftSheet, ReportKind, Setup, UnitSheet
from test_plans.signals import function_named


def value_of(unit: UnitSheet, setting: str, aircraft: AircraftSheet, reversed_axes: Collection[str]) -> int:
    """Return what a setting reads on an aircraft, were these axes reversed.

    Its bits follow from the other tables of the aircraft sheet; without bits it is the bare number of its [settings].
    """
    bits = unit.bus.reports[setting].bits
    if not bits:
        return aircraft.settings[setting]
    return word_of(unit, setting, aircraft.dimming_map, reversed_axes)


def word_of(unit: UnitSheet, setting: str, dimming_map: Mapping[str, str], reversed_axes: Collection[str]) -> int:
    """Return the number that a setting with bits has with this map and these axes reversed."""
    second = unit.rheostats[1].name if len(unit.rheostats) > 1 else ""
    chosen = {*reversed_axes, *(output for output, rheostat in dimming_map.items() if rheostat == second)}
    return sum(1 << bit for bit, name in enumerate(unit.bus.reports[setting].bits) if name in chosen)


def differences(unit: UnitSheet, setting: str, found: int, wanted: int) -> tuple[str, ...]:
    """Return in words what differs between two values of a setting: bit by bit where the unit sheet names the bits."""
    if found == wanted:
        return ()
    bits = unit.bus.reports[setting].bits
    titles = {axis.name: axis.title for axis in unit.trims} | {output.name: output.title for output in unit.dimming}
    axes = {axis.name for axis in unit.trims}
    said = []
    for bit, name in enumerate(bits):
        reported, needed = found >> bit & 1, wanted >> bit & 1
        if reported != needed:
            states = ("not reversed", "reversed") if name in axes else tuple(r.title for r in unit.rheostats)
            said.append(f"{titles[name]}: reported {states[reported]}, needed {states[needed]}")
    if found >> len(bits) != wanted >> len(bits):  # a bit beyond the named ones, or a setting that names none
        said.append(f"{setting}: reported {found}, needed {wanted}")
    return tuple(said)


def settings_of(unit: UnitSheet) -> tuple[str, ...]:
    """Return the names of the settings that a model reports."""
    return tuple(name for name, item in unit.bus.reports.items() if item.kind is ReportKind.SETTING)


def setting_observations(record: Record, setup: Setup, step: str, when: str) -> Iterator[Observation]:
    """Yield for each reported setting whether it is as the aircraft needs it; `when` is "as found" or "as left".

    A unit set up for another aircraft is the unit's fail: it must not go into this one as it is.
    """
    for name in settings_of(setup.unit):
        found, wanted = record.count(name, last=True), setup.aircraft.settings[name]
        unreported = Doubt(
            reason=f"{record.name}: setting {name} was not reported",
            cause=Cause.UNDECIDED,
            next_step="check that reports come at all (ready time), and the report's identifier in the unit sheet",
        )
        yield Observation(
            id=f"{step}.setting.{name}",
            title=f"Setting {name}, {when}",
            function=function_named(setup.unit, "power"),
            statement=f"the unit reports {name} {wanted}, as the aircraft needs it",
            trials=int(found is not None),
            failures=int(found not in {None, wanted}),
            detail=_detail(setup, name, found, wanted),
            source=f"aircraft sheet {setup.aircraft.name}",
            doubts=record.missing or ((unreported,) if found is None else ()),
            captures=record.names,
            notes=() if found is None else (f"{name} {when}: {found}",),
        )


def _detail(setup: Setup, name: str, found: int | None, wanted: int) -> str:
    bare = f"it reports {found}, aircraft sheet {setup.aircraft.name} has {wanted}"
    named = () if found is None else differences(setup.unit, name, found, wanted)
    return "; ".join((bare, *named)) if setup.unit.bus.reports[name].bits else bare
