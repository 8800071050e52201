"""One run as one self-contained HTML page: no script, nothing fetched, every foreign text escaped."""

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.finding import Finding
from analysis.report.bar import position_bar
from analysis.report.data import RunSummary
from analysis.report.first_page import first_page
from analysis.report.particulars import CAUTIONS, CLOSING_WORDS, particulars
from analysis.report.sections import attention_rows, left_out, sections, sources_of, table_rows
from analysis.report.text import clean_text, css_string, shorten
from analysis.sentences import verdict_words
from analysis.verdict import Verdict

MAKER = '<meta name="generator" content="boxproof">'  # by which a report is known again
_SPECIMEN = Finding(
    id="specimen",
    procedure="",
    function="",
    title="specimen",
    verdict=Verdict.PASS,
    cause=None,
    value=0.42,
    quantity_unit="V",
    low=0.2,
    high=0.6,
    expanded_uncertainty=0.05,
)


def render_report(summary: RunSummary) -> str:
    """Return the report as one HTML document, UTF-8; equal summaries give equal text.

    Nothing in it runs or is fetched, so it may be mailed, archived and opened offline. Text in the summary may
    hold markup or control characters: it is escaped, and what does not print is shown as U+FFFD.
    """
    template = _environment().get_template("report.html.j2")
    everything = (*summary.findings, *summary.bench_findings)
    return template.render(
        summary=summary,
        first=first_page(summary),
        maker=Markup(MAKER),  # noqa: S704 - ours
        verdict_mark=_run_mark(summary),
        loud_word=_loud_word(summary),
        verdict_words=verdict_words(summary.verdict, simulated=summary.simulated),
        left_out=left_out(summary),
        attention=attention_rows(summary),
        sections=sections(summary),
        table=table_rows(everything),
        sources=sources_of(everything),
        particulars=particulars(summary),
        specimen_bar=position_bar(_SPECIMEN, "specimen of a position bar"),
        page_foot=Markup(css_string(_page_foot(summary))),  # noqa: S704 - letters, digits and escapes only
        closing_words=CLOSING_WORDS,
        cautions=CAUTIONS,
    )


def is_report(text: str) -> bool:
    """Say whether the beginning of a document is that of a report `render_report` made."""
    return MAKER in text


def _run_mark(summary: RunSummary) -> str:
    """Name the shape of the verdict; a partial pass never gets the shape of a pass."""
    return "open" if summary.verdict is Verdict.PASS and summary.partial else summary.verdict.value


def _loud_word(summary: RunSummary) -> str:
    """Name why a run that is partial does not read as acceptance."""
    return "STOPPED" if summary.stopped else "PARTIAL"


def _page_foot(summary: RunSummary) -> str:
    """Name the run at the foot of every printed page, so that a stray page is never taken for another's."""
    words = verdict_words(summary.verdict, simulated=summary.simulated)
    partial = f", {_loud_word(summary)}" if summary.partial else ""
    return f"{shorten(summary.serial, 40)}, {words}{partial}, record {shorten(summary.record, 60)}"


def _finalize(value: Any) -> Any:
    """Clean what is about to be escaped; finished markup of ours passes as it is."""
    return value if isinstance(value, Markup) else clean_text(str(value))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("analysis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["shorten"] = shorten
    return environment
