"""Page 1: every text cut to its room, so that the signature stands on the same sheet of paper as the verdict."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.boxes import Box, three_boxes
from analysis.report.data import InstrumentLine, RunSummary
from analysis.report.particulars import CELLS_IN_ROW, Cell, limit_sources, log_text, title_block
from analysis.report.sections import function_states
from analysis.report.text import shorten
from analysis.sentences import verdict_sentence

MOST_INSTRUMENTS = 5
MOST_FUNCTIONS = 15
FUNCTIONS_IN_ROW = 3
FUNCTION_CHARACTERS = 48  # two lines of its column
VERDICT_CHARACTERS = 320
SQUAWK_CHARACTERS = 180
REMARK_CHARACTERS = 105
CONFIGURATION_CHARACTERS = 420
LOG_CHARACTERS = 330
NO_LOG_CHARACTERS = 200

# What the parts take of the page, in millimetres, and how many characters a line of them holds.
MOST_HEIGHT_MM = 164.0  # of what varies; with more, title block and signature would run over to page 2
CROWDED_HEIGHT_MM = 205.0  # likewise in the smaller type
BOX_LINE_MM, IN_BOX = 4.2, 43
FUNCTION_LINE_MM, IN_FUNCTION, FUNCTION_GAP_MM = 3.8, 23, 0.8
WIDE_LINE_MM, IN_WIDTH = 4.8, 110
VERDICT_LINE_MM, IN_VERDICT = 5.4, 95
INSTRUMENT_MM = 5.0
TITLE_BLOCK_ROW_MM, TITLE_BLOCK_LINE_MM = 7.6, 3.8


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPage:
    """What page 1 says, ready to print; `size` names the type it needs to stay one page.

    `functions` are (title, word) as of `function_states`; `more_functions` and `more_instruments` say how many are left
    out. `log_line` is the line for the aircraft log or, where `log_offered` is false, why there is none.
    """

    verdict_sentence: str
    boxes: tuple[Box, ...]
    functions: tuple[tuple[str, str], ...]
    more_functions: int
    squawk: str
    remark: str
    configuration: str
    sources: str
    injected: str
    instruments: tuple[InstrumentLine, ...]
    more_instruments: int
    log_line: str
    log_offered: bool
    title_block: tuple[Cell, ...]

    @property
    def size(self) -> str:
        """The type it is set in: "ordinary", "crowded" or "packed"; from a rough height that decides nothing else."""
        if self._height_mm <= MOST_HEIGHT_MM:
            return "ordinary"
        return "crowded" if self._height_mm <= CROWDED_HEIGHT_MM else "packed"

    @property
    def _height_mm(self) -> float:
        boxes = max(_lines((box.answer, *box.lines), IN_BOX) for box in self.boxes)
        wide = _lines(
            (self.squawk or "-", self.remark, self.configuration, self.sources, self.injected, self.log_line), IN_WIDTH
        )
        return (
            boxes * BOX_LINE_MM
            + self._functions_mm()
            + wide * WIDE_LINE_MM
            + _lines((self.verdict_sentence,), IN_VERDICT) * VERDICT_LINE_MM
            + (len(self.instruments) + (self.more_instruments > 0)) * INSTRUMENT_MM
            + sum(cell.columns for cell in self.title_block) / CELLS_IN_ROW * TITLE_BLOCK_ROW_MM
            + sum(cell.lines - 1 for cell in self.title_block) * TITLE_BLOCK_LINE_MM
        )

    def _functions_mm(self) -> float:
        titles = [title for title, _ in self.functions] + ["more"] * (self.more_functions > 0)
        rows = [titles[at : at + FUNCTIONS_IN_ROW] for at in range(0, len(titles), FUNCTIONS_IN_ROW)]
        lines = sum(max(_lines((title,), IN_FUNCTION) for title in row) for row in rows)
        return lines * FUNCTION_LINE_MM + len(rows) * FUNCTION_GAP_MM


def first_page(summary: RunSummary) -> FirstPage:
    """Return page 1 of a run."""
    states = function_states(summary)
    log = log_text(summary)
    sentence = verdict_sentence(
        verdict=summary.verdict,
        cause=summary.cause,
        simulated=summary.simulated,
        partial=summary.partial,
        stopped=summary.stopped,
        tested=summary.tested,
        not_tested=summary.not_tested,
    )
    why_not = f"Not offered: {'; '.join(log.why_not)}."
    return FirstPage(
        verdict_sentence=shorten(sentence, VERDICT_CHARACTERS),
        boxes=three_boxes(summary),
        functions=tuple((shorten(title, FUNCTION_CHARACTERS), word) for title, word in states[:MOST_FUNCTIONS]),
        more_functions=max(0, len(states) - MOST_FUNCTIONS),
        squawk=shorten(_squawk(summary), SQUAWK_CHARACTERS),
        remark=shorten(summary.remark, REMARK_CHARACTERS),
        configuration=shorten(summary.configuration_differs, CONFIGURATION_CHARACTERS),
        sources="; ".join(limit_sources(summary)) or "no limit was applied",
        injected=_injected(summary),
        instruments=summary.instruments[:MOST_INSTRUMENTS],
        more_instruments=max(0, len(summary.instruments) - MOST_INSTRUMENTS),
        log_line=shorten(log.text, LOG_CHARACTERS) or shorten(why_not, NO_LOG_CHARACTERS),
        log_offered=bool(log.text),
        title_block=title_block(summary),
    )


def _squawk(summary: RunSummary) -> str:
    """Return the complaint with its conditions; "" where there is none."""
    conditions = summary.squawk_conditions
    return f"{summary.squawk} ({conditions})" if summary.squawk and conditions else summary.squawk


def _injected(summary: RunSummary) -> str:
    """Return the defects put into a simulated run in one line; "" when there are none."""
    if not summary.defects:
        return ""
    first, *rest = summary.defects
    more = f" and {len(rest)} more" if rest else ""
    return f"{shorten(first.title, 60)} ({first.of}, severity {first.severity}){more}: defects injected on purpose"


def _lines(texts: Sequence[str], characters: int) -> int:
    return sum(math.ceil(len(text) / characters) for text in texts)
