"""Everything around the findings: title block, aircraft-log text, sources of limits, and the fixed words."""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import accumulate

from analysis.overall import deciding
from analysis.report.data import RunSummary
from analysis.report.sections import without_finding
from analysis.report.text import shorten
from analysis.sentences import format_duration, in_running_text
from analysis.verdict import Verdict

CLOSING_WORDS = (
    "This sheet states measurements against the limits listed. It is not an approval for return to service, "
    "not a statement of airworthiness, and not an environmental qualification."
)
CAUTIONS = (
    (
        "It is to be read by a qualified person. Whether the unit may be fitted and flown is decided by the rules "
        "in force where the aircraft is registered, and by a person licensed for it, never by this sheet."
    ),
    "What is listed as not known or not tested was not shown to work.",
)

NOT_GIVEN = "not given"
SOURCES_CHARACTERS = 330  # of all sources together: three lines
IN_COLUMN = 34  # characters that a line of one column surely holds
MOST_CELL_LINES = 2  # of a cell over all three columns; what is longer stands in full under "Particulars"
CELLS_IN_ROW = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LogText:
    """The one-line text for the aircraft log; where it is not offered `text` is "" and `why_not` says why."""

    text: str
    why_not: tuple[str, ...]


def log_text(summary: RunSummary) -> LogText:
    """Offer the log line only for a whole, passed run on a real bench that left nothing untested."""
    why_not = []
    if summary.verdict is not Verdict.PASS:
        why_not.append(f"the verdict is {summary.verdict.value}")
    if summary.partial and not summary.stopped:
        why_not.append("the run is partial")
    if summary.not_tested:
        why_not.append(f"not tested: {in_running_text(summary.not_tested)}")
    if silent := without_finding(summary):
        why_not.append(f"without a finding: {in_running_text(silent)}")
    if not summary.tested:
        why_not.append("no function was tested")
    if summary.not_run:
        why_not.append("procedures of the plan did not run")
    if summary.stopped or summary.stop_reason:
        why_not.append("the run was stopped")
    if summary.simulated:
        why_not.append("the unit was simulated")
    if why_not:
        return LogText(text="", why_not=tuple(why_not))
    order = f", work order {summary.work_order}" if summary.work_order else ""
    count = len(deciding(summary.findings))
    return LogText(
        text=(
            f"{summary.end[:10]}: {summary.model_title}, serial {summary.serial}{order}: bench test to plan "
            f"{summary.plan}, all {count} findings within the limits listed in record {summary.record}."
        ),
        why_not=(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One box of the title block; `columns` is how many of the row's three it takes."""

    label: str
    text: str
    columns: int = 1

    @property
    def lines(self) -> int:
        """How many lines its text takes."""
        return max(1, math.ceil(len(self.text) / (IN_COLUMN * self.columns)))


def title_block(summary: RunSummary) -> tuple[Cell, ...]:
    """Return the boxes of the title block, each as wide as its text; they fill their rows.

    Part, modification, firmware, ambient and configuration have a box only where they are given.
    """
    found, left = summary.configuration_found, summary.configuration_left
    lines = [
        ("Part", summary.part),
        ("Modification", summary.modification),
        ("Firmware", summary.firmware),
        ("Ambient", summary.ambient),
        ("Configuration", found if found == left else f"found: {found}; left: {left}"),
    ]
    lines = [(label, text) for label, text in lines if text]
    lines += [
        ("Aircraft", summary.aircraft or NOT_GIVEN),
        ("Work order", summary.work_order or NOT_GIVEN),
        ("Operator", summary.operator or NOT_GIVEN),
        ("Plan", summary.plan_title or summary.plan),
        ("Bench", summary.bench),
        ("Bench time", format_duration(summary.bench_time_s)),
        ("Begun", summary.start),
        ("Ended", summary.end),
        ("Software", summary.software),
    ]
    most = MOST_CELL_LINES * CELLS_IN_ROW * IN_COLUMN
    cells = [_cell(label, shorten(text, most)) for label, text in (*lines, ("Record", summary.record))]
    return _filled(replace(cell, columns=max(cell.columns, 2)) if cell.label == "Record" else cell for cell in cells)


def _cell(label: str, text: str) -> Cell:
    """Return a box with as many columns as its text needs for one line, or all three for more."""
    return Cell(label=label, text=text, columns=min(CELLS_IN_ROW, max(1, math.ceil(len(text) / IN_COLUMN))))


def _filled(cells: Iterable[Cell]) -> tuple[Cell, ...]:
    """Widen boxes so that none is broken over two rows and no place of a row stays empty."""
    placed: list[Cell] = []
    free = 0
    for cell in cells:
        if cell.columns > free:
            _widen(placed, free)
            free = CELLS_IN_ROW
        placed.append(cell)
        free -= cell.columns
    _widen(placed, free)
    return tuple(placed)


def _widen(placed: list[Cell], columns: int) -> None:
    if columns:
        placed[-1] = replace(placed[-1], columns=placed[-1].columns + columns)


def particulars(summary: RunSummary) -> tuple[tuple[str, str], ...]:
    """Return everything that identifies the run, in full, as (label, text)."""
    reproduced = {True: "yes", False: "no", None: "not said"}[summary.squawk_reproduced]
    lines = [
        ("Record", summary.record),
        ("Judged again from record", summary.parent_record),
        ("Serial", summary.serial),
        ("Model", f"{summary.model_title} ({summary.model})"),
        ("Part", summary.part),
        ("Modification", summary.modification),
        ("Firmware", summary.firmware),
        ("Aircraft", summary.aircraft or NOT_GIVEN),
        ("Plan", f"{summary.plan_title} ({summary.plan})" if summary.plan_title else summary.plan),
        ("Bench", summary.bench),
        ("Operator", summary.operator or NOT_GIVEN),
        ("Work order", summary.work_order or NOT_GIVEN),
        ("Squawk", summary.squawk or NOT_GIVEN),
        ("Squawk conditions", summary.squawk_conditions),
        ("Squawk reproduced", reproduced if summary.squawk else ""),
        ("Remark", summary.remark or NOT_GIVEN),
        ("Ambient", summary.ambient),
        ("Configuration as found", summary.configuration_found or "not read"),
        ("Configuration as left", summary.configuration_left or "not read"),
        ("Begun", summary.start),
        ("Ended", summary.end),
        ("Bench time", format_duration(summary.bench_time_s)),
        ("Stopped", summary.stop_reason),
        ("Software", summary.software),
        ("Seed", "" if summary.seed is None else str(summary.seed)),
    ]
    lines += [(f"SHA-256 of {name}", digest) for name, digest in summary.digests.items() if digest]
    return tuple((label, text) for label, text in lines if text)


def limit_sources(summary: RunSummary) -> tuple[str, ...]:
    """Return the sources of the limits in full, with their dates, most used first.

    What page 1 has no room for is counted.
    """
    counted = Counter(finding.limit_source for finding in summary.findings if finding.limit_source)
    sources = [shorten(source, SOURCES_CHARACTERS) for source, _ in counted.most_common()]
    lengths = accumulate(len(source) + len("; ") for source in sources)
    shown = [
        source for source, length in zip(sources, lengths, strict=True) if length <= SOURCES_CHARACTERS + len("; ")
    ]
    rest = len(sources) - len(shown)
    return (*shown, f"and {rest} more, see the table of values") if rest else tuple(shown)
