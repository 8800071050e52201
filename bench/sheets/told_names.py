"""What a sheet calls its functions and defects, whether or not it can be used.

A word of the command line that no such sheet has is told beside what is wrong with the sheets, not at the next try.
Where a sheet is named that there is not, any shipped one may have been meant.
"""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, Literal

from bench.errors import SheetError
from bench.sheets.load import is_file, list_benches, list_models, read_sheet


def functions_told(model: str | None) -> frozenset[str] | None:
    """Return the functions of a model's sheet, or of all shipped ones where no such model is; None if unreadable."""
    return _told(model, "model", list_models(), _functions)


def defects_told(
    model: str | None, bench: str | None, catalogue: Literal["defects", "not-caught"]
) -> frozenset[str] | None:
    """Return every id in this catalogue of a model's and a bench's sheet, likewise; None if either is unreadable."""
    names_in = partial(_ids, catalogue)
    of_unit, of_bench = _told(model, "model", list_models(), names_in), _told(bench, "bench", list_benches(), names_in)
    return None if of_unit is None or of_bench is None else of_unit | of_bench


def _told(
    name: str | None, what: str, shipped: tuple[str, ...], names_in: Callable[[Mapping[str, Any]], Iterator[str]]
) -> frozenset[str] | None:
    meant = shipped if name is None or (not is_file(name) and name not in shipped) else (name,)
    try:
        return frozenset(told for sheet in meant for told in names_in(read_sheet(sheet, what)))
    except SheetError:
        return None


def _functions(data: Mapping[str, Any]) -> Iterator[str]:
    functions = data.get("functions")
    yield from functions if isinstance(functions, Mapping) else ()


def _ids(catalogue: str, data: Mapping[str, Any]) -> Iterator[str]:
    simulation = data.get("simulation")
    entries = simulation.get(catalogue) if isinstance(simulation, Mapping) else None
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, Mapping) and isinstance(entry.get("id"), str):
            yield entry["id"]
