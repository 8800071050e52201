"""MANIFEST: the SHA-256 of every file of a closed record, one a line, sorted by path.

The lines are those of the common `sha256sum` tool, so `sha256sum -c MANIFEST` checks a record without us.
It is written last and at once: a record with a MANIFEST is closed.
"""

import hashlib
import re
from pathlib import Path

from bench.records.durable import reading_faults, write_whole

MANIFEST_NAME = "MANIFEST"
_LINE = re.compile(r"(?P<digest>[0-9a-f]{64})  (?P<path>.+)")


def write_manifest(folder: Path) -> None:
    """Write the MANIFEST of everything in `folder`.

    Raises:
        RecordError: the disk refuses.
    """
    digests = {name: _digest(path) for name, path in _files(folder).items()}
    lines = [f"{digests[name]}  {name}\n" for name in sorted(digests)]
    write_whole(folder / MANIFEST_NAME, "".join(lines).encode())


def verify_manifest(folder: Path) -> tuple[str, ...]:
    """Return a sentence for each file that is altered, missing or was added since; empty when all is as closed.

    Raises:
        RecordError: the folder or its MANIFEST can't be read.
    """
    with reading_faults(folder / MANIFEST_NAME):
        text = (folder / MANIFEST_NAME).read_bytes().decode(errors="replace")
    named: dict[str, str] = {}
    problems = []
    for number, line in enumerate(text.split("\n")[:-1], start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            problems.append(f"{MANIFEST_NAME}: line {number} is not a digest and a path; it was altered")
        else:
            named[match["path"]] = match["digest"]
    if not text.endswith("\n"):
        problems.append(f"{MANIFEST_NAME}: its last line is cut; it was altered")
    files = _files(folder)
    for name in sorted(named.keys() | files.keys()):
        if name not in files:
            problems.append(f"{name}: the record was closed with it, and it is missing")
        elif name not in named:
            problems.append(f"{name}: was added after the record was closed")
        elif _digest(files[name]) != named[name]:
            problems.append(f"{name}: was altered after the record was closed")
    return tuple(problems)


def _files(folder: Path) -> dict[str, Path]:
    return {
        path.relative_to(folder).as_posix(): path
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).as_posix() != MANIFEST_NAME
    }


def _digest(path: Path) -> str:
    with reading_faults(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
