"""The aircraft sheet as it stands in TOML, what it must hold, and the `AircraftSheet` it becomes."""

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from bench.errors import Problem
from bench.sheets.fields import Name, Table, Title
from bench.sheets.schema import suggestion
from test_plans.reported_settings import settings_of, word_of
from test_plans.sheets import AircraftSheet, UnitSheet


class AircraftFile(Table):
    """A whole aircraft sheet."""

    name: Name
    title: Title
    model: Name
    axes: tuple[Name, ...]
    configuration: Annotated[int, Field(ge=0, le=0xFFFFFFFF)]
    dimming_map: dict[Name, Name] = Field(default_factory=dict)
    settings: dict[Name, Annotated[int, Field(ge=0, le=0xFFFFFFFF)]] = Field(default_factory=dict)
    reversed_axes: tuple[Name, ...] = ()


def check_aircraft(aircraft: AircraftFile, unit: UnitSheet, file: str) -> Iterator[Problem]:
    """Yield every name that the unit sheet does not have, and every dimming output left without a rheostat."""
    if aircraft.model != unit.model:
        yield Problem(file, "model", f'is for model "{aircraft.model}"', f'name an aircraft sheet for "{unit.model}"')
        return
    yield from _axes("axes", aircraft.axes, unit, file)
    yield from _axes("reversed-axes", aircraft.reversed_axes, unit, file)
    yield from _settings(aircraft, unit, file)
    outputs = [output.name for output in unit.dimming]
    rheostats = [rheostat.name for rheostat in unit.rheostats]
    for output, rheostat in aircraft.dimming_map.items():
        key = f"dimming-map.{output}"
        if output not in outputs:
            yield Problem(file, key, f'there is no dimming output "{output}"', suggestion(output, outputs, "outputs"))
        if rheostat not in rheostats:
            what = f'there is no rheostat "{rheostat}"'
            yield Problem(file, key, what, suggestion(rheostat, rheostats, "rheostats"))
    for output in outputs:
        if output not in aircraft.dimming_map:
            yield Problem(file, f"dimming-map.{output}", "is missing", "name the rheostat that sets it")


def _settings(aircraft: AircraftFile, unit: UnitSheet, file: str) -> Iterator[Problem]:
    reported = settings_of(unit)
    for name in aircraft.settings:
        if name not in reported:
            what = f'model {unit.model} reports no setting "{name}"'
            yield Problem(file, f"settings.{name}", what, suggestion(name, reported, "settings"))
    for name in reported:
        if name not in aircraft.settings:
            yield Problem(file, f"settings.{name}", "is missing", "add it: the unit reports it")
    for name in reported:
        bits = unit.bus.reports[name].bits
        if not bits or name not in aircraft.settings:
            continue
        wanted = word_of(unit, name, aircraft.dimming_map, aircraft.reversed_axes)
        if aircraft.settings[name] != wanted:
            table = "reversed-axes" if bits[0] in {axis.name for axis in unit.trims} else "dimming-map"
            what = f"{aircraft.settings[name]} is not what {table} gives"
            yield Problem(file, f"settings.{name}", what, f"set it to {wanted}, or correct {table}")


def _axes(key: str, listed: tuple[str, ...], unit: UnitSheet, file: str) -> Iterator[Problem]:
    axes = [trim.name for trim in unit.trims]
    for index, axis in enumerate(listed):
        if axis not in axes:
            yield Problem(file, f"{key}[{index}]", f'there is no axis "{axis}"', suggestion(axis, axes, "axes"))
        elif axis in listed[:index]:
            yield Problem(file, f"{key}[{index}]", f'"{axis}" stands twice', "take one out")


def to_aircraft_sheet(file: AircraftFile, digest: str) -> AircraftSheet:
    """Return the sheet procedures see."""
    return AircraftSheet(
        name=file.name,
        title=file.title,
        model=file.model,
        dimming_map=file.dimming_map,
        axes=file.axes,
        configuration=file.configuration,
        settings=file.settings,
        reversed_axes=file.reversed_axes,
        digest=digest,
    )
