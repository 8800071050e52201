"""The three boxes and the log line: right for pass, fail, inconclusive and partial, and never too kind."""

from dataclasses import replace

import pytest
from sample_summary import NOT_TESTED, counted, measured, passing_summary, sample_summary, unit_findings

from analysis.report import NotRun, PlanRemark, render_report
from analysis.report.boxes import MOST_CHARACTERS, three_boxes
from analysis.report.particulars import log_text
from analysis.report.sections import function_states
from analysis.verdict import Cause, Verdict


def spoilt(cause: Cause):
    first, *rest = passing_summary().findings
    open_one = replace(first, verdict=Verdict.INCONCLUSIVE, cause=cause)
    return passing_summary(findings=(open_one, *rest), verdict=Verdict.INCONCLUSIVE, cause=cause)


def test_a_whole_pass_leaves_nothing_open():
    unit, bench, rest = three_boxes(passing_summary())
    assert (unit.answer, unit.mark) == ("pass", "pass")
    assert (bench.answer, bench.mark) == ("no fault found", "pass")
    assert (rest.answer, rest.mark) == ("nothing left open", "pass")
    assert unit.lines == ("130 of 130 findings are a pass.",)


def test_a_fail_of_the_unit_stands_in_the_units_box_with_its_sentence():
    unit, bench, rest = three_boxes(sample_summary())
    assert (unit.answer, unit.mark) == ("fail (simulated)", "fail")
    assert unit.lines[1].startswith("fail: Pitch up, left seat: drop 0.913 V")
    assert bench.answer == "a bench fault spoilt findings"
    assert "Simulated: says nothing of a real bench." in bench.lines
    assert any("Discrete 4: latency" in line for line in rest.lines)
    assert any("flaps" in line for line in rest.lines)


def test_a_bench_fault_is_never_in_the_units_box():
    unit, bench, rest = three_boxes(spoilt(Cause.BENCH))
    assert unit.answer == "not decided: no fail found, but not all could be judged"
    assert len(unit.lines) == 1
    assert bench.mark == "inconclusive"
    assert bench.lines[1].startswith("inconclusive: Quiescent current")
    assert rest.lines[0].startswith("Spoilt by the bench, so not known: Quiescent current")


def test_an_undecided_finding_is_an_open_question_and_nobodys_fault():
    unit, bench, rest = three_boxes(spoilt(Cause.UNDECIDED))
    assert unit.mark == "inconclusive"
    assert bench.answer == "no fault found"
    assert rest.lines == ("Not decided: Quiescent current at 13.8 V",)


def test_a_partial_pass_is_open_in_two_boxes():
    unit, _, rest = three_boxes(passing_summary(partial=True))
    assert (unit.answer, unit.mark) == ("pass, of a partial run", "open")
    assert (rest.answer, rest.mark) == ("open questions remain", "open")
    assert rest.lines[0] == "Partial run: not everything was asked of the unit."


def test_what_a_whole_plan_leaves_out_is_an_open_question_named_or_counted():
    unit, _, rest = three_boxes(passing_summary(beyond_plan=("Toggles", "Lowest", "Highest")))
    assert (unit.answer, unit.mark, rest.mark) == ("pass", "pass", "open")
    assert "Left out by the plan: Toggles; Lowest; Highest" in rest.lines
    _, _, rest = three_boxes(
        passing_summary(beyond_plan=("Toggles", "Lowest", "Discrete inputs: a thousand toggles of each"))
    )
    assert 'Left out by the plan: 3 procedures, see "Not run and not tested"' in rest.lines


def test_no_open_question_is_cut_it_says_how_many_and_where_they_stand():
    long = tuple(f"Panel dimming in fine steps: curve, ends, linearity {n}" for n in range(9))
    undecided, spoilt, barred = (
        tuple(
            replace(counted(f"{cause.value}-{n}", "trim", title, 20, 1), verdict=Verdict.INCONCLUSIVE, cause=cause)
            for n, title in enumerate(long)
        )
        for cause in (Cause.UNDECIDED, Cause.BENCH, Cause.UNIT)
    )
    summary = passing_summary(
        verdict=Verdict.INCONCLUSIVE,
        findings=(*undecided, *spoilt, *barred),
        not_tested=long,
        untested=tuple(PlanRemark(procedure="p", title=title, remark="r") for title in long),
        remarks=tuple(PlanRemark(procedure="p", title=title, remark="r") for title in long),
        not_run=tuple(NotRun(procedure=title, title=title, reason="r") for title in long),
    )
    _, _, rest = three_boxes(summary)
    assert rest.lines == (
        'Not decided: 9 findings, see "Needs attention"',
        'Kept from being tested by the unit\'s fault: 9 findings, see "Needs attention"',
        'Spoilt by the bench, so not known: 9 findings, see "Needs attention"',
        'Procedures not run: 9, see "Not run and not tested"',
        "Functions not tested: 9, see the functions below",
        "Functions without a finding: 11, see the functions below",
        'Not testable on this model: 9, see "Not run and not tested"',
        'Bench limits: 9, see "Not run and not tested"',
    )
    page = render_report(summary)
    for section in ("Needs attention", "Not run and not tested"):
        assert f"<h2>{section}</h2>" in page


