"""Writing that is whole or not there, and disk faults as errors of ours."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench.errors import DiskError, RecordError


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place, force it to disk and move it there: a cut leaves no half of it.

    Raises:
        DiskError: the disk refuses.
    """
    part = path.with_name(path.name + ".part")
    with disk_faults(path), part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    with disk_faults(path):
        part.replace(path)


@contextmanager
def disk_faults(path: Path) -> Iterator[None]:
    """Turn an OSError of writing into a DiskError that names the file and what to do."""
    try:
        yield
    except OSError as error:
        raise DiskError(
            f"{path}: the disk refuses ({error.strerror or error}). "
            "Free space there or choose another folder with --records; what was written before is kept."
        ) from error


@contextmanager
def reading_faults(path: Path) -> Iterator[None]:
    """Turn an OSError of reading into a RecordError that names the file and what to do."""
    try:
        yield
    except OSError as error:
        raise RecordError(
            f"{path}: can't be read ({error.strerror or error}). Check that it is there and may be read, "
            "or fetch it from a copy."
        ) from error
