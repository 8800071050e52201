"""The sheets of one run, loaded together: from names and files, or from the copies a record keeps."""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

from bench.errors import Problem, RecordError, SheetError, UsageError
from bench.records.run_facts import SheetCopy, copy_sheet
from bench.sheets import load
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.simulation_sheet import BenchSimulation, Defect, UnitSimulation
from test_plans.registry import PROCEDURES
from test_plans.sheets import AircraftSheet, Plan, UnitSheet

Loaded = TypeVar("Loaded")

FOLDERS = {
    "unit": files("test_plans") / "units",
    "aircraft": files("test_plans") / "aircraft",
    "plan": files("test_plans") / "plans",
    "bench": files("bench") / "benches",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetNames:
    """Which sheets a run goes by: each a shipped name or a file; None where a default may stand."""

    bench: str
    plan: str | None = None
    model: str | None = None
    aircraft: str | None = None


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


def load_sheets(names: SheetNames, *, margins: bool = True) -> RunSheets:
    """Load them all; faults of every sheet that can be read are reported together.

    `margins`: see `bench.sheets.unit_check.check_unit`; only judging stored captures again does without.

    Raises:
        SheetError: what is wrong with any of them.
        UsageError: no model named, by the bench sheet neither, and more than one shipped.
    """
    model = names.model or load.default_model(names.bench) or _only_model()
    faults: list[SheetError] = []
    unit = _tried(faults, lambda: load.load_unit(model, margins=margins))
    if unit is None:  # of the other sheets only the plan can be read without it
        if names.plan is not None:
            plan_named = names.plan
            _tried(faults, lambda: load.load_plan(plan_named, tuple(PROCEDURES)))
        raise _together(faults)
    aircraft_name = names.aircraft or load.default_aircraft_name(unit)
    aircraft = _tried(faults, lambda: load.load_aircraft(aircraft_name, unit))
    bench = _tried(faults, lambda: load.load_bench(names.bench, unit))
    plan_name = names.plan or unit.acceptance_plan
    plan = _tried(faults, lambda: load.load_plan(plan_name, tuple(PROCEDURES), unit, bench))
    if aircraft is None or plan is None or bench is None:
        raise _together(faults)
    unit_simulation = bench_simulation = None
    defects: tuple[Defect, ...] = ()
    if bench.simulated:
        unit_simulation = load.load_unit_simulation(model, margins=margins)
        bench_simulation = load.load_bench_simulation(names.bench, unit)
        defects = load.list_defects(unit_simulation, bench_simulation)
    copies = tuple(
        _copy(role, name)
        for role, name in (("unit", model), ("aircraft", aircraft_name), ("plan", plan_name), ("bench", names.bench))
    )
    for copy, digest in zip(copies, (unit.digest, aircraft.digest, plan.digest, bench.digest), strict=True):
        if copy.digest != digest:
            what = "was changed while it was being read"
            raise SheetError([Problem(copy.file, "", what, "save it, and start again")])
    return RunSheets(
        unit=unit,
        aircraft=aircraft,
        plan=plan,
        bench=bench,
        unit_simulation=unit_simulation,
        bench_simulation=bench_simulation,
        defects=defects,
        copies=copies,
    )


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
        paths = {}
        for role, copy in by_role.items():
            path = Path(folder) / f"{role}.toml"
            path.write_bytes(copy.text.encode())
            paths[role] = str(path)
        return load_sheets(
            SheetNames(
                model=model or paths["unit"], aircraft=paths["aircraft"], plan=paths["plan"], bench=paths["bench"]
            ),
            margins=False,
        )


def _tried(faults: list[SheetError], loading: Callable[[], Loaded]) -> Loaded | None:
    """Return what loads, or keep its faults for later."""
    try:
        return loading()
    except SheetError as error:
        faults.append(error)
        return None


def _together(faults: Sequence[SheetError]) -> SheetError:
    return SheetError([problem for error in faults for problem in error.problems])


def _only_model() -> str:
    models = load.list_models()
    if len(models) == 1:
        return models[0]
    raise UsageError(f"which model? Give --model NAME or FILE; shipped: {', '.join(models)}.")


def _copy(role: str, name_or_path: str) -> SheetCopy:
    if load.is_file(name_or_path):
        path = Path(name_or_path)
        return copy_sheet(role, path.name, path.read_bytes())
    return copy_sheet(role, f"{name_or_path}.toml", (FOLDERS[role] / f"{name_or_path}.toml").read_bytes())
