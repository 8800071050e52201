"""One error tree for everything that can go wrong outside the instruments and the arithmetic.

BenchError
+-- SheetError        sheets or a plan that can't be used; carries every problem found, not the first
+-- UsageError        the command line asks for something that can't be done
+-- RecordError       a record that can't be written, read or trusted
|   +-- DiskError     the disk refuses: full, or gone
+-- RunStoppedError   the run was ended before its plan was through, and the bench made safe
|   +-- AbortError    the guard ended it; says whose doing that was
+-- UnsafeError       making safe failed in part: those states are unknown

A failed limit is no error: verdicts are data. What instruments do wrong is in `instruments.errors`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from analysis.verdict import Cause

Kind = TypeVar("Kind")


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault of a sheet: in which file, at which key, what was found, and how to mend it."""

    file: str
    key: str  # "" where the whole file is meant
    what: str
    mend: str

    def __str__(self) -> str:
        """Return `file: key: what; mend`."""
        where = f"{self.file}: {self.key}" if self.key else self.file
        return f"{where}: {self.what}; {self.mend}"


class BenchError(Exception):
    """Anything the bench house reports; its text is fit to be shown to a technician as it stands."""


class SheetError(BenchError):
    """Sheets that can't be used: unknown key, wrong unit, crossed limits, pin wired twice, file missing ..."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        if not problems:
            raise ValueError("a SheetError carries at least one problem")
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the problems, so that an error survives a process boundary."""
        return SheetError, (self.problems,)


class UsageError(BenchError):
    """A command that can't be done as asked: no bench named, a serial refused, a defect on a real bench ..."""


class Refusals:
    """Collects everything that can be said against a request, so that a person is told all of it in one go."""

    def __init__(self) -> None:
        self._errors: list[BenchError] = []

    def __bool__(self) -> bool:
        """Say whether anything was refused."""
        return bool(self._errors)

    def add(self, error: "SheetError | UsageError") -> None:
        """Keep one refusal."""
        self._errors.append(error)

    def tried(self, ask: Callable[[], Kind]) -> Kind | None:
        """Return what `ask` returns, or keep why it was refused and return None."""
        try:
            return ask()
        except (SheetError, UsageError) as error:
            self.add(error)
            return None

    def all(self) -> BenchError:
        """Return one error that says all of them, each once; a SheetError where only sheets are at fault."""
        problems = [p for error in self._errors if isinstance(error, SheetError) for p in error.problems]
        if all(isinstance(error, SheetError) for error in self._errors):
            return SheetError(tuple(dict.fromkeys(problems)))
        return UsageError("\n".join(dict.fromkeys(line for e in self._errors for line in str(e).splitlines())))


class RecordError(BenchError):
    """A record folder that can't be made, written, read, or whose files are not what its manifest says."""


class DiskError(RecordError):
    """A disk that refuses what is to be written: no fault of whoever asked, so no usage error."""


class RunStoppedError(BenchError):
    """A run that was ended early, by a person or by an abort; what it left is kept and closed as stopped."""


class AbortError(RunStoppedError):
    """The guard stopped the bench by itself; `cause` says whose doing that was.

    `suspect` is the signal whose readings can't be trusted any more, or "".
    """

    def __init__(self, reason: str, cause: Cause, suspect: str = "") -> None:
        super().__init__(reason)
        self.cause = cause
        self.suspect = suspect

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the cause."""
        return AbortError, (str(self), self.cause, self.suspect)


class UnsafeError(BenchError):
    """Making safe failed in part; `problems` names each state that is now unknown."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("the bench is not known to be safe: " + "; ".join(self.problems))

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the problems."""
        return UnsafeError, (self.problems,)
