"""findings.csv: the findings as a table for spreadsheets; `record.json` is the exact copy."""

from collections.abc import Sequence
from dataclasses import fields

import pandas as pd

from analysis.finding import Finding

_ACTING = ("=", "+", "-", "@", "\t", "\r")


def findings_csv(findings: Sequence[Finding]) -> str:
    """Return the table, one finding a row, columns in the order of `Finding`'s fields.

    Lists are joined by "; ". NaN is empty, an infinity is `inf` or `-inf`; numbers read back as the same
    float. A text that a spreadsheet would run as a formula gets an apostrophe before it.
    """
    columns = [field.name for field in fields(Finding)]
    rows = [[_cell(getattr(finding, column)) for column in columns] for finding in findings]
    text: str = pd.DataFrame(rows, columns=columns, dtype=object).to_csv(index=False, lineterminator="\n")
    return text


def _cell(value: object) -> object:
    if isinstance(value, tuple):
        value = "; ".join(str(part) for part in value)
    if isinstance(value, str) and value.startswith(_ACTING):
        return "'" + value
    return value
