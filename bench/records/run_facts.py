"""What is known of a run besides its results: who, what, on which bench, under which sheets, and how it ended."""

import hashlib
from dataclasses import dataclass
from enum import StrEnum

from analysis.verdict import Cause, Verdict


class RunStatus(StrEnum):
    """How a run came to its end."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    CRASHED = "crashed"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCopy:
    """A sheet as it was used, so that old limits are kept: role (`unit`, `aircraft`, `bench`, `plan`), file, text.

    `digest` is the SHA-256 of the file's bytes, which are the text in UTF-8.
    """

    role: str
    file: str
    digest: str
    text: str

    def intact(self) -> bool:
        """Say whether the text is the one the digest was made of."""
        return hashlib.sha256(self.text.encode()).hexdigest() == self.digest


def copy_sheet(role: str, file: str, content: bytes) -> SheetCopy:
    """Return the copy of a sheet file's bytes.

    Raises:
        UnicodeDecodeError: the bytes are not UTF-8, which no sheet that was read can be.
    """
    return SheetCopy(role=role, file=file, digest=hashlib.sha256(content).hexdigest(), text=content.decode())


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """Everything that is settled before the run begins; free text goes through `clean_text` first."""

    software_version: str
    serial: str
    model: str
    aircraft: str
    plan: str
    bench: str
    simulated: bool
    seed: int | None = None  # simulated benches only
    defects: tuple[str, ...] = ()  # as asked for, `id` or `id:severity`
    only: tuple[str, ...] = ()  # what the run was narrowed to
    operator: str = ""
    work_order: str = ""
    part: str = ""  # of the unit, as on its plate
    modification: str = ""
    firmware: str = ""
    ambient_c: float | None = None  # temperature in the room, degrees Celsius; None where nobody said
    squawk: str = ""
    squawk_conditions: str = ""  # under which the complaint shows
    squawk_reproduced: bool | None = None  # None where nobody said
    remark: str = ""
    sheets: tuple[SheetCopy, ...] = ()
    parent: str = ""  # id of the record whose captures were judged again

    def sheet(self, role: str) -> SheetCopy:
        """Return the sheet of one role.

        Raises:
            KeyError: the run had none.
        """
        for sheet in self.sheets:
            if sheet.role == role:
                return sheet
        raise KeyError(f"the record has no {role} sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitReports:
    """What the unit reported of itself, in words; "" where it reported nothing.

    The configuration is what the reports gave at the beginning (`found`) and at the end (`left`) of the run.
    """

    configuration_found: str = ""
    configuration_left: str = ""
    configuration_differs: str = ""  # from what the aircraft needs, in words
    firmware: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOutcome:
    """How the run ended and what it says; `verdict` is the bare word."""

    status: RunStatus
    verdict: Verdict
    cause: Cause | None
    partial: bool
    not_tested: tuple[str, ...]  # functions of the unit sheet that nothing touched
    bench_time_s: float
    wall_time_s: float
    peak_memory_mb: float
    unit_reports: UnitReports = UnitReports()


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFacts:
    """One instrument as it answered, and its calibration."""

    role: str  # `supply`, `daq`, `bus`
    address: str
    maker: str
    model: str
    serial: str
    firmware: str
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PromptAnswer:
    """A prompt, and what was answered."""

    bench_time_s: float
    action: str
    text: str
    answer: str
