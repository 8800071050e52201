"""The words of judgement: what was found, and whose doing it is."""

from enum import StrEnum


class Verdict(StrEnum):
    """Outcome of one finding or of a run, best first."""

    PASS = "pass"
    NOT_RUN = "not run"
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"


class Cause(StrEnum):
    """Whose doing it is when a verdict is not a pass."""

    UNIT = "unit"
    BENCH = "bench"
    UNDECIDED = "undecided"
