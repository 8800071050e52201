"""Findings in the order a reader wants them: by function, within it by connector pin, each a sentence and a bar."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.finding import Finding
from analysis.measurement import Curve
from analysis.overall import deciding
from analysis.report.bar import position_bar
from analysis.report.data import RunSummary
from analysis.report.plots import choose_curves, findings_of, plot_svg
from analysis.report.ranking import severity, worst
from analysis.report.text import clean_text, shorten
from analysis.sentences import (
    allowed_words,
    figures,
    finding_sentence,
    format_degrees_of_freedom,
    format_probability,
    format_quantity,
    is_logical,
)
from analysis.verdict import Cause, Verdict

# Below this share of what is allowed a passed finding is worth a reader's look, so its function stays unfolded.
COMFORTABLE_MARGIN_PERCENT = 20.0


NO_FINDING = "no finding"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One finding as printed; `bar` is a finished `<svg>` element or "".

    `decided_by` is the attempt that decides in this one's place, or 0 where this one decides itself.
    """

    finding: Finding
    sentence: str
    bar: str
    decided_by: int

    @property
    def verdict(self) -> Verdict:
        """Verdict of the finding."""
        return self.finding.verdict

    @property
    def cause_words(self) -> str:
        """Whose doing it is, in words; "" for a pass."""
        words = {Cause.UNIT: "the unit", Cause.BENCH: "the bench", Cause.UNDECIDED: "not decided"}
        if self.verdict is Verdict.PASS or self.finding.cause is None:
            return ""
        return words[self.finding.cause]


@dataclass(frozen=True, slots=True, kw_only=True)
class PinGroup:
    """Rows that share their connector pins; `pins` as on the connector, `title` as on the drawing."""

    pins: str
    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One drawn curve: `svg` is a finished element."""

    title: str
    capture: str
    svg: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One function, or the bench; what passed with room to spare is `spare`, one line on screen and paper unless asked.

    Its values stand in the table of all values whether it is unfolded or not.
    """

    title: str
    mark: str
    verdict: str
    summary: str
    groups: tuple[PinGroup, ...]
    figures: tuple[Figure, ...]
    spare: tuple[PinGroup, ...]
    spare_figures: tuple[Figure, ...]

    @property
    def spare_words(self) -> str:
        """Say what stands folded: how many findings and curves."""
        rows = sum(len(group.rows) for group in self.spare)
        curves = len(self.spare_figures)
        parts = [_counted(rows, "finding") + " passed with room to spare"] * (rows > 0)
        parts += [f"{_counted(curves, 'curve')} of such"] * (curves > 0)
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One line of the table of all values, as text; `source` by its number in `sources_of`."""

    title: str
    verdict: str
    value: str
    uncertainty: str
    freedom: str
    limits: str
    margin: str
    rule: str
    probability: str
    source: str
    capture: str
    attempt: str


def attention_rows(summary: RunSummary) -> tuple[Row, ...]:
    """Return fails and inconclusives, of unit and bench, fails first."""
    rows = [*_rows(summary.findings), *_rows(summary.bench_findings)]
    open_rows = [row for row in rows if row.verdict in {Verdict.FAIL, Verdict.INCONCLUSIVE} and not row.decided_by]
    return tuple(sorted(open_rows, key=lambda row: severity(row.verdict)))


def left_out(summary: RunSummary) -> tuple[Finding, ...]:
    """Return the findings not run that no line of `summary.not_run` answers for."""
    procedures = {line.procedure for line in summary.not_run}
    standing = deciding((*summary.findings, *summary.bench_findings))
    return tuple(f for f in standing if f.verdict is Verdict.NOT_RUN and f.procedure not in procedures)


def sections(summary: RunSummary) -> tuple[Section, ...]:
    """Return one section for each function that has findings or figures, in the unit sheet's order, the bench last."""
    chosen = choose_curves(summary.curves, summary.findings)
    drawn = [
        (curve, Figure(title=curve.title, capture=curve.capture, svg=plot_svg(curve, f"fig{number}")))
        for number, curve in enumerate(chosen, 1)
    ]
    names = [*summary.function_titles, *(f.function for f in summary.findings), *(curve.function for curve, _ in drawn)]
    found = []
    for name in dict.fromkeys(names):
        findings = [finding for finding in summary.findings if finding.function == name]
        pictures = [(curve, figure) for curve, figure in drawn if curve.function == name]
        if findings or pictures:
            title = summary.function_titles.get(name, name or "unit")
            telling = tuple(figure for curve, figure in pictures if _tells(curve, summary.findings))
            spare = tuple(figure for _, figure in pictures if figure not in telling)
            found.append(_section(summary, title, findings, telling, spare))
    if summary.bench_findings:
        found.append(_section(summary, "Bench checks", summary.bench_findings, (), ()))
    return tuple(found)


