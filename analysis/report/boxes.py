"""The three questions of the header: what of the unit, what of the bench, what is not known or not tested.

Every finding that is not a pass is answered for in one of the three boxes; a box shows at most a few lines and
says how many it left to the pages behind.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.finding import Finding
from analysis.overall import deciding
from analysis.report.data import RunSummary
from analysis.report.sections import left_out, without_finding
from analysis.report.text import shorten
from analysis.sentences import finding_sentence, in_running_text, verdict_words
from analysis.verdict import Cause, Verdict

MOST_LINES = 3
MOST_CHARACTERS = 110
MOST_CHARACTERS_OF_OPEN = 80  # that box has up to eleven lines, and page 1 must stay one page
NOT_TESTED_SECTION = '"Not run and not tested"'  # where all of them stand by name
ATTENTION_SECTION = '"Needs attention"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One box: the question as `title`, the answer in a few words, `mark` (a shape's name), and lines below."""

    title: str
    answer: str
    mark: str
    lines: tuple[str, ...]


def three_boxes(summary: RunSummary) -> tuple[Box, Box, Box]:
    """Return the boxes of the unit, of the bench, and of what is not known or not tested."""
    unit = deciding(summary.findings)
    bench = deciding(summary.bench_findings)
    return _unit_box(summary, unit), _bench_box(summary, unit, bench), _open_box(summary, (*unit, *bench))


def _unit_box(summary: RunSummary, findings: Sequence[Finding]) -> Box:
    judged = [finding for finding in findings if finding.verdict is not Verdict.NOT_RUN]
    against = [f for f in findings if f.verdict is Verdict.FAIL or _doubted(f, Cause.UNIT)]
    passed = sum(finding.verdict is Verdict.PASS for finding in findings)
    count = f"{passed} of {len(judged)} findings are a pass." if judged else "Nothing of the unit was measured."
    if any(finding.verdict is Verdict.FAIL for finding in findings) or summary.verdict is Verdict.FAIL:
        answer, mark = verdict_words(Verdict.FAIL, simulated=summary.simulated), "fail"
    elif summary.verdict is Verdict.PASS:
        words = verdict_words(Verdict.PASS, simulated=summary.simulated)
        answer, mark = (f"{words}, of a partial run", "open") if summary.partial else (words, "pass")
    elif against:
        answer, mark = "suspect, not proved", "inconclusive"
    else:
        answer, mark = "not decided: no fail found, but not all could be judged", "inconclusive"
    return Box(title="The unit", answer=answer, mark=mark, lines=(count, *_some([_line(f) for f in against])))


def _bench_box(summary: RunSummary, unit: Sequence[Finding], bench: Sequence[Finding]) -> Box:
    blamed = [f for f in (*bench, *unit) if f.cause is Cause.BENCH and f.verdict is not Verdict.PASS]
    unclear = [f for f in bench if f.verdict in {Verdict.FAIL, Verdict.INCONCLUSIVE} and f.cause is not Cause.BENCH]
    held = sum(finding.verdict is Verdict.PASS for finding in bench)
    judged = sum(finding.verdict is not Verdict.NOT_RUN for finding in bench)
    count = f"{held} of {judged} bench checks held." if judged else "The bench itself was not checked in this run."
    if blamed or summary.cause is Cause.BENCH:
        answer, mark = "a bench fault spoilt findings", "inconclusive"
    elif unclear:
        answer, mark = "a bench check did not hold; whose doing is not decided", "inconclusive"
    elif judged:
        answer, mark = "no fault found", "pass"
    else:
        answer, mark = "not known", "open"
    lines = _some([_line(finding) for finding in (*blamed, *unclear)])
    nature = ("Simulated: says nothing of a real bench.",) if summary.simulated else ()
    return Box(title="The bench", answer=answer, mark=mark, lines=(count, *lines, *nature))


