"""The folder of all records, and the folder of one: proved writable first, named so that two never meet."""

import os
import re
import secrets
from datetime import datetime
from pathlib import Path

from bench.errors import DiskError, RecordError, UsageError
from bench.records.run_facts import RunFacts

CAPTURES_FOLDER = "captures"
ID_TRIES = 10


def check_writable(records_dir: Path) -> None:
    """Make the folder of records if need be, and prove that a file can be made and deleted in it.

    Raises:
        UsageError: it can't; said before anything is energised.
    """
    probe = records_dir / f"probe-{secrets.token_hex(8)}"
    try:
        records_dir.mkdir(parents=True, exist_ok=True)
        try:
            probe.write_bytes(b"probe")
        finally:
            probe.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(
            f"records folder {records_dir}: nothing can be written there ({error.strerror or error}). "
            "Choose another folder with --records DIR, or make this one writable."
        ) from error


def check_place(records_dir: Path) -> None:
    """Say whether records could be kept there, without making anything: for a request that is refused all the same.

    Raises:
        UsageError: it or the folder it would be made in is no folder, or nothing may be written there.
    """
    try:
        there = next(place for place in (records_dir, *records_dir.absolute().parents) if place.exists())
    except OSError as error:  # a name no file system takes
        what = f"it can't be ({error.strerror or error})"
        raise UsageError(f"records folder {records_dir}: {what}. Choose another with --records DIR.") from error
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        what = "nothing may be written there" if there.is_dir() else f"{there} is no folder"
        raise UsageError(f"records folder {records_dir}: {what}. Choose another folder with --records DIR.")


def make_folder(records_dir: Path, facts: RunFacts, now: datetime) -> tuple[str, Path]:
    """Make `<date>_<model>_<serial>_<id>` and return id and folder.

    The id is the time of day and six random hexadecimal digits; a name that is taken gets other digits.

    Raises:
        DiskError: the disk refuses.
    """
    model = re.sub(r"[^A-Za-z0-9.-]+", "-", facts.model)[:40]
    for _ in range(ID_TRIES):
        run_id = f"{now:%H%M%S}-{secrets.token_hex(3)}"
        folder = records_dir / f"{now:%Y-%m-%d}_{model}_{facts.serial}_{run_id}"
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        except OSError as error:
            raise DiskError(
                f"{folder}: the folder can't be made ({error.strerror or error}). Choose another with --records."
            ) from error
        return run_id, folder
    raise RecordError(
        f"{records_dir}: {ID_TRIES} folders of random names exist already. Choose another with --records."
    )
