"""Page 1: what it shows is cut to its room, and a full one is set in the smaller type."""

from dataclasses import replace

import pytest
from sample_summary import FUNCTIONS, counted, passing_summary, sample_summary

from analysis.report import InjectedDefect, PlanRemark, render_report
from analysis.report.first_page import FUNCTION_CHARACTERS, MOST_FUNCTIONS, first_page

CROWDED = '<section class="sheet crowded">'


def with_functions(count: int, title: str):
    titles = {f"f{number}": f"{title} {number}" for number in range(count)}
    return passing_summary(function_titles=titles, tested=tuple(titles.values()))


def full_summary():
    functions = with_functions(MOST_FUNCTIONS, "Bus voltage monitor: lock-out and release")
    return sample_summary(
        function_titles=functions.function_titles,
        tested=functions.tested[:3],
        not_tested=functions.tested[3:],
        squawk="Left seat: nose-up trim slow after a cold start. " * 9,
        remark="Connector cleaned. " * 9,
        findings=tuple(counted(f"x{n}", f"f{n}", "Follows its stimulus " * 9, 20, 1) for n in range(9)),
    )


def test_a_function_that_needs_two_lines_keeps_its_whole_name():
    title = "Bus voltage monitor: lock-out, release, reset"
    assert first_page(with_functions(3, title)).functions[0][0] == f"{title} 0"
    html = render_report(with_functions(3, title))
    assert f"<span>{title} 0</span>" in html[: html.index("<main>")]


def test_what_page_1_has_no_room_for_is_counted():
    page = first_page(with_functions(MOST_FUNCTIONS + 3, "Trim " * 20))
    assert (len(page.functions), page.more_functions) == (MOST_FUNCTIONS, 3)
    assert all(len(title) <= FUNCTION_CHARACTERS for title, _ in page.functions)
    assert first_page(with_functions(MOST_FUNCTIONS, "Trim")).more_functions == 0


@pytest.mark.parametrize("make", [passing_summary, sample_summary, lambda: with_functions(len(FUNCTIONS), "Trim")])
def test_a_page_with_room_is_set_in_the_ordinary_type(make):
    assert '<section class="sheet ordinary">' in render_report(make())


def test_a_full_page_is_set_in_the_smaller_type():
    assert CROWDED in render_report(full_summary())


def test_a_page_fuller_than_that_is_set_smaller_still():
    full = full_summary()
    lines = (PlanRemark(procedure="p", title="Panel dimming in fine steps: curve, ends, " * 2, remark="r"),)
    fuller = replace(
        full,
        untested=lines,
        remarks=lines,
        configuration_differs="Roll trim: reported reversed, needed not reversed; " * 8,
        configuration_found="1606, trim-reversal 0, dimming-selection 44" * 3,
    )
    assert '<section class="sheet packed">' in render_report(fuller)


def test_a_run_without_limits_says_so():
    assert first_page(passing_summary(findings=())).sources == "no limit was applied"


def test_defects_put_in_are_named_and_counted():
    bridge, *_ = sample_summary().defects
    other = InjectedDefect(id="dead", title="Stimulus line dead", of="bench", severity=1.0)
    assert first_page(passing_summary()).injected == ""
    assert first_page(sample_summary(defects=(bridge, other))).injected == (
        "Pitch bridge resistance tripled (unit, severity 1.0) and 1 more: defects injected on purpose"
    )


def test_the_log_line_is_offered_or_the_page_says_why_not():
    assert first_page(passing_summary()).log_offered
    page = first_page(sample_summary())
    assert not page.log_offered
    assert page.log_line.startswith("Not offered: the verdict is fail; ")
