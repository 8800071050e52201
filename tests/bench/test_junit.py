import xml.etree.ElementTree as ET
from pathlib import Path

from capture_samples import run_facts

from analysis.finding import Finding
from analysis.verdict import Cause, Verdict
from bench.records.junit import junit_xml
from bench.records.record import Record


def a_finding(verdict, cause=None, **changes):
    facts = {"id": "d1.on", "procedure": "discretes", "function": "inputs", "title": "Discrete 1: on"}
    return Finding(**(facts | changes), verdict=verdict, cause=cause)


def parsed(text):
    return ET.fromstring(text.encode())  # noqa: S314  # our own text


def a_record(*findings, **facts):
    return Record(id="1", folder=Path(), facts=run_facts(**facts), started="", findings=findings)


def test_one_suite_a_procedure_and_one_case_a_finding():
    text = junit_xml(
        a_record(
            a_finding(Verdict.PASS),
            a_finding(Verdict.FAIL, Cause.UNIT, reasons=("too high", "by 0.9 V")),
            a_finding(Verdict.INCONCLUSIVE, Cause.BENCH, procedure="trim"),
            a_finding(Verdict.NOT_RUN, procedure="trim", attempt=2),
        )
    )
    root = parsed(text)
    assert root.attrib == {"name": "boxproof SIM-0147", "tests": "4", "failures": "1", "errors": "1", "skipped": "1"}
    assert [(suite.get("name"), suite.get("tests")) for suite in root] == [("discretes", "2"), ("trim", "2")]
    cases = root.findall("testsuite/testcase")
    assert [[child.tag for child in case] for case in cases] == [
        ["system-out"],
        ["failure", "system-out"],
        ["error", "system-out"],
        ["skipped", "system-out"],
    ]
    assert cases[1][0].get("message") == "fail (simulated), cause unit"
    assert cases[1][0].text == "too high; by 0.9 V"
    assert cases[0][0].text == "pass (simulated)"
    assert cases[3].get("name") == "Discrete 1: on [d1.on] (attempt 2)"


def test_a_real_bench_says_the_bare_word():
    root = parsed(junit_xml(a_record(a_finding(Verdict.PASS), serial="147", simulated=False)))
    assert root.findtext("testsuite/testcase/system-out") == "pass"


def test_markup_is_escaped_and_control_characters_are_taken_out():
    evil = ']]><b a="1"> & \x00\x1b\ud800\ufffe'
    text = junit_xml(a_record(a_finding(Verdict.FAIL, Cause.UNIT, title=evil, procedure=evil, reasons=(evil,))))
    root = parsed(text)
    shown = ']]><b a="1"> & \ufffd\ufffd\ufffd\ufffd'
    assert root[0].get("name") == shown
    assert root[0][0].get("name") == f"{shown} [d1.on]"
    assert root[0][0][0].text == shown
