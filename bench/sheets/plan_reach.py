"""What a plan asks that its unit must not get or its bench can't give: volts and amperes out of reach."""

from collections.abc import Iterator

from bench.errors import Problem
from bench.sheets.bench_sheet import BenchSheet
from bench.sheets.plan_file import CONDITIONS, PlanFile
from bench.sheets.units import CURRENT, VOLTAGE, VOLTAGE_RATE, Quantity, format_quantity, read_quantity
from test_plans.sheets import UnitSheet

LEFT_OUT_BEYOND = frozenset({"last-rate"})  # what is out of reach there is left out, and the plan check says so


def check_reach(plan: PlanFile, unit: UnitSheet | None, bench: BenchSheet | None, file: str) -> Iterator[Problem]:
    """Yield every figure beyond what the unit survives or the supply gives; what is not known is not checked."""
    for index, step in enumerate(plan.steps):
        for name, value in step.conditions.items():
            quantity = CONDITIONS.get(name)
            if quantity not in {VOLTAGE, CURRENT, VOLTAGE_RATE} or name in LEFT_OUT_BEYOND:
                continue
            try:
                asked = read_quantity(value, quantity)
            except ValueError:
                continue  # said already
            for limit, whose in _bounds(quantity, unit, bench):
                if asked > limit:
                    what = (
                        f"{format_quantity(asked, quantity)} is beyond the {format_quantity(limit, quantity)} {whose}"
                    )
                    yield Problem(file, f"steps[{index}].conditions.{name}", what, "give less")


def _bounds(
    quantity: Quantity | type | None, unit: UnitSheet | None, bench: BenchSheet | None
) -> Iterator[tuple[float, str]]:
    if unit is not None and quantity is VOLTAGE:
        yield unit.survives_voltage_v, f"that {unit.model} survives"
    if bench is None:
        return
    supply = bench.supply
    limit = {
        VOLTAGE: supply.max_voltage_v,
        CURRENT: supply.max_current_a,
        VOLTAGE_RATE: min(supply.slew_up_v_per_s, supply.slew_down_v_per_s),
    }
    for known, value in limit.items():
        if quantity is known:
            yield value, f"that the supply of bench {bench.name} gives"
