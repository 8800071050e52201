"""The report: `render_report` turns a `RunSummary` into one self-contained HTML page. Opens no file of a run."""

from analysis.report.data import (
    AttemptLine,
    InjectedDefect,
    InstrumentLine,
    NotRun,
    PlanRemark,
    PromptLine,
    RunSummary,
)
from analysis.report.render import is_report, render_report

__all__ = [
    "AttemptLine",
    "InjectedDefect",
    "InstrumentLine",
    "NotRun",
    "PlanRemark",
    "PromptLine",
    "RunSummary",
    "is_report",
    "render_report",
]
