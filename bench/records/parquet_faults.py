"""What the Parquet library says of a file that is not as it was written, as an error of ours that names the file."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa

from bench.errors import RecordError


@contextmanager
def parquet_faults(path: Path) -> Iterator[None]:
    """Turn whatever the library says of a file into a RecordError that names it."""
    try:
        yield
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordError(
            f"{path}: the capture can't be read: {error}. The file was altered or cut; fetch it from a copy."
        ) from error
