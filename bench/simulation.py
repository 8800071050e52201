"""From sheets to a simulated bench with a simulated unit on it: draws both by the seed, then injects defects.

The bench's true errors lie inside the bounds its sheet states, and the unit's quantities inside those of its
`[simulation]` table. A defect replaces what was drawn; nothing else of the draw changes with it. What is
drawn here never reaches a procedure.
"""

from collections.abc import Sequence

from bench.drawn_bench import drawn_bench, spoilt
from bench.drawn_unit import drawn_unit
from bench.errors import UsageError
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
        UsageError: a defect is unknown, stands twice, or has a severity that is not in 0 to 10.
    """
    unit_defects, bench_defects = _sorted_out(unit_simulation, bench_simulation, defects)
    parameters = drawn_bench(unit, bench, bench_simulation, seed)
    for bench_defect, severity in bench_defects:
        parameters = spoilt(parameters, bench, bench_defect, severity)
    return parameters, drawn_unit(unit, unit_simulation, aircraft, seed, unit_defects)


def _sorted_out(
    unit: UnitSimulation, bench: BenchSimulation, defects: Sequence[tuple[str, float]]
) -> tuple[list[tuple[UnitDefect, float]], list[tuple[BenchDefect, float]]]:
    of_unit = {entry.id: entry for entry in unit.defects}
    of_bench = {entry.id: entry for entry in bench.defects}
    unit_defects: list[tuple[UnitDefect, float]] = []
    bench_defects: list[tuple[BenchDefect, float]] = []
    seen: set[str] = set()
    for name, severity in defects:
        if name in seen:
            raise UsageError(f"defect {name} is named twice; name each defect once.")
        seen.add(name)
        if not 0.0 <= severity <= HIGHEST_SEVERITY:  # NaN is in no range
            raise UsageError(f"defect {name}: severity {severity:g} is not from 0 to 10; 1 is the catalogue's.")
        if name in of_unit:
            unit_defects.append((of_unit[name], severity))
        elif name in of_bench:
            bench_defects.append((of_bench[name], severity))
        elif name in (told := {entry.id: entry for entry in unit.not_caught}):
            raise UsageError(f"defect {name} can't be injected: it is listed as not caught: {told[name].because}.")
        else:
            known = (*of_unit, *of_bench)
            raise UsageError(
                f"there is no defect {name!r}; {suggestion(name, known, 'defects')} There is: {', '.join(known)}."
            )
    return unit_defects, bench_defects
