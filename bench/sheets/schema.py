"""From parsed TOML to a checked table, every fault at once and in plain words.

Pydantic finds the faults of shape; `checked` says them the way a technician reads them. Faults of meaning
(a pin wired twice, a name that is nowhere) are found by the sheet's own check afterwards. So that the second
kind is not hidden behind the first, each fault that has an obvious stand-in (a key too many, a figure with a
wrong unit) is patched in memory and reading goes on; nothing patched is ever used but to find further faults.
"""

import copy
import difflib
import json
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from bench.errors import Problem, SheetError
from bench.sheets.fields import STAND_IN
from bench.sheets.source import SheetSource, join_key, shown
from bench.sheets.units import show

ModelT = TypeVar("ModelT", bound=BaseModel)
Location = tuple[int | str, ...]
_MOST_LISTED = 30
_MOST_READINGS = 6  # unknown keys, then values, each perhaps uncovering more inside a renamed table


def checked(
    model: type[ModelT], source: SheetSource, check: Callable[[ModelT, str], Iterable[Problem]] | None = None
) -> ModelT:
    """Return the sheet as `model`; `check(table, file)` finds what the shape alone can't show.

    Raises:
        SheetError: every fault found.
    """
    table, problems = read_table(model, source)
    if table is not None and check is not None:
        problems = [*problems, *_untouched(check(table, source.label), problems)]
    if problems or table is None:
        raise SheetError(problems)
    return table


def read_table(model: type[ModelT], source: SheetSource) -> tuple[ModelT | None, list[Problem]]:
    """Return the table, patched where there are problems (None where that can't be done), and the problems."""
    data = copy.deepcopy(source.data)
    problems: list[Problem] = []
    for _ in range(_MOST_READINGS):
        try:
            return model.model_validate_json(json.dumps(data, default=str)), problems
        except ValidationError as fault:
            details = [detail for detail in fault.errors(include_url=False) if not _echo(detail)]
        extra = [detail for detail in details if detail["type"] == "extra_forbidden"]
        if extra:  # first, for a misspelt key also leaves one missing
            problems += [_take_out(model, data, source.label, detail["loc"]) for detail in extra]
            continue
        problems += [_plain(source.label, detail) for detail in details]
        patched = [_patch(data, detail) for detail in details]
        if not all(patched):
            break
    return None, problems


def _echo(detail: ErrorDetails) -> bool:
    """Say whether a list is called short only because its entries, each told by itself, are faulty."""
    found = detail["input"]
    return detail["type"] == "too_short" and isinstance(found, list) and len(found) >= detail["ctx"]["min_length"]


def suggestion(found: str, known: Iterable[str], what: str, *, most: int = _MOST_LISTED) -> str:
    """Return "did you mean ...?" where a known name is near, else the list of what there is, `most` of them."""
    names = sorted(set(known))
    near = difflib.get_close_matches(found, names, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    more = " ..." if len(names) > most else ""
    return f"known {what}: {', '.join(names[:most])}{more}" if names else f"there are no {what}"


def key_text(location: Sequence[int | str]) -> str:
    """Return a location as a TOML reader writes it: `limits.trim-drop.high`, `steps[2].procedure`.

    >>> key_text(("steps", 2, "procedure"))
    'steps[2].procedure'
    """
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part}]"
        elif part != "[key]":
            text = join_key(text, shown(part))
    return text


def _untouched(found: Iterable[Problem], patched: Sequence[Problem]) -> list[Problem]:
    """Leave out what is said of an entry that was patched: its stand-in is no fault of the file."""
    entries = {problem.key.rpartition(".")[0] or problem.key for problem in patched}
    keys = {problem.key for problem in patched}
    return [problem for problem in found if problem.key not in keys and problem.key not in entries]


def _take_out(model: type[BaseModel], data: dict[str, Any], label: str, location: Location) -> Problem:
    """Remove an unknown key, or rename it to the missing one it is near to."""
    holder = _at(data, location[:-1])
    name = str(location[-1])
    known = _known_keys(model, location[:-1])
    absent = [key for key in known if key not in holder]
    near = difflib.get_close_matches(name, absent, n=1, cutoff=0.6)
    value = holder.pop(location[-1])
    if near:
        holder[near[0]] = value
    mend = f'did you mean "{near[0]}"?' if near else f"known keys here: {', '.join(sorted(known))}"
    return Problem(label, key_text(location), "unknown key", mend)


def _plain(label: str, detail: ErrorDetails) -> Problem:
    """Say one fault of pydantic's in plain words."""
    location, context = detail["loc"], detail.get("ctx", {})
    key = key_text(location)
    found = show(detail["input"])
    if detail["type"] == "sheet":
        what, _, wanted = str(context["words"]).partition(", wanted ")
        return Problem(label, key, what, f"give {wanted}" if wanted else "correct it")
    if detail["type"] == "missing":
        return Problem(label, key, "is missing", "add it")
    if detail["type"] in {"enum", "literal_error"}:
        return Problem(label, key, f"found {found}", f"give {context['expected']}")
    if detail["type"] in _WANTED:
        return Problem(label, key, f"found {found}", f"give {_WANTED[detail['type']]}")
    if "ge" in context or "le" in context:
        bound = f"at least {context['ge']}" if "ge" in context else f"at most {context['le']}"
        return Problem(label, key, f"found {found}", f"give {bound}")
    return Problem(label, key, f"found {found}", detail["msg"])


_WANTED = {
    "int_type": "a whole number without quotes",
    "int_from_float": "a whole number",
    "bool_type": "true or false without quotes",
    "string_type": "text in quotes",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "too_short": "at least one entry",
}


def _patch(data: dict[str, Any], detail: ErrorDetails) -> bool:
    """Put a stand-in in the place of a faulty value; say whether there was one."""
    location, stand_in = detail["loc"], _stand_in(detail)
    if stand_in is None or not location or location[-1] == "[key]":
        return False
    holder = _at(data, location[:-1])
    holder[location[-1]] = stand_in
    return True


def _stand_in(detail: ErrorDetails) -> object:
    """Return a value that would have been accepted, None where there is no obvious one."""
    context = detail.get("ctx", {})
    if STAND_IN in context:
        return context[STAND_IN]
    if "expected" in context:  # one of a few words: the first of "'pwm' or 'dc'"
        return str(context["expected"]).split("'")[1]
    if detail["type"] == "int_type" and isinstance(detail["input"], str) and detail["input"].isdecimal():
        return int(detail["input"])  # a number in quotes
    return context.get("ge", context.get("le"))


def _at(data: Any, location: Location) -> Any:
    for part in location:
        data = data[part]
    return data


def _known_keys(model: type[BaseModel], location: Location) -> list[str]:
    """Return the keys of the table at `location`, walking the annotations down from `model`."""
    here: Any = model
    for part in location:
        here = _strip(here)
        if isinstance(here, type) and issubclass(here, BaseModel):
            here = next(field.annotation for field in here.model_fields.values() if field.alias == part)
        else:
            here = typing.get_args(here)[1 if issubclass(typing.get_origin(here), Mapping) else 0]
    here = _strip(here)
    return [field.alias or name for name, field in here.model_fields.items()]


def _strip(annotation: Any) -> Any:
    """Return an annotation without `| None` and without `Annotated`."""
    while True:
        origin = typing.get_origin(annotation)
        if origin is typing.Annotated:
            annotation = typing.get_args(annotation)[0]
        elif origin in {types.UnionType, typing.Union}:
            annotation = next(a for a in typing.get_args(annotation) if a is not type(None))
        else:
            return annotation
