"""Sheets and plans by name or by file: read, checked, and made into the dataclasses everything else uses.

A bare name is a shipped sheet; anything with a path separator or ending in `.toml` is a file. Every function
that loads raises `SheetError` with all the problems it found.
"""

from collections.abc import Iterator, Mapping
from functools import partial
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Any

from bench.errors import Problem, SheetError
from bench.sheets.aircraft_file import AircraftFile, check_aircraft, to_aircraft_sheet
from bench.sheets.bench_check import check_bench, check_bench_itself
from bench.sheets.bench_file import BenchFile
from bench.sheets.bench_mapping import to_bench_sheet, to_bench_simulation
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.plan_file import PlanFile, check_conditions_used, check_plan, named_profiles, to_plan
from bench.sheets.plan_reach import check_reach
from bench.sheets.profile_file import ProfileFile, check_profile, read_recorded, to_profile
from bench.sheets.schema import checked
from bench.sheets.simulation_check import to_unit_simulation
from bench.sheets.simulation_sheet import BenchSimulation, Defect, UnitSimulation
from bench.sheets.source import SheetSource, read_source, read_text, shown
from bench.sheets.unit_check import check_unit
from bench.sheets.unit_file import UnitFile
from bench.sheets.unit_mapping import to_unit_sheet
from test_plans.procedure import Procedure
from test_plans.profile import Profile
from test_plans.sheets import AircraftSheet, Plan, UnitSheet

_SUFFIX = ".toml"
_RECORDED = ".csv"


def list_models() -> tuple[str, ...]:
    """Return the names of the shipped unit sheets."""
    return _names(_units())


def list_aircraft() -> tuple[str, ...]:
    """Return the names of the shipped aircraft sheets."""
    return _names(_aircraft())


def list_plans() -> tuple[str, ...]:
    """Return the names of the shipped plans."""
    return _names(_plans())


def list_profiles() -> tuple[str, ...]:
    """Return the names of the shipped profiles of the bus."""
    return _names(_profiles())


def list_benches() -> tuple[str, ...]:
    """Return the names of the shipped bench sheets."""
    return _names(_benches())


def load_unit(name_or_path: str, *, margins: bool = True) -> UnitSheet:
    """Return a unit sheet; `margins`: see `check_unit`."""
    file, source = _unit_file(name_or_path, margins=margins)
    return to_unit_sheet(file, source.digest)


def load_unit_simulation(name_or_path: str, *, margins: bool = True) -> UnitSimulation:
    """Return what the twin of a model is drawn from; `margins`: see `check_unit`.

    Raises:
        SheetError: besides the sheet's faults, one without `[simulation]`.
    """
    file, source = _unit_file(name_or_path, margins=margins)
    simulation = to_unit_simulation(file)
    if simulation is None:
        what = "is missing, so this model can't be simulated"
        raise SheetError([Problem(source.label, "simulation", what, "add the table, or use a real bench")])
    return simulation


def load_aircraft(name_or_path: str, unit: UnitSheet) -> AircraftSheet:
    """Return an aircraft sheet, checked against the unit sheet it leans on."""
    source = _source(name_or_path, _aircraft(), "aircraft")
    file = checked(AircraftFile, source, lambda aircraft, label: check_aircraft(aircraft, unit, label))
    return to_aircraft_sheet(file, source.digest)


def check_aircraft_alone(name_or_path: str) -> None:
    """Raise `SheetError` for what is wrong with an aircraft sheet whatever unit it is for."""
    checked(AircraftFile, _source(name_or_path, _aircraft(), "aircraft"))


def default_aircraft_name(unit: UnitSheet) -> str:
    """Return the name of the first shipped aircraft sheet for a model.

    Raises:
        SheetError: none is shipped for it.
    """
    for name in list_aircraft():
        if checked(AircraftFile, _source(name, _aircraft(), "aircraft")).model == unit.model:
            return name
    what = f'no aircraft sheet is shipped for model "{unit.model}"'
    raise SheetError([Problem("aircraft", "", what, "name one with --aircraft FILE")])


def default_aircraft(unit: UnitSheet) -> AircraftSheet:
    """Return the first shipped aircraft sheet for a model; raises as `default_aircraft_name`."""
    return load_aircraft(default_aircraft_name(unit), unit)


def load_plan(
    name_or_path: str,
    procedures: Mapping[str, Procedure],
    unit: UnitSheet | None = None,
    bench: BenchSheet | None = None,
    *,
    profiles: Mapping[str, str] = MappingProxyType({}),
    unused: bool = True,
) -> Plan:
    """Return a plan with the profiles it names; `procedures` are all there are, by name.

    With unit and bench known, it is also held against them: axes and rheostats that exist, volts and amperes in reach.
    `profiles` says where else those it names stand, as with the copies of a record.
    `unused`: whether conditions that their procedure does not read are refused.
    """
    source = _source(name_or_path, _plans(), "plan")

    def check(plan: PlanFile, label: str) -> Iterator[Problem]:
        yield from check_plan(plan, procedures, unit, label)
        if unused:
            yield from check_conditions_used(plan, procedures, label)
        yield from check_reach(plan, unit, bench, label)

    file = checked(PlanFile, source, check)
    found: dict[str, Profile] = {}
    problems: list[Problem] = []
    if unit is not None:
        for name in named_profiles(file):
            try:
                found[name] = load_profile(profiles.get(name, name), unit)
            except SheetError as error:
                problems += error.problems
    if problems:
        raise SheetError(problems)
    return to_plan(file, source.digest, found)


