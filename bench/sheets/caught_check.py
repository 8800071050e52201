"""Whether what a defect is said to be caught by can be there at all: procedures that exist, findings about what exists.

What a procedure finds depends on unit, aircraft and plan and is known only once it has run; the end-to-end tests prove
that each finding named fails. Known beforehand is whose id it can be: it begins with what it is about.
"""

from collections.abc import Collection, Iterator
from fnmatch import fnmatchcase

from bench.errors import Problem
from bench.sheets.schema import suggestion
from test_plans.registry import PROCEDURES


def check_procedures(key: str, caught_by: Collection[str], file: str) -> Iterator[Problem]:
    """Yield every procedure that there is not."""
    for name in caught_by:
        if name not in PROCEDURES:
            what = f'there is no procedure "{name}"'
            yield Problem(file, f"{key}.caught-by", what, suggestion(name, PROCEDURES, "procedures"))


def check_findings(key: str, findings: Collection[str], subjects: Collection[str], file: str) -> Iterator[Problem]:
    """Yield every pattern of finding ids that no finding can match: none is about any of `subjects`."""
    for pattern in findings:
        first = pattern.partition(".")[0]
        if not any(fnmatchcase(subject, first) for subject in subjects):
            what = f'"{pattern}": no finding begins with "{first}"'
            yield Problem(file, f"{key}.findings", what, suggestion(first, subjects, "beginnings"))