def sources_of(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return every source of a limit once, in order of appearance: the table of all values names them by number."""
    return tuple(dict.fromkeys(finding.limit_source for finding in findings if finding.limit_source))


def table_rows(findings: Sequence[Finding]) -> tuple[TableRow, ...]:
    """Return the table of all values, every attempt included."""
    numbers = {source: str(number) for number, source in enumerate(sources_of(findings), 1)}
    return tuple(_table_row(finding, numbers.get(finding.limit_source, "")) for finding in findings)


def function_states(summary: RunSummary) -> tuple[tuple[str, str], ...]:
    """Return (title, word) for every function; the word is a verdict, "not tested" or "no finding"."""
    findings = deciding(summary.findings)
    names = {title: name for name, title in summary.function_titles.items()}
    titles = dict.fromkeys((*summary.function_titles.values(), *summary.tested, *summary.not_tested))
    states = []
    for title in titles:
        verdict = worst([finding for finding in findings if finding.function == names.get(title, title)])
        untested = title in summary.not_tested
        states.append((title, "not tested" if untested else verdict.value if verdict else NO_FINDING))
    return tuple(states)


def without_finding(summary: RunSummary) -> tuple[str, ...]:
    """Return the titles of functions said to be tested of which nothing was found."""
    return tuple(title for title, word in function_states(summary) if word == NO_FINDING)


def _rows(findings: Sequence[Finding]) -> list[Row]:
    standing = {(finding.procedure, finding.id): finding for finding in deciding(findings)}
    by = {key: finding.attempt for key, finding in standing.items()}
    decides = set(map(id, standing.values()))
    return [
        Row(
            finding=finding,
            sentence=finding_sentence(finding),
            bar=position_bar(finding, clean_text(finding_sentence(finding))),
            decided_by=0 if id(finding) in decides else by.get((finding.procedure, finding.id), finding.attempt),
        )
        for finding in findings
    ]


def _section(
    summary: RunSummary,
    title: str,
    findings: Sequence[Finding],
    pictures: tuple[Figure, ...],
    spare_pictures: tuple[Figure, ...],
) -> Section:
    rows = _rows(findings)
    verdict = worst(deciding(findings))
    return Section(
        title=title,
        mark=verdict.value if verdict else "open",
        verdict=verdict.value if verdict else "",
        summary=_summary(deciding(findings)),
        groups=_by_pins(summary, [row for row in rows if not _needs_no_reading(row.finding)]),
        figures=pictures,
        spare=_by_pins(summary, [row for row in rows if _needs_no_reading(row.finding)]),
        spare_figures=spare_pictures,
    )


def _by_pins(summary: RunSummary, rows: Sequence[Row]) -> tuple[PinGroup, ...]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        groups.setdefault(row.finding.pins, []).append(row)
    return tuple(
        PinGroup(
            pins=", ".join(pins),
            title=", ".join(dict.fromkeys(filter(None, (summary.pin_titles.get(pin, "") for pin in pins)))),
            rows=tuple(sorted(shared, key=lambda row: severity(row.verdict))),
        )
        for pins, shared in groups.items()
    )


def _tells(curve: Curve, findings: Sequence[Finding]) -> bool:
    """Say whether a curve belongs to a finding that is worth a reader's look, or to none at all."""
    related = findings_of(curve, findings)
    return not related or not all(map(_needs_no_reading, related))


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _summary(findings: Sequence[Finding]) -> str:
    """Return counts of a section in words, and where least is to spare."""
    counts = [
        f"{number} {verdict.value}"
        for verdict in sorted(Verdict, key=severity)
        if (number := sum(finding.verdict is verdict for finding in findings))
    ]
    words = ", ".join(counts)
    measured = [f for f in findings if f.verdict is Verdict.PASS and math.isfinite(f.margin_percent)]
    if measured:
        least = min(measured, key=lambda finding: finding.margin_percent)
        words += f"; least to spare of what passed: {least.margin_percent:.0f} % ({shorten(least.title, 60)})"
    return words


def _needs_no_reading(finding: Finding) -> bool:
    comfortable = finding.trials is not None or not finding.margin_percent < COMFORTABLE_MARGIN_PERCENT
    plain = not finding.reasons and finding.attempt == 1
    return finding.verdict is Verdict.PASS and comfortable and plain


def _table_row(finding: Finding, source: str) -> TableRow:
    logical = is_logical(finding)
    numbers = figures(finding)
    known = not logical and math.isfinite(finding.value)
    held = "" if finding.trials is None or finding.failures is None else f"{finding.trials - finding.failures}"
    value = f"{held or 'not known'} of {finding.trials} tries" if logical else f"{numbers.value} {numbers.unit}".strip()
    return TableRow(
        title=finding.title,
        verdict=finding.verdict.value,
        value=value if known or logical else "not measured" if finding.verdict is not Verdict.NOT_RUN else "not run",
        uncertainty=""
        if logical or not math.isfinite(finding.standard_uncertainty)
        else format_quantity(finding.standard_uncertainty, finding.quantity_unit, finding.standard_uncertainty),
        freedom="" if logical else format_degrees_of_freedom(finding.degrees_of_freedom),
        limits=allowed_words(finding),
        margin=f"{finding.margin_percent:.1f} %" if math.isfinite(finding.margin_percent) else "",
        rule=finding.rule,
        probability=format_probability(finding.conformity_probability),
        source=source,
        capture=finding.capture,
        attempt=str(finding.attempt),
    )
