"""From sheets to a simulated bench with a simulated unit on it: draws both by the seed, then injects defects.

The bench's true errors lie inside the bounds its sheet states, and the unit's quantities inside those of its
`[simulation]` table. A defect replaces what was drawn; nothing else of the draw changes with it. What is
drawn here never reaches a procedure.
"""

from collections import Counter
from collections.abc import Collection, Sequence

from bench.drawn_bench import drawn_bench, spoilt
from bench.drawn_unit import drawn_unit
from bench.errors import Refusals, UsageError
from bench.records.serial_number import clean_text
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.schema import suggestion
from bench.sheets.simulation_sheet import BenchDefect, BenchSimulation, UnitDefect, UnitSimulation
from instruments.simulated.parameters import BenchParameters, TwinParameters
from test_plans.sheets import AircraftSheet, UnitSheet

HIGHEST_SEVERITY = 10.0


def simulated_parameters(
    unit: UnitSheet,
    unit_simulation: UnitSimulation,
    aircraft: AircraftSheet,
    bench: BenchSheet,
    bench_simulation: BenchSimulation,
    *,
    seed: int,
    defects: Sequence[tuple[str, float]] = (),
) -> tuple[BenchParameters, TwinParameters]:
    """Return a simulated bench and unit: the seed's draw, with `defects` as (id, severity) injected.

    Raises:
        UsageError: defects that are unknown, stand twice, or have a severity that is not in 0 to 10; all of them.
    """
    unit_defects, bench_defects = sort_defects(unit_simulation, bench_simulation, defects)
    parameters = drawn_bench(unit, bench, bench_simulation, seed)
    for bench_defect, severity in bench_defects:
        parameters = spoilt(parameters, bench, bench_defect, severity)
    return parameters, drawn_unit(unit, unit_simulation, aircraft, seed, unit_defects)


def sort_defects(
    unit: UnitSimulation, bench: BenchSimulation, defects: Sequence[tuple[str, float]]
) -> tuple[list[tuple[UnitDefect, float]], list[tuple[BenchDefect, float]]]:
    """Return the unit's defects and the bench's, with severities; raises as `simulated_parameters`."""
    of_unit = {entry.id: entry for entry in unit.defects}
    of_bench = {entry.id: entry for entry in bench.defects}
    not_caught = {entry.id: entry for entry in unit.not_caught}
    unit_defects: list[tuple[UnitDefect, float]] = []
    bench_defects: list[tuple[BenchDefect, float]] = []
    known = (*of_unit, *of_bench)
    refusals = Refusals()
    refusals.tried(lambda: check_names([name for name, _ in defects], known, also=not_caught))
    for name, severity in defects:
        if not 0.0 <= severity <= HIGHEST_SEVERITY:  # NaN is in no range
            refusals.add(
                UsageError(f"--defect {name}: severity {severity:g} is not from 0 to 10; 1 is the catalogue's.")
            )
        if name in of_unit:
            unit_defects.append((of_unit[name], severity))
        elif name in of_bench:
            bench_defects.append((of_bench[name], severity))
        elif name in not_caught:
            refusals.add(
                UsageError(
                    f"--defect {name} can't be injected: it is listed as not caught: {not_caught[name].because}."
                )
            )
    if refusals:
        raise refusals.all()
    return unit_defects, bench_defects


def check_names(names: Sequence[str], known: Sequence[str], *, also: Collection[str] = ()) -> None:
    """Refuse defects that stand twice, and those that are neither `known` nor among `also`, which are not suggested.

    Raises:
        UsageError: all of them.
    """
    refusals = Refusals()
    for name, count in Counter(names).items():
        if count > 1:
            refusals.add(UsageError(f"--defect {name} is named twice; name each defect once."))
        if name not in known and name not in also:
            what = f"--defect: there is no defect {clean_text(name, 80)!r}"
            refusals.add(UsageError(f"{what}; {suggestion(name, known, 'defects', most=len(known))}"))
    if refusals:
        raise refusals.all()
