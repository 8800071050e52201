"""Sheets and plans: TOML in, every fault at once, frozen dataclasses out."""

from bench.sheets.load import (
    default_aircraft,
    default_aircraft_name,
    is_file,
    list_aircraft,
    list_benches,
    list_defects,
    list_models,
    list_plans,
    load_aircraft,
    load_bench,
    load_bench_simulation,
    load_plan,
    load_unit,
    load_unit_simulation,
)

__all__ = [
    "default_aircraft",
    "default_aircraft_name",
    "is_file",
    "list_aircraft",
    "list_benches",
    "list_defects",
    "list_models",
    "list_plans",
    "load_aircraft",
    "load_bench",
    "load_bench_simulation",
    "load_plan",
    "load_unit",
    "load_unit_simulation",
]