def _open_box(summary: RunSummary, findings: Sequence[Finding]) -> Box:
    lines = [line for line in (*_not_judged(summary, findings), *_not_touched(summary)) if line]
    if not lines and summary.verdict is Verdict.INCONCLUSIVE:
        lines = ["The verdict: nothing that was found decides it."]
    if not lines:
        return Box(
            title="Not known or not tested",
            answer="nothing left open",
            mark="pass",
            lines=("Every function of the unit sheet was tested, and every finding decided.",),
        )
    shown = tuple(shorten(line, MOST_CHARACTERS_OF_OPEN) for line in lines)
    return Box(title="Not known or not tested", answer="open questions remain", mark="open", lines=shown)


def _not_judged(summary: RunSummary, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return what ran, or should have, and is not known all the same; "" for what there is none of."""
    doubtful = [finding for finding in findings if finding.verdict is Verdict.INCONCLUSIVE]
    spoilt = [finding for finding in doubtful if finding.cause is Cause.BENCH]
    barred = [finding for finding in doubtful if finding.cause is Cause.UNIT]
    open_ = [finding for finding in doubtful if finding.cause not in {Cause.BENCH, Cause.UNIT}]
    return (
        "Partial run: not everything was asked of the unit." if summary.partial and not summary.stopped else "",
        _listed("Left out by the plan", summary.beyond_plan, "procedures", NOT_TESTED_SECTION),
        _stopped(summary),
        _listed("Not decided", [f.title for f in open_], "findings", ATTENTION_SECTION),
        _listed("Kept from being tested by the unit's fault", [f.title for f in barred], "findings", ATTENTION_SECTION),
        _listed("Spoilt by the bench, so not known", [f.title for f in spoilt], "findings", ATTENTION_SECTION),
        _listed("Procedures not run", [line.title for line in summary.not_run], "", NOT_TESTED_SECTION),
        _listed("Characteristics not run", [f.title for f in left_out(summary)], "", NOT_TESTED_SECTION),
    )


def _stopped(summary: RunSummary) -> str:
    if summary.stop_reason:
        return f"Stopped before its end: {summary.stop_reason}"
    return "Stopped before its end; nothing says why." if summary.stopped else ""


def _not_touched(summary: RunSummary) -> tuple[str, ...]:
    """Return what this run never asked; "" for what there is none of."""
    silent = without_finding(summary)
    return (
        _functions("Functions not tested", summary.not_tested),
        _functions("Functions without a finding", silent),
        _listed("Not testable on this model", [line.title for line in summary.untested], "", NOT_TESTED_SECTION),
        _listed("Bench limits", [f"{line.title}: {line.remark}" for line in summary.remarks], "", NOT_TESTED_SECTION),
        "" if summary.tested else "No function of the unit was tested.",
    )


def _doubted(finding: Finding, cause: Cause) -> bool:
    return finding.verdict is Verdict.INCONCLUSIVE and finding.cause is cause


def _line(finding: Finding) -> str:
    return shorten(f"{finding.verdict.value}: {finding_sentence(finding)}", MOST_CHARACTERS)


def _listed(what: str, titles: Sequence[str], counted: str, section: str) -> str:
    """Return all of `titles` behind `what`, or how many and in which section where they are too long for a line."""
    once = list(dict.fromkeys(titles))
    return _named(what, "; ".join(once), f"{len(once)} {counted}".strip(), section) if once else ""


def _functions(what: str, titles: Sequence[str]) -> str:
    """Return functions in running text behind `what`, or how many; each stands below with its word."""
    return _named(what, in_running_text(titles), str(len(titles)), "the functions below") if titles else ""


def _named(what: str, names: str, count: str, section: str) -> str:
    whole = f"{what}: {names}"
    return whole if len(whole) <= MOST_CHARACTERS_OF_OPEN else f"{what}: {count}, see {section}"


def _some(lines: Sequence[str]) -> tuple[str, ...]:
    if len(lines) <= MOST_LINES:
        return tuple(lines)
    return (*lines[: MOST_LINES - 1], f"and {len(lines) - MOST_LINES + 1} more, see findings")
