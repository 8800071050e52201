"""Whether a run can be carried out as asked: everything that speaks against it, told in one go.

Nothing is opened and nothing energised here; what can't be known because of another fault is left for the next try.
"""

import hashlib
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from bench.errors import Refusals, SheetError, UsageError
from bench.planning import faults_by_key, plan_check, plan_steps
from bench.records.record_folder import check_place, check_writable
from bench.records.serial_number import check_label, check_serial, clean_text
from bench.request import RunRequest
from bench.run_sheets import ReadSheets, RunSheets, SheetNames, read_sheets
from bench.sheets.told_names import defects_told, functions_told
from bench.simulation import HIGHEST_SEVERITY, check_names, simulated_parameters, sort_defects
from bench.steps import PlannedStep, choose
from instruments.simulated.parameters import BenchParameters, TwinParameters
from test_plans.registry import PROCEDURES

COLDEST_ROOM_C = -60.0
HOTTEST_ROOM_C = 100.0
NOT_SIMULATED = (
    "bench {name} is not simulated, and verify does not drive such a bench yet: the supervisor that makes it safe when "
    "this program dies, and the self-check that proves it first, do not exist. Use check to validate its sheets, and "
    "--bench simulated to prove the plan."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Admitted:
    """A request that can be carried out: what it goes by, and the simulated bench and unit it is carried out on."""

    sheets: RunSheets
    all_steps: tuple[PlannedStep, ...]  # of the plan
    steps: tuple[PlannedStep, ...]  # that are taken
    left_out: tuple[str, ...]  # procedures that the plan does without
    records: Path
    seed: int
    ambient_c: float | None  # degrees Celsius; None where nobody said
    bench: BenchParameters
    twin: TwinParameters


def admit(request: RunRequest) -> Admitted:
    """Return the request made ready; its folder of records is there and can be written to.

    Raises:
        SheetError, UsageError: all that is wrong with it.
    """
    refusals = Refusals()
    names = SheetNames(bench=request.bench, plan=request.plan, model=request.model, aircraft=request.aircraft)
    read = read_sheets(names, refusals)
    refusals.tried(lambda: check_serial(request.serial, simulated=read.simulated))
    _check_told(request, refusals)
    records = refusals.tried(lambda: records_folder(request.records))
    sheets = read.whole()
    check = plan_check(sheets) if sheets is not None else None
    all_steps = plan_steps(sheets, check) if sheets is not None else ()
    steps = refusals.tried(lambda: choose(all_steps, request.only)) if sheets is not None else None
    if sheets is None:
        _check_only(request, read, refusals)
    if faults := faults_by_key(steps or ()):
        refusals.add(SheetError(faults))
    asked_seed = refusals.tried(lambda: seed_asked(request.seed))
    ambient_c = refusals.tried(lambda: _ambient(request.ambient_c))
    seed = asked_seed if asked_seed is not None else seed_of(request.serial)
    drawn = _draw(request, read, seed, refusals)
    if records is not None:
        refusals.tried(lambda: check_place(records) if refusals else check_writable(records))
    if refusals or sheets is None or check is None or steps is None or records is None or drawn is None:
        raise refusals.all()
    bench, twin = drawn
    return Admitted(
        sheets=sheets,
        all_steps=all_steps,
        steps=steps,
        left_out=check.left_out,
        records=records,
        seed=seed,
        ambient_c=ambient_c,
        bench=bench,
        twin=twin,
    )


def seed_of(serial: str) -> int:
    """Return the seed that a serial stands for: the same unit every time.

    >>> seed_of("SIM-0147") == seed_of("SIM-0147")
    True
    """
    return int.from_bytes(hashlib.sha256(serial.encode(errors="replace")).digest()[:4], "big")


def seed_asked(text: str) -> int | None:
    """Return the seed that was typed; None where none was.

    Raises:
        UsageError: it is no whole number.
    """
    if not text:
        return None
    try:
        return int(text)
    except ValueError as error:
        raise UsageError(f"--seed {clean_text(text, 80)}: give a whole number, or leave it out.") from error


def records_folder(text: str | Path) -> Path:
    """Return the folder of records that `--records` names.

    Raises:
        UsageError: it names none.
    """
    if not str(text).strip() or "\0" in str(text):
        raise UsageError("--records names no folder. Give one, such as --records records; . is the current folder.")
    return Path(text)


def defect_asked(text: str) -> tuple[str, float]:
    """Return id and severity of `ID` or `ID:SEVERITY`; 1 is the catalogue's severity.

    Raises:
        UsageError: the severity is no number from 0 to 10.
    """
    name, colon, severity = text.partition(":")
    if not colon:
        return name, 1.0
    try:
        value = float(severity)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= HIGHEST_SEVERITY:  # NaN fails this too
        shown = clean_text(text, 80)
        raise UsageError(f"--defect {shown}: the severity is not a number from 0 to 10. 1 is the catalogue's.")
    return name, value


def _ambient(text: str) -> float | None:
    """Return the temperature that was told; None where none was.

    Raises:
        UsageError: no room has it.
    """
    if not text:
        return None
    try:
        ambient_c = float(text)
    except ValueError:
        ambient_c = math.nan
    if not COLDEST_ROOM_C <= ambient_c <= HOTTEST_ROOM_C:  # NaN is in no range
        raise UsageError(
            f"--ambient-c {clean_text(text, 80)}: give the temperature of the room in degrees Celsius, "
            f"from {COLDEST_ROOM_C:g} to {HOTTEST_ROOM_C:g}."
        )
    return ambient_c


def _check_told(request: RunRequest, refusals: Refusals) -> None:
    """Refuse what can't be true of a unit, a room or a complaint."""
    for option in ("part", "modification", "firmware"):
        refusals.tried(partial(check_label, f"--{option}", getattr(request, option)))
    if not request.squawk.strip():
        if request.squawk_conditions.strip():
            refusals.add(UsageError("--squawk-conditions: there is no squawk. Give the complaint with --squawk."))
        if request.squawk_reproduced is not None:
            word = "--reproduced" if request.squawk_reproduced else "--not-reproduced"
            refusals.add(UsageError(f"{word}: there is no squawk. Give the complaint with --squawk."))


def _check_only(request: RunRequest, read: ReadSheets, refusals: Refusals) -> None:
    """Refuse names that no plan can have: neither a procedure's nor a function's of any model that may be meant."""
    if read.unit is not None:
        functions: Collection[str] | None = [function.name for function in read.unit.functions]
    else:
        functions = functions_told(read.model_name)
    if functions is None:
        return
    for name in request.only:
        if name not in PROCEDURES and name not in functions:
            refusals.add(
                UsageError(
                    f"--only {clean_text(name, 80)}: there is no procedure of that name, and no such function. "
                    f"Procedures: {', '.join(PROCEDURES)}. Functions: {', '.join(sorted(functions))}."
                )
            )


def _check_defects(
    request: RunRequest, read: ReadSheets, defects: Sequence[tuple[str, float]], refusals: Refusals
) -> None:
    """Refuse defects that are in no catalogue that may be meant, where unit or bench sheet can't be used."""
    known, not_caught = (defects_told(read.model_name, request.bench, key) for key in ("defects", "not-caught"))
    if known is not None and not_caught is not None:
        refusals.tried(lambda: check_names([name for name, _ in defects], sorted(known), also=not_caught))


def _draw(
    request: RunRequest, read: ReadSheets, seed: int, refusals: Refusals
) -> tuple[BenchParameters, TwinParameters] | None:
    """Return the simulated bench and unit with the defects asked for, where sheets and defects allow it."""
    asked = [refusals.tried(partial(defect_asked, text)) for text in request.defects]
    defects = [defect for defect in asked if defect is not None]
    if read.simulated is False:
        name = read.bench.name if read.bench is not None else clean_text(request.bench or "")
        if request.defects:
            refusals.add(UsageError(f"--defect: bench {name} is real; defects go into a simulated unit or bench only."))
        refusals.add(UsageError(NOT_SIMULATED.format(name=name)))
        return None
    unit, aircraft, bench = read.unit, read.aircraft, read.bench
    unit_simulation, bench_simulation = read.unit_simulation, read.bench_simulation
    if unit is None or bench is None or unit_simulation is None or bench_simulation is None:
        _check_defects(request, read, defects, refusals)
        return None
    if aircraft is None:
        refusals.tried(lambda: sort_defects(unit_simulation, bench_simulation, defects))
        return None
    return refusals.tried(
        lambda: simulated_parameters(
            unit, unit_simulation, aircraft, bench, bench_simulation, seed=seed, defects=defects
        )
    )
