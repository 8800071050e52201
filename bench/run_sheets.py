"""The sheets of one run, loaded together: from names and files, or from the copies a record keeps."""

import contextlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.resources import files
from pathlib import Path

from bench.errors import Problem, RecordError, Refusals, SheetError, UsageError
from bench.records.run_facts import SheetCopy, copy_sheet
from bench.sheets import load
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.simulation_sheet import BenchSimulation, Defect, UnitSimulation
from test_plans.registry import PROCEDURES
from test_plans.sheets import AircraftSheet, Plan, UnitSheet

FOLDERS = {
    "unit": files("test_plans") / "units",
    "aircraft": files("test_plans") / "aircraft",
    "plan": files("test_plans") / "plans",
    "bench": files("bench") / "benches",
}
PROFILES = files("test_plans") / "profiles"
PROFILE = "profile "  # role of a profile's copy: this, and the name that the plan has for it


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetNames:
    """Which sheets a run goes by: each a shipped name or a file; None where a default may stand."""

    bench: str | None
    plan: str | None = None
    model: str | None = None
    aircraft: str | None = None
    profiles: Mapping[str, str] = field(
        default_factory=dict
    )  # where profiles that the plan names stand, other than there


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSheets:
    """Every sheet of a run, checked against each other; simulations only where the bench is simulated."""

    unit: UnitSheet
    aircraft: AircraftSheet
    plan: Plan
    bench: BenchSheet
    unit_simulation: UnitSimulation | None
    bench_simulation: BenchSimulation | None
    defects: tuple[Defect, ...]
    copies: tuple[SheetCopy, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSheets:
    """What could be read of the sheets of a run: None for what has faults, or leans on a sheet that has."""

    model_name: str | None = None  # what the unit sheet is asked for by
    unit: UnitSheet | None = None
    aircraft: AircraftSheet | None = None
    plan: Plan | None = None
    bench: BenchSheet | None = None
    simulated: bool | None = None  # whether the bench is; None where that can't be known
    unit_simulation: UnitSimulation | None = None
    bench_simulation: BenchSimulation | None = None
    copies: tuple[SheetCopy, ...] = ()

    def whole(self) -> RunSheets | None:
        """Return the sheets of a run; None where any is missing."""
        if self.unit is None or self.aircraft is None or self.plan is None or self.bench is None:
            return None
        defects: tuple[Defect, ...] = ()
        if self.bench.simulated:
            if self.unit_simulation is None or self.bench_simulation is None:
                return None
            defects = load.list_defects(self.unit_simulation, self.bench_simulation)
        return RunSheets(
            unit=self.unit,
            aircraft=self.aircraft,
            plan=self.plan,
            bench=self.bench,
            unit_simulation=self.unit_simulation,
            bench_simulation=self.bench_simulation,
            defects=defects,
            copies=self.copies,
        )


def load_sheets(names: SheetNames, *, for_a_run: bool = True) -> RunSheets:
    """Load them all.

    `for_a_run`: whether they are to be run by. Judging stored captures again asks less of them: not that a simulated
    unit keeps its margins to the limits (`bench.sheets.unit_check.check_unit`), nor that every condition is read.

    Raises:
        SheetError, UsageError: everything that is wrong with any of them, as far as it can be known.
    """
    refusals = Refusals()
    sheets = read_sheets(names, refusals, for_a_run=for_a_run).whole()
    if sheets is None or refusals:
        raise refusals.all()
    return sheets


def read_sheets(names: SheetNames, refusals: Refusals, *, for_a_run: bool = True) -> ReadSheets:
    """Read as many as can be read; what is wrong with the others goes to `refusals`.

    A sheet that leans on one with faults (all of them lean on the unit sheet) is still checked for its own.
    """
    if names.bench is None:
        refusals.tried(_no_bench)
    model = _model_name(names, refusals)
    unit = refusals.tried(lambda: load.load_unit(model, margins=for_a_run)) if model is not None else None
    if model is None or unit is None:
        return ReadSheets(model_name=model, simulated=_checked_alone(names, refusals))
    aircraft_name, aircraft = names.aircraft, None  # "" is a name too, of nothing: an empty variable of a script, say
    if aircraft_name is None:
        aircraft_name = refusals.tried(lambda: load.default_aircraft_name(unit))
    if aircraft_name is not None:
        aircraft = refusals.tried(lambda: load.load_aircraft(aircraft_name, unit))
    bench_name, bench = names.bench, None
    unit_simulation = bench_simulation = None
    if bench_name is not None:
        bench = refusals.tried(lambda: load.load_bench(bench_name, unit))
        if bench is not None and bench.simulated:
            unit_simulation = refusals.tried(lambda: load.load_unit_simulation(model, margins=for_a_run))
            bench_simulation = refusals.tried(lambda: load.load_bench_simulation(bench_name, unit))
    plan_name = unit.acceptance_plan if names.plan is None else names.plan
    plan = refusals.tried(
        lambda: load.load_plan(plan_name, PROCEDURES, unit, bench, profiles=names.profiles, unused=for_a_run)
    )
    if plan is None and bench is not None:  # beyond this bench, perhaps: what else is beyond it is told in one go
        plan = Refusals().tried(
            lambda: load.load_plan(plan_name, PROCEDURES, unit, profiles=names.profiles, unused=for_a_run)
        )
    profiles = plan.profiles if plan is not None else {}
    named = (
        ("unit", model, unit),
        ("aircraft", aircraft_name, aircraft),
        ("plan", plan_name, plan),
        ("bench", bench_name, bench),
        *((f"{PROFILE}{name}", names.profiles.get(name, name), profile) for name, profile in profiles.items()),
    )
    copies = [
        refusals.tried(partial(_copy, role, name, sheet.digest))
        for role, name, sheet in named
        if name is not None and sheet is not None
    ]
    return ReadSheets(
        model_name=model,
        unit=unit,
        aircraft=aircraft,
        plan=plan,
        bench=bench,
        simulated=bench.simulated if bench is not None else None,
        unit_simulation=unit_simulation,
        bench_simulation=bench_simulation,
        copies=tuple(copy for copy in copies if copy is not None),
    )


def _checked_alone(names: SheetNames, refusals: Refusals) -> bool | None:
    """Check what each sheet says of itself, where the unit sheet can't be used; say whether the bench is simulated."""
    aircraft, bench, plan = names.aircraft, names.bench, names.plan
    if aircraft is not None:
        refusals.tried(lambda: load.check_aircraft_alone(aircraft))
    if plan is not None:
        refusals.tried(lambda: load.load_plan(plan, PROCEDURES))
    return refusals.tried(lambda: load.check_bench_alone(bench)) if bench is not None else None


def margin_faults(model: str) -> tuple[str, ...]:
    """Return where good units of a sheet, or its defects, no longer keep their margin to its limits."""
    try:
        load.load_unit(model)
    except SheetError as error:
        return tuple(map(str, error.problems))
    return ()


def sheets_of_record(copies: Sequence[SheetCopy], *, model: str | None = None) -> RunSheets:
    """Load the sheets a record keeps; `model` names another unit sheet to judge by.

    Raises:
        RecordError: a copy is missing or is not what its digest says.
        SheetError: this version of boxproof finds a sheet unfit.
    """
    by_role = {copy.role: copy for copy in copies}
    missing = [role for role in FOLDERS if role not in by_role]
    altered = [copy.role for copy in copies if not copy.intact()]
    if missing or altered:
        what = f"no {', '.join(missing)} sheet" if missing else f"an altered {', '.join(altered)} sheet"
        raise RecordError(f"the record keeps {what}, so it can't be judged again.")
    with tempfile.TemporaryDirectory(prefix="boxproof-") as folder:
        paths, profiles = {}, {}
        for place, (role, copy) in enumerate(by_role.items()):
            # A recorded course goes by its file's name; each copy has a folder of its own.
            path = Path(folder) / str(place) / Path(copy.file).name
            path.parent.mkdir()
            path.write_bytes(copy.text.encode())
            paths[role] = str(path)
            if role.startswith(PROFILE):
                profiles[role.removeprefix(PROFILE)] = str(path)
        return load_sheets(
            SheetNames(
                model=paths["unit"] if model is None else model,
                aircraft=paths["aircraft"],
                plan=paths["plan"],
                bench=paths["bench"],
                profiles=profiles,
            ),
            for_a_run=False,
        )


def _model_name(names: SheetNames, refusals: Refusals) -> str | None:
    """Return the model that is named, or meant by the bench sheet, or the only one there is."""
    if names.model is not None or names.bench is None:
        return names.model
    bench = names.bench
    found = Refusals()
    default = found.tried(lambda: load.default_model(bench))
    return default or (None if found else refusals.tried(_only_model))  # a bad bench sheet is told when it is loaded


def _only_model() -> str:
    models = load.list_models()
    if len(models) == 1:
        return models[0]
    raise UsageError(f"which model? Give --model NAME or FILE; shipped: {', '.join(models)}.")


def _no_bench() -> None:
    raise UsageError(
        f"no bench named: give --bench NAME or --bench FILE. Shipped benches: {', '.join(load.list_benches())}."
    )


def _copy(role: str, name_or_path: str, digest: str) -> SheetCopy:
    """Return the copy a record keeps of the sheet that was read from this name or file and has this digest."""
    file = Path(name_or_path).name if load.is_file(name_or_path) else f"{name_or_path}.toml"
    place = Path(name_or_path) if load.is_file(name_or_path) else FOLDERS.get(role, PROFILES) / file
    with contextlib.suppress(OSError, UnicodeDecodeError):
        copy = copy_sheet(role, file, place.read_bytes())
        if copy.digest == digest:
            return copy
    raise SheetError([Problem(file, "", "was changed while it was being read", "save it, and start again")])
