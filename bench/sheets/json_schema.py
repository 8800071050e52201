"""The JSON Schema of each kind of sheet, for editors that complete and check TOML."""

from typing import Any

from pydantic import BaseModel

from bench.sheets.aircraft_file import AircraftFile
from bench.sheets.bench_file import BenchFile
from bench.sheets.limit_text import LIMIT_QUANTITIES
from bench.sheets.plan_file import CONDITIONS, PlanFile
from bench.sheets.profile_file import ProfileFile
from bench.sheets.unit_file import UnitFile

SHEETS: dict[str, type[BaseModel]] = {
    "unit": UnitFile,
    "aircraft": AircraftFile,
    "bench": BenchFile,
    "plan": PlanFile,
    "profile": ProfileFile,
}
_CLOSED_LISTS = {"limits": tuple(LIMIT_QUANTITIES), "conditions": tuple(CONDITIONS)}


def sheet_schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a sheet, keys as they stand in TOML.

    It says the shape. Whether names exist and figures fit each other says `boxproof check`.

    Raises:
        KeyError: `kind` is none of `SHEETS`.
    """
    schema = _for_toml(SHEETS[kind].model_json_schema(by_alias=True, mode="validation"))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": f"boxproof {kind} sheet"}


def _for_toml(schema: Any) -> Any:
    """Return a schema without null, which TOML has not got, without made-up titles, and with its closed lists."""
    if isinstance(schema, list):
        return [_for_toml(entry) for entry in schema]
    if not isinstance(schema, dict):
        return schema
    plain = {key: _for_toml(value) for key, value in schema.items() if not (key == "default" and value is None)}
    if isinstance(plain.get("title"), str):
        del plain["title"]
    choices = [choice for choice in plain.get("anyOf", ()) if choice != {"type": "null"}]
    if len(choices) == 1:
        del plain["anyOf"]
        plain |= choices[0]
    for name, known in _CLOSED_LISTS.items():
        if isinstance(listed := plain.get("properties", {}).get(name), dict):
            listed["propertyNames"] = {"enum": list(known)}
    return plain
