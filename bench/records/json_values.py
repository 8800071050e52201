"""Numbers and small mappings to JSON and back, exactly.

JSON has no NaN and no infinity. In files of ours NaN is `null` and an infinity is the text "inf" or "-inf",
so that an open limit or infinite degrees of freedom survive; a finite number keeps its last digit because
Python writes the shortest text that reads back as the same float. Output meant for other programs uses
`json_number`, where everything that is not finite is `null`.
"""

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

Scalar = float | int | str | bool


def json_number(value: float | None) -> float | None:
    """Return `value`, or None where it is not finite."""
    return value if value is not None and math.isfinite(value) else None


def number_to_json(value: float) -> float | str | None:
    """Return what stands in a file for a float: itself, None for NaN, "inf" or "-inf"."""
    if math.isnan(value):
        return None
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return float(value)


def number_from_json(value: float | str | None) -> float:
    """Return the float that `number_to_json` wrote.

    Raises:
        ValueError: a text other than "inf" or "-inf".
    """
    if value is None:
        return math.nan
    if isinstance(value, str) and value not in {"inf", "-inf"}:
        raise ValueError(f'{value!r} is no number; a number, null, "inf" or "-inf" stands here')
    return float(value)


def fields_to_json(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return a mapping of scalars for a file; floats that are not finite become {"number": ...}.

    The wrapping keeps an infinite number apart from the text "inf". NumPy scalars become Python's.

    Raises:
        TypeError: a value is no number, text or truth value.
    """
    return {key: _scalar_to_json(key, value) for key, value in fields.items()}


def fields_from_json(fields: Mapping[str, Any]) -> dict[str, Scalar]:
    """Return the mapping that `fields_to_json` wrote."""
    return {
        key: number_from_json(value["number"]) if isinstance(value, dict) else value for key, value in fields.items()
    }


def dump_line(document: Mapping[str, Any]) -> str:
    """Return one line of JSON, in ASCII, without NaN or infinity."""
    return json.dumps(document, allow_nan=False)


def _scalar_to_json(key: str, value: object) -> Scalar | dict[str, Any]:
    plain = value.item() if isinstance(value, np.generic) else value
    if isinstance(plain, float) and not math.isfinite(plain):
        return {"number": number_to_json(plain)}
    if isinstance(plain, (bool, int, float, str)):
        return plain
    raise TypeError(f"field {key}: {type(value).__name__} can't be kept; a number, text or truth value stands here")