def load_profile(name_or_path: str, unit: UnitSheet) -> Profile:
    """Return a profile of the bus: a shipped one, a TOML file, or a recorded course as a table (`.csv`).

    A recorded one is named after its file and counts for the model's own bus.

    Raises:
        SheetError: what is wrong with it.
    """
    if name_or_path.lower().endswith(_RECORDED):
        path = Path(name_or_path)
        text, digest = read_text(path, shown(name_or_path, longest=400))
        return read_recorded(text, path.name, name=path.stem, nominal_voltage_v=unit.nominal_voltage_v, digest=digest)
    source = _source(name_or_path, _profiles(), "profile")
    return to_profile(checked(ProfileFile, source, check_profile), source.digest)


def default_model(name_or_path: str) -> str | None:
    """Return the model that a bench sheet names for runs that name none; None where it names none.

    Raises:
        SheetError: the bench sheet can't be read.
    """
    named = _source(name_or_path, _benches(), "bench").data.get("default-model")
    return named if isinstance(named, str) else None


def load_bench(name_or_path: str, unit: UnitSheet) -> BenchSheet:
    """Return a bench sheet with its adapter for the unit's model."""
    file, source = _bench_file(name_or_path, unit)
    return to_bench_sheet(file, unit.model, source.digest)


def check_bench_alone(name_or_path: str) -> bool:
    """Say whether a bench is simulated; raise `SheetError` for what is wrong with its sheet whatever unit it is for."""
    return checked(BenchFile, _source(name_or_path, _benches(), "bench"), check_bench_itself).simulated


def load_bench_simulation(name_or_path: str, unit: UnitSheet) -> BenchSimulation:
    """Return what a simulated bench is drawn from.

    Raises:
        SheetError: besides the sheet's faults, a bench that is not simulated.
    """
    file, source = _bench_file(name_or_path, unit)
    simulation = to_bench_simulation(file, unit.model)
    if simulation is None:
        raise SheetError(
            [Problem(source.label, "simulation", "is missing: this is a real bench", "name a simulated one")]
        )
    return simulation


def list_defects(unit: UnitSimulation, bench: BenchSimulation) -> tuple[Defect, ...]:
    """Return the catalogue of a unit on a bench: the unit's defects first, in the order of the sheets."""
    return (
        *(
            Defect(id=entry.id, of="unit", title=entry.title, function=entry.function, findings=entry.findings)
            for entry in unit.defects
        ),
        *(
            Defect(id=entry.id, of="bench", title=entry.title, function="", findings=entry.findings)
            for entry in bench.defects
        ),
    )


def read_sheet(name_or_path: str, what: str) -> Mapping[str, Any]:
    """Return a unit sheet (`what` is "model") or bench sheet ("bench") as it stands in TOML, unchecked.

    Raises:
        SheetError: there is none, or it can't be read or parsed.
    """
    return _source(name_or_path, _units() if what == "model" else _benches(), what).data


def is_file(name_or_path: str) -> bool:
    """Say whether a sheet is named as a file rather than as a shipped one."""
    return "/" in name_or_path or "\\" in name_or_path or name_or_path.lower().endswith((_SUFFIX, _RECORDED))


def _unit_file(name_or_path: str, *, margins: bool) -> tuple[UnitFile, SheetSource]:
    source = _source(name_or_path, _units(), "model")
    return checked(UnitFile, source, partial(check_unit, margins=margins)), source


def _bench_file(name_or_path: str, unit: UnitSheet) -> tuple[BenchFile, SheetSource]:
    source = _source(name_or_path, _benches(), "bench")
    return checked(BenchFile, source, lambda bench, label: check_bench(bench, unit, label)), source


def _source(name_or_path: str, folder: Traversable, what: str) -> SheetSource:
    if is_file(name_or_path):
        return read_source(Path(name_or_path), shown(name_or_path, longest=400))
    names = _names(folder)
    if name_or_path not in names:
        mend = f"there is: {', '.join(names)}; or give a file, with its path or .toml"
        raise SheetError([Problem(what, "", f'there is no {what} "{shown(name_or_path)}"', mend)])
    return read_source(folder / f"{name_or_path}{_SUFFIX}", f"{name_or_path}{_SUFFIX}")


def _names(folder: Traversable) -> tuple[str, ...]:
    return tuple(sorted(entry.name.removesuffix(_SUFFIX) for entry in folder.iterdir() if entry.name.endswith(_SUFFIX)))


def _units() -> Traversable:
    return files("test_plans") / "units"


def _aircraft() -> Traversable:
    return files("test_plans") / "aircraft"


def _plans() -> Traversable:
    return files("test_plans") / "plans"


def _profiles() -> Traversable:
    return files("test_plans") / "profiles"


def _benches() -> Traversable:
    return files("bench") / "benches"
