"""What a plan asks that its unit must not get or its bench can't give: volts and amperes out of reach."""

from collections.abc import Iterator

from bench.errors import Problem
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.plan_file import CONDITIONS, PlanFile
from bench.sheets.units import CURRENT, VOLTAGE, format_quantity, read_quantity
from test_plans.sheets import UnitSheet


def check_reach(plan: PlanFile, unit: UnitSheet | None, bench: BenchSheet | None, file: str) -> Iterator[Problem]:
    """Yield every figure beyond what the unit survives or the supply gives; what is not known is not checked."""
    for index, step in enumerate(plan.steps):
        for name, value in step.conditions.items():
            quantity = CONDITIONS.get(name)
            if quantity is not VOLTAGE and quantity is not CURRENT:
                continue
            try:
                asked = read_quantity(value, quantity)
            except ValueError:
                continue  # said already
            for limit, whose in _bounds(quantity is VOLTAGE, unit, bench):
                if asked > limit:
                    what = (
                        f"{format_quantity(asked, quantity)} is beyond the {format_quantity(limit, quantity)} {whose}"
                    )
                    yield Problem(file, f"steps[{index}].conditions.{name}", what, "give less")


def _bounds(is_voltage: bool, unit: UnitSheet | None, bench: BenchSheet | None) -> Iterator[tuple[float, str]]:
    if unit is not None and is_voltage:
        yield unit.survives_voltage_v, f"that {unit.model} survives"
    if bench is not None:
        limit = bench.supply.max_voltage_v if is_voltage else bench.supply.max_current_a
        yield limit, f"that the supply of bench {bench.name} gives"
