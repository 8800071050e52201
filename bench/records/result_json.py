"""Results to JSON and back: each of the three shapes by its own fields, under the name of its shape."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from analysis.measurement import Curve, Measurement, Observation, Result
from bench.records.dataclass_json import from_json, to_json

SHAPES: Mapping[str, type[Measurement] | type[Observation] | type[Curve]] = MappingProxyType(
    {"measurement": Measurement, "observation": Observation, "curve": Curve}
)


def result_to_json(result: Result) -> dict[str, Any]:
    """Return a result for a file; `shape` says which of the three it is."""
    (shape,) = (name for name, kind in SHAPES.items() if isinstance(result, kind))
    return {"shape": shape, **to_json(result)}


def result_from_json(document: Mapping[str, Any]) -> Result:
    """Return the result that `result_to_json` wrote.

    Raises:
        ValueError: an unknown shape.
    """
    shape = document["shape"]
    if shape not in SHAPES:
        raise ValueError(f"{shape!r} is no shape of result; {', '.join(SHAPES)} stands here")
    return from_json(SHAPES[shape], document)