def test_a_bench_that_was_not_checked_is_not_known():
    _, bench, _ = three_boxes(passing_summary(bench_findings=()))
    assert (bench.answer, bench.mark) == ("not known", "open")


def test_a_bench_check_that_did_not_hold_is_told():
    odd = replace(counted("loop", "bench", "Loop", 38), verdict=Verdict.INCONCLUSIVE, cause=Cause.UNDECIDED)
    _, bench, rest = three_boxes(passing_summary(bench_findings=(odd,), verdict=Verdict.INCONCLUSIVE))
    assert bench.answer == "a bench check did not hold; whose doing is not decided"
    assert rest.lines == ("Not decided: Loop",)


def test_an_attempt_spoilt_by_the_bench_and_measured_again_is_no_open_question():
    first, *others = passing_summary().findings
    gone = replace(first, verdict=Verdict.INCONCLUSIVE, cause=Cause.BENCH)
    unit, bench, rest = three_boxes(passing_summary(findings=(gone, replace(first, attempt=2), *others)))
    assert unit.lines == ("130 of 130 findings are a pass.",)
    assert bench.mark == "pass"
    assert rest.mark == "pass"


def test_a_function_said_to_be_tested_without_any_finding_is_an_open_question():
    summary = passing_summary(findings=unit_findings())
    assert ("Flaps", "no finding") in function_states(summary)
    _, _, rest = three_boxes(summary)
    assert rest.mark == "open"
    assert not log_text(summary).text


def test_long_lists_are_cut_and_say_so():
    fails = tuple(measured(f"f{n}", "power", f"Fault {n} " * 20, 9.0, "V", 0.1, high=1.0) for n in range(9))
    unit, _, _ = three_boxes(sample_summary(findings=fails))
    assert unit.lines[-1] == "and 7 more, see findings"
    assert all(len(line) <= MOST_CHARACTERS for line in unit.lines)


def test_the_log_line_of_a_whole_pass_claims_measurements_only():
    text = log_text(passing_summary()).text
    assert text == (
        "2026-11-25: Dotterel 6, 14 V, serial 0147, work order WO-2271: bench test to plan acceptance, "
        "all 130 findings within the limits listed in record 2026-11-25_dotterel-6_SIM-0147_7f3a."
    )
    assert "airworth" not in text


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"verdict": Verdict.FAIL}, "the verdict is fail"),
        ({"verdict": Verdict.INCONCLUSIVE}, "the verdict is inconclusive"),
        ({"partial": True}, "the run is partial"),
        ({"not_tested": NOT_TESTED}, "not tested: flaps, landing lights, hold-up output"),
        ({"simulated": True}, "the unit was simulated"),
        ({"tested": ()}, "no function was tested"),
        ({"stop_reason": "operator"}, "the run was stopped"),
        ({"not_run": (NotRun(procedure="p", title="P", reason="r"),)}, "procedures of the plan did not run"),
    ],
)
def test_no_log_line_is_offered_otherwise_and_the_sheet_says_why(changes, why):
    offered = log_text(passing_summary(**changes))
    assert offered.text == ""
    assert why in offered.why_not


def test_plan_check_remarks_stop_reason_and_procedures_not_run_are_open_questions():
    summary = passing_summary(
        verdict=Verdict.INCONCLUSIVE,
        stop_reason="Ctrl-C",
        not_run=(NotRun(procedure="p", title="Yaw trim", reason="stopped"),),
        remarks=(PlanRemark(procedure="r", title="Ripple", remark="can't"),),
    )
    _, _, rest = three_boxes(summary)
    assert rest.lines == (
        "Stopped before its end: Ctrl-C",
        "Procedures not run: Yaw trim",
        "Bench limits: Ripple: can't",
    )


def test_an_inconclusive_run_always_names_an_open_question():
    _, _, rest = three_boxes(passing_summary(verdict=Verdict.INCONCLUSIVE, cause=Cause.UNDECIDED))
    assert rest.mark == "open"
    assert rest.lines
