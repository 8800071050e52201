"""A sheet's file as bytes, text and parsed TOML: everything that can be wrong before its meaning is looked at."""

import hashlib
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from bench.errors import Problem, SheetError

LARGEST_FILE_BYTES = 1_000_000
DEEPEST_NESTING = 20
LONGEST_LINE = 2000  # the parser's time grows with the square of a key's length
_REFUSED_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})  # control, invisible, unassigned
_PLACE = re.compile(r"(.*) \(at (.*)\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSource:
    """A parsed sheet: `label` is what messages call the file, `digest` the SHA-256 of its bytes."""

    label: str
    data: dict[str, Any]
    digest: str


def read_source(file: Path | Traversable, label: str) -> SheetSource:
    """Read and parse a TOML file.

    Raises:
        SheetError: missing, a directory or a pipe, not readable, over 1 MB, not UTF-8 text, not TOML, or with control
            characters in its text (all of those at once).
    """
    text, digest = read_text(file, label)
    try:
        data = tomllib.loads(text)
        unfit = list(_unfit_texts(data))
    except tomllib.TOMLDecodeError as fault:
        raise _refuse(label, f"does not parse as TOML{_toml_reason(fault, text)}", "mend that line") from fault
    except (RecursionError, ValueError) as fault:  # nested beyond reason, or a number of thousands of digits
        raise _refuse(label, "does not parse as TOML: nested too deeply or a number too long", "simplify it") from fault
    problems = [
        Problem(label, key, f"{what} holds a control or invisible character", "type that text afresh")
        for key, what in unfit
    ]
    if problems:
        raise SheetError(problems)
    return SheetSource(label=label, data=data, digest=digest)


def read_text(file: Path | Traversable, label: str) -> tuple[str, str]:
    """Return a file's text and the SHA-256 of its bytes.

    Raises:
        SheetError: missing, a directory, not readable, over 1 MB, not UTF-8 text, or a line beyond all reason.
    """
    content = _read_bytes(file, label)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content[: fault.start].count(b"\n") + 1
        what = f"line {line} is not UTF-8 text"
        raise _refuse(label, what, "save the file as UTF-8 in a plain text editor") from fault
    for number, written in enumerate(text.splitlines(), start=1):
        if len(written) > LONGEST_LINE:
            raise _refuse(label, f"line {number} is longer than {LONGEST_LINE} characters", "break it up")
    return text, hashlib.sha256(content).hexdigest()


def _read_bytes(file: Path | Traversable, label: str) -> bytes:
    try:
        if file.is_dir():
            raise _refuse(label, "is a folder", "name the TOML file in it")
        if isinstance(file, Path) and file.exists() and not file.is_file():  # a pipe might never end
            raise _refuse(label, "is no regular file", "save the sheet as a file, and name that")
        with file.open("rb") as stream:
            content: bytes = stream.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as fault:
        raise _refuse(label, "there is no such file", "check the path, or give the name of a shipped sheet") from fault
    except (OSError, ValueError) as fault:  # ValueError: a NUL in the path
        reason = fault.strerror if isinstance(fault, OSError) else str(fault)
        raise _refuse(label, f"can't be read ({reason})", "check the path and its permissions") from fault
    if len(content) > LARGEST_FILE_BYTES:
        raise _refuse(label, "is larger than 1 MB", "a sheet is a short text; check that this is the right file")
    return content


def _toml_reason(fault: tomllib.TOMLDecodeError, text: str) -> str:
    match = _PLACE.fullmatch(str(fault))
    if match is None:
        return f": {fault}"
    reason, place = match.groups()
    return f": {f'line {len(text.splitlines())}, the end' if place == 'end of document' else place}: {reason}"


def _refuse(label: str, what: str, mend: str) -> SheetError:
    return SheetError([Problem(label, "", what, mend)])


def _unfit_texts(data: object, key: str = "", depth: int = 0) -> Iterator[tuple[str, str]]:
    if depth > DEEPEST_NESTING:
        raise ValueError(f"nested more than {DEEPEST_NESTING} deep")
    if isinstance(data, str) and not fit_to_show(data):
        yield key, f'"{shown(data)}"'
    elif isinstance(data, Mapping):
        for name, value in data.items():
            if not fit_to_show(name):
                yield key, f'the key "{shown(name)}"'
            yield from _unfit_texts(value, join_key(key, shown(name)), depth + 1)
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from _unfit_texts(value, f"{key}[{index}]", depth + 1)


def fit_to_show(text: str) -> bool:
    """Say whether text is free of control, invisible and line-breaking characters."""
    return text.isprintable() or not any(unicodedata.category(character) in _REFUSED_CATEGORIES for character in text)


def shown(text: str, *, longest: int = 80) -> str:
    """Return text with everything unfit escaped, cut to what a message can hold."""
    safe = text
    if not fit_to_show(text):
        safe = "".join(c if fit_to_show(c) else c.encode("unicode_escape").decode("ascii") for c in text)
    return safe if len(safe) <= longest else safe[: longest - 3] + "..."


def join_key(parent: str, name: str) -> str:
    """Return `parent.name`, quoted where the name is no bare TOML key."""
    bare = re.fullmatch(r"[A-Za-z0-9_-]+", name) is not None
    quoted = name if bare else f'"{name}"'
    return f"{parent}.{quoted}" if parent else quoted
