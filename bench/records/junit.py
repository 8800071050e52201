"""junit.xml: the findings for build servers. One suite a procedure, one case a finding."""

import xml.etree.ElementTree as ET
from collections.abc import Iterable

from analysis.finding import Finding
from analysis.verdict import Verdict
from bench.records.record import Record, verdict_words
from bench.records.serial_number import clean_text

# A build server knows failure (of what is tested), error (of testing it) and skipped.
_ELEMENTS = {Verdict.FAIL: "failure", Verdict.INCONCLUSIVE: "error", Verdict.NOT_RUN: "skipped"}


def junit_xml(record: Record) -> str:
    """Return the document; text is escaped, and control characters, which XML forbids, become U+FFFD."""
    name = f"boxproof {clean_text(record.facts.serial)}"
    root = ET.Element("testsuites", {"name": name, **_counts(record.findings)})
    for procedure in dict.fromkeys(finding.procedure for finding in record.findings):
        findings = [finding for finding in record.findings if finding.procedure == procedure]
        suite = ET.SubElement(root, "testsuite", {"name": clean_text(procedure), **_counts(findings)})
        for finding in findings:
            _add_case(suite, finding, simulated=record.facts.simulated)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _counts(findings: Iterable[Finding]) -> dict[str, str]:
    verdicts = [finding.verdict for finding in findings]
    return {
        "tests": str(len(verdicts)),
        "failures": str(verdicts.count(Verdict.FAIL)),
        "errors": str(verdicts.count(Verdict.INCONCLUSIVE)),
        "skipped": str(verdicts.count(Verdict.NOT_RUN)),
    }


def _add_case(suite: ET.Element, finding: Finding, *, simulated: bool) -> None:
    words = verdict_words(finding.verdict.value, simulated=simulated)
    attempt = f" (attempt {finding.attempt})" if finding.attempt > 1 else ""
    case = ET.SubElement(
        suite,
        "testcase",
        classname=clean_text(finding.procedure),
        name=clean_text(f"{finding.title} [{finding.id}]{attempt}"),
    )
    if finding.verdict in _ELEMENTS:
        cause = f", cause {finding.cause.value}" if finding.cause is not None else ""
        outcome = ET.SubElement(case, _ELEMENTS[finding.verdict], message=f"{words}{cause}")
        outcome.text = clean_text("; ".join(finding.reasons))
    ET.SubElement(case, "system-out").text = words
