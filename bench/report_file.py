"""Where a report that is rendered again may be written: never into a record, nor over what is not ours."""

from pathlib import Path

from analysis.report import is_report
from bench.errors import RecordError, UsageError
from bench.records.durable import write_whole
from bench.records.reading import is_record

LOOKED_AT_BYTES = 2000


def check_target(target: Path, *, replace: bool) -> None:
    """Check the file a report is to be written to, its path resolved.

    Raises:
        UsageError: it lies in a record, is no file, or is a file that is no report of ours and `replace` is not set.
    """
    if any(is_record(folder) for folder in target.parents):
        raise UsageError(f"--output {target}: a record is closed and stays as it is. Choose a file outside of it.")
    if not target.exists():
        return
    if not target.is_file():
        raise UsageError(f"--output {target}: is no file. Choose one; a new one is made.")
    if not replace and not _is_ours(target):
        raise UsageError(
            f"--output {target}: there is such a file, and it is no report of boxproof. "
            "Choose another, or say --replace."
        )


def write_report(target: Path, html: str) -> None:
    """Write a report whole, or leave what is there.

    Raises:
        UsageError: the disk refuses.
    """
    try:
        write_whole(target, html.encode(errors="replace"))
    except RecordError as error:
        fault = error.__cause__
        raise UsageError(f"--output {target}: {getattr(fault, 'strerror', fault)}. Choose another file.") from error


def _is_ours(target: Path) -> bool:
    try:
        with target.open("rb") as file:
            return is_report(file.read(LOOKED_AT_BYTES).decode(errors="replace"))
    except OSError:
        return False
