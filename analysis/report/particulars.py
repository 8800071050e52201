"""Everything around the findings: title block, aircraft-log text, sources of limits, and the fixed words."""

from collections import Counter
from dataclasses import dataclass

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
MOST_SOURCES = 1
CELL_CHARACTERS = 60


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
    if summary.partial:
        why_not.append("the run is partial")
    if summary.not_tested:
        why_not.append(f"not tested: {in_running_text(summary.not_tested)}")
    if silent := without_finding(summary):
        why_not.append(f"without a finding: {in_running_text(silent)}")
    if not summary.tested:
        why_not.append("no function was tested")
    if summary.not_run:
        why_not.append("procedures of the plan did not run")
    if summary.stop_reason:
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


def title_block(summary: RunSummary) -> tuple[tuple[str, str], ...]:
    """Return the cells of the title block as (label, text), short enough to stand in a cell."""
    cells = (
        ("Part", summary.part),
        ("Modification", summary.modification),
        ("Firmware", summary.firmware),
        ("Aircraft", summary.aircraft),
        ("Work order", summary.work_order),
        ("Operator", summary.operator),
        ("Plan", summary.plan_title or summary.plan),
        ("Bench", summary.bench),
        ("Ambient", summary.ambient),
        ("Begun", summary.start),
        ("Ended", summary.end),
        ("Bench time", format_duration(summary.bench_time_s)),
    )
    return tuple((label, shorten(text, CELL_CHARACTERS) or NOT_GIVEN) for label, text in cells)


def particulars(summary: RunSummary) -> tuple[tuple[str, str], ...]:
    """Return everything that identifies the run, in full, as (label, text)."""
    reproduced = {True: "yes", False: "no", None: "not said"}[summary.squawk_reproduced]
    lines = [
        ("Record", summary.record),
        ("Judged again from record", summary.parent_record),
        ("Serial", summary.serial),
        ("Model", f"{summary.model_title} ({summary.model})"),
        ("Part", summary.part or NOT_GIVEN),
        ("Modification", summary.modification or NOT_GIVEN),
        ("Firmware", summary.firmware or NOT_GIVEN),
        ("Aircraft", summary.aircraft or NOT_GIVEN),
        ("Plan", f"{summary.plan_title} ({summary.plan})" if summary.plan_title else summary.plan),
        ("Bench", summary.bench),
        ("Operator", summary.operator or NOT_GIVEN),
        ("Work order", summary.work_order or NOT_GIVEN),
        ("Squawk", summary.squawk or NOT_GIVEN),
        ("Squawk reproduced", reproduced if summary.squawk else ""),
        ("Remark", summary.remark or NOT_GIVEN),
        ("Ambient", summary.ambient or NOT_GIVEN),
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
    """Return the sources of the limits, most used first; at most a few, and how many more there are."""
    counted = Counter(finding.limit_source for finding in summary.findings if finding.limit_source)
    sources = summary.limit_sources or tuple(source for source, _ in counted.most_common())
    shown = tuple(shorten(source, 90) for source in sources[:MOST_SOURCES])
    rest = len(sources) - len(shown)
    return (*shown, f"and {rest} more, see the table of values") if rest > 0 else shown
