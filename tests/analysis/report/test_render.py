"""The page: what it holds, that hostile text stays text, that it is small, self-contained and the same every time."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from sample_summary import FUNCTIONS, NOT_TESTED, curves, measured, passing_summary, sample_summary, unit_findings

from analysis.report import AttemptLine, InjectedDefect, InstrumentLine, NotRun, PlanRemark, PromptLine, render_report
from analysis.report.sections import sections
from analysis.report.text import clean_text, css_string, shorten
from analysis.sentences import finding_sentence
from analysis.verdict import Verdict

MOST_BYTES = 3_000_000
HOSTILE = (
    "\"><script>alert(1)</script><img src=x onerror=alert(2)>' javascript:alert(3) {{7*7}} </style>\x00\x1b[31m\u202e"
)


class Page(HTMLParser):
    """Collects what a browser would act on, and the text it would show."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self._in_style = False
        self.feed(html)
        self.text = " ".join(self.text.split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        self._in_style = tag == "style"
        self.text += " " if tag in {"td", "th", "li", "p", "div", "dt", "dd"} else ""

    def handle_endtag(self, tag):  # noqa: ARG002 - the parser names it
        self._in_style = False

    def handle_data(self, data):
        if not self._in_style:
            self.text += data


@pytest.fixture(scope="module")
def html() -> str:
    return render_report(sample_summary())


@pytest.fixture(scope="module")
def page(html) -> Page:
    return Page(html)


def hostile_summary():
    finding = replace(
        unit_findings()[0],
        title=HOSTILE, function=HOSTILE, limit_source=HOSTILE, rule=HOSTILE, reasons=(HOSTILE,), next_step=HOSTILE,
        notes=(HOSTILE,), pins=(HOSTILE,), capture=HOSTILE, quantity_unit=HOSTILE, verdict=Verdict.FAIL,
    )  # fmt: skip
    return sample_summary(
        findings=(finding,),
        bench_findings=(finding,),
        curves=tuple(
            replace(curve, title=HOSTILE, x_label=HOSTILE, y_label=HOSTILE, capture=HOSTILE, function=HOSTILE)
            for curve in curves(1)
        ),
        pin_titles={HOSTILE: HOSTILE}, function_titles={HOSTILE: HOSTILE}, tested=(HOSTILE,), not_tested=(HOSTILE,),
        not_run=(NotRun(procedure=HOSTILE, title=HOSTILE, reason=HOSTILE),),
        remarks=(PlanRemark(procedure=HOSTILE, title=HOSTILE, remark=HOSTILE),),
        attempts=(AttemptLine(procedure=HOSTILE, title=HOSTILE, attempt=1, verdict=Verdict.FAIL, reason=HOSTILE),),
        instruments=(InstrumentLine(name=HOSTILE, identity=HOSTILE, calibration=HOSTILE, due=HOSTILE),) * 9,
        prompts=(PromptLine(time_s=0.0, prompt=HOSTILE, answer=HOSTILE),),
        defects=(InjectedDefect(id=HOSTILE, title=HOSTILE, of=HOSTILE, severity=1.0),),
        digests={HOSTILE: HOSTILE}, bench_facts=(HOSTILE,),
        **dict.fromkeys(
            ("record", "parent_record", "serial", "model", "model_title", "part", "modification", "firmware",
             "aircraft", "plan", "plan_title", "bench", "operator", "work_order", "squawk", "remark", "ambient",
             "start", "end",
             "configuration_found", "configuration_left", "configuration_differs", "software", "stop_reason"), HOSTILE,
        ),
    )  # fmt: skip


@pytest.mark.parametrize("make", [sample_summary, passing_summary, hostile_summary])
def test_nothing_in_the_page_runs_or_is_fetched(make):
    html = render_report(make())
    page = Page(html)
    assert not {"script", "img", "iframe", "object", "embed", "link", "base", "form"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in {"src", "srcset", "action"}]
    assert {value for name, value in page.attributes if "//" in value} <= {"http://www.w3.org/2000/svg"}
    assert all(value.startswith("#") for name, value in page.attributes if name in {"href", "xlink:href"})
    assert not [value for name, value in page.attributes if name != "aria-label" and "javascript:" in value]
    style = "".join(re.findall(r"<style>.*?</style>", html, re.DOTALL))
    assert "url(" not in style
    assert "@import" not in style


def test_hostile_text_is_shown_as_text_and_control_characters_are_replaced():
    html = render_report(hostile_summary())
    assert html.count("<style") == html.count("</style>") == 1
    assert "<script" not in html
    assert "{{7*7}}" in Page(html).text
    assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", html)


def test_text_helpers_keep_what_prints():
    assert clean_text("Grüße, 20 µs\n\tok") == "Grüße, 20 µs\n\tok"
    assert clean_text("a\x1bb\ud800c") == "a\N{REPLACEMENT CHARACTER}b\N{REPLACEMENT CHARACTER}c"
    assert shorten("one two three", 9) == "one two\N{HORIZONTAL ELLIPSIS}"
    assert shorten("  one\n two ", 9) == "one two"
    assert css_string('a"}') == '"a\\000022\\00007d"'


def test_the_page_of_a_full_run_stays_small_with_every_figure_a_report_may_have():
    html = render_report(sample_summary(curves=curves(45)))
    assert html.count('class="plot"') == 40
    assert len(html.encode()) < MOST_BYTES


def test_two_renders_are_equal(html):
    assert render_report(sample_summary()) == html


def test_every_finding_has_its_sentence_and_every_number_its_table_row(page):
    findings = sample_summary().findings
    assert len(findings) > 120
    for finding in findings:
        assert " ".join(finding_sentence(finding).split()) in page.text
    assert page.tags.count("tr") > len(findings)


def test_first_page_names_everything_a_signature_rests_on(html):
    first = Page(html[: html.index("<main>")]).text
    for words in (
        "SIM-0147", "Dotterel 6, 14 V", "Whimbrel", "WO-2271", "M. Reed", "DT6-14", "2026-11-25T14:02:11+01:00",
        "Left seat: nose-up trim slow", "Reproduced.", "invented for the demo", "certificate SA-2026-118", "2027-03-31",
        "Name", "Signature", "boxproof 0.1.0", "SIMULATED", "No hardware was tested",
        "fail (simulated), cause: unit; 8 of 11 functions tested; not tested: flaps, landing lights, hold-up output",
    ):  # fmt: skip
        assert words in first
    assert "not an approval for return to service, not a statement of airworthiness" in first
    assert "not an environmental qualification" in first
    assert "qualified person" in first


def test_fails_and_inconclusives_come_first_with_reason_and_deciding_step(html):
    start, end = html.index("Needs attention"), html.index("Findings by function")
    attention = Page(html[start:end]).text
    places = [attention.index(word) for word in ("Pitch up, left seat: drop 0.913 V", "DC 1: full level 11.720 V")]
    assert places == sorted(places)
    assert "The one deciding step: Press the left switch at its own connector" in attention
    assert "412 samples of the capture were lost" in attention
    assert "Whose doing: the bench" in attention
    assert "PWM 2: frequency" not in attention  # measured again, and the second attempt was sound


def test_what_was_not_run_is_listed_with_its_reason(page):
    assert "not run: its gate, yaw polarity, was left out" in page.text
    assert "Flaps not tested: no procedure of the plan touches this function" in page.text
    assert "plan check: can't: needs 100 kS/s" in page.text


def test_a_measurement_that_gave_way_says_which_attempt_decides(page):
    assert "Attempt 1; attempt 2 decides." in page.text


def test_what_passed_with_room_to_spare_is_one_line_and_what_is_worth_reading_stands_open(html):
    parts = html.split('<section class="function">')[1:]
    opened = {
        title: part.partition("<details")[0]
        for part in parts
        for title in FUNCTIONS.values()
        if f"</svg> {title} <" in part
    }
    for title in ("Power input", "Roll trim"):
        assert 'class="row' not in opened[title]
    for title in ("Pitch trim", "Panel dimming"):
        assert 'class="row' in opened[title]
    spare = html.split("<details")[1:]
    assert spare
    for part in spare:
        inside = part.partition("</details>")[0]
        assert 'class="row fail' not in inside
        assert 'class="row inconclusive' not in inside
        n = inside.count('class="row')
        assert f"{n} finding{'s' if n > 1 else ''} passed with room to spare" in inside
    assert " open" not in html.split("<details")[1].partition(">")[0]  # a browser prints no more than its one line


def test_a_curve_of_what_passed_with_room_to_spare_folds_with_it():
    comfortable, tight = (
        measured(f"x{n}", "trim", "Drop", margin, "V", 0.01, low=0.0, high=200.0, capture=f"c{n}")
        for n, margin in enumerate((80.0, 1.0))
    )
    made = [replace(curve, capture=f"c{n}", function="trim") for n, curve in enumerate(curves(2))]
    summary = passing_summary(
        findings=(comfortable, tight), bench_findings=(), curves=tuple(made), function_titles={"trim": "Trim"}
    )
    (section,) = sections(summary)
    assert [figure.capture for figure in section.figures] == ["c1"]
    assert [figure.capture for figure in section.spare_figures] == ["c0"]
    assert section.spare_words == "1 finding passed with room to spare, 1 curve of such"


def test_sources_of_limits_are_named_once_and_numbered_in_the_table_of_values():
    first, second, *_ = (finding for finding in unit_findings() if finding.limit_source)
    other = replace(second, limit_source="service letter 7, 2026-02-01")
    html = render_report(sample_summary(findings=(first, other), bench_findings=()))
    values = html[html.index("<h2>All values</h2>") :]
    assert f"Sources of limits: 1 {first.limit_source}; 2 service letter 7, 2026-02-01." in values
    assert '<td class="n">1</td>' in values
    assert '<td class="n">2</td>' in values


def test_verdicts_are_words_beside_shapes(html):
    for verdict in ("pass", "fail", "inconclusive"):
        assert re.search(rf"</svg> <b>{verdict}</b>", html)


def test_a_unit_sheet_without_anything_measured_still_prints():
    text = Page(
        render_report(sample_summary(findings=(), bench_findings=(), curves=(), attempts=(), instruments=()))
    ).text
    assert "Nothing of the unit was measured." in text
    assert "The bench itself was not checked in this run." in text
    assert "There are no findings." in text


def test_a_partial_pass_says_partial_and_never_wears_the_shape_of_a_pass():
    html = render_report(passing_summary(partial=True, not_tested=NOT_TESTED))
    head = html[: html.index('class="boxes"')]
    assert "PARTIAL" in Page(head).text
    assert "partial run: does not read as acceptance" in Page(head).text
    assert "<circle" not in head  # the ring with a tick
    assert "PARTIAL" in re.search(r"<title>(.*?)</title>", html)[1]


def test_a_run_that_was_stopped_says_stopped_where_a_partial_one_says_partial():
    html = render_report(
        passing_summary(verdict=Verdict.INCONCLUSIVE, partial=True, stopped=True, stop_reason="Ctrl-C")
    )
    text = Page(html).text
    assert "STOPPED" in re.search(r"<title>(.*?)</title>", html)[1]
    assert "run stopped before its end: does not read as acceptance" in text
    assert "Stopped before its end: Ctrl-C" in text
    assert "PARTIAL" not in text
    assert "artial run" not in text


def test_the_complaint_stands_with_its_conditions_and_whether_it_was_reproduced():
    text = Page(
        render_report(passing_summary(squawk="Trim runs on", squawk_conditions="cold soak", squawk_reproduced=False))
    ).text
    assert "Trim runs on (cold soak) Not reproduced." in text


def test_page_1_says_what_of_the_configuration_differs_however_many_findings_fail():
    differs = "configuration 45, needed 44"
    text = Page(render_report(sample_summary(configuration_differs=differs))).text
    assert f"Configuration differs {differs}" in text
    assert "Configuration differs" not in Page(render_report(sample_summary())).text


def test_a_configuration_that_the_run_changed_is_shown_as_found_and_as_left():
    text = Page(render_report(passing_summary(configuration_found="7", configuration_left="9"))).text
    assert "found: 7; left: 9" in text


def test_a_real_run_carries_no_simulated_banner():
    assert "SIMULATED" not in render_report(passing_summary())


def test_no_limit_type_is_a_code(page):
    for code in (" GE ", " LE ", " GELE ", " EQ ", "&ge;", "&le;"):
        assert code not in page.text
