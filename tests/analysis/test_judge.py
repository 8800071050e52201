"""Findings: what passes, what fails, what stays open, and whose doing it is."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.finding import Limit, LimitKind
from analysis.judge import judge, not_run, observe
from analysis.measurement import Component, Doubt, Measurement, Observation
from analysis.sentences import finding_sentence
from analysis.verdict import Cause, Verdict


def limit(low=-math.inf, high=0.60, **more):
    return Limit(
        id="drop", quantity_unit="V", source="invented for the demo", date="2025-01-01", low=low, high=high, **more
    )


def measured(value, u=0.014, **more):
    return Measurement(
        id="pitch.up.drop",
        limit="drop",
        title="Pitch up: drop",
        function="pitch trim",
        value=value,
        quantity_unit=more.pop("quantity_unit", "V"),
        standard_uncertainty=u,
        **more,
    )


def doubt(cause, reason="", next_step=""):
    return Doubt(reason=reason or f"doubt of {cause}", cause=cause, next_step=next_step)


BENCH, UNIT, UNDECIDED = (doubt(cause) for cause in (Cause.BENCH, Cause.UNIT, Cause.UNDECIDED))


@pytest.mark.parametrize(
    ("value", "verdict", "cause"),
    [
        (0.31, Verdict.PASS, None),
        (0.571, Verdict.PASS, None),
        (0.573, Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        (0.627, Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        (0.629, Verdict.FAIL, Cause.UNIT),
        (0.90, Verdict.FAIL, Cause.UNIT),
    ],
)
def test_a_drop_against_its_specification_falls_into_three_zones(value, verdict, cause):
    # U = 2 x 14 mV = 28 mV
    finding = judge(measured(value), limit(), procedure="trim")
    assert (finding.verdict, finding.cause, finding.rule) == (verdict, cause, "three-zone")
    assert finding.expanded_uncertainty == pytest.approx(0.028)


def test_few_degrees_of_freedom_widen_the_zone():
    assert judge(measured(0.56), limit(), procedure="trim").verdict is Verdict.PASS
    assert judge(measured(0.56, degrees_of_freedom=2.0), limit(), procedure="trim").verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(("value", "verdict"), [(0.599, Verdict.PASS), (0.60, Verdict.PASS), (0.601, Verdict.FAIL)])
def test_a_test_limit_is_accepted_simply_and_says_so(value, verdict):
    finding = judge(measured(value), limit(kind=LimitKind.TEST_LIMIT), procedure="trim")
    assert (finding.verdict, finding.rule) == (verdict, "simple")


def test_a_finding_carries_the_figures_it_was_judged_by():
    finding = judge(
        measured(0.31, captures=("drop", "idle"), pins=("P1-4", "P1-5"), notes=("at 1.5 A",)),
        limit(),
        procedure="trim",
        attempt=2,
    )
    assert (finding.id, finding.procedure, finding.function, finding.attempt) == (
        "pitch.up.drop",
        "trim",
        "pitch trim",
        2,
    )
    assert (finding.low, finding.high, finding.limit_id) == (-math.inf, 0.60, "drop")
    assert finding.limit_source == "invented for the demo, 2025-01-01"
    assert finding.margin == pytest.approx(0.29)
    assert finding.margin_percent == pytest.approx(100 * 0.29 / 0.6)
    assert finding.conformity_probability == pytest.approx(1.0)
    assert (finding.capture, finding.captures, finding.pins) == ("drop", ("drop", "idle"), ("P1-4", "P1-5"))
    assert finding.notes == ("at 1.5 A",)
    assert (finding.trials, finding.failures) == (None, None)


@pytest.mark.parametrize("doubt", [BENCH, UNDECIDED, UNIT], ids=lambda doubt: doubt.cause.value)
def test_a_value_in_doubt_has_nothing_to_spare(doubt):
    clipped = judge(measured(0.31, doubts=(doubt,)), limit(), procedure="trim")
    assert clipped.value == 0.31
    assert all(math.isnan(n) for n in (clipped.margin, clipped.margin_percent, clipped.conformity_probability))
    assert "spare" not in finding_sentence(clipped)
    assert "spare" in finding_sentence(judge(measured(0.31), limit(), procedure="trim"))


def test_an_open_finding_says_what_to_improve_and_how_likely_conformity_is():
    budget = (Component(name="bound of daq ai07", contribution=0.0139), Component(name="noise", contribution=0.001))
    finding = judge(measured(0.60, components=budget), limit(), procedure="trim")
    assert finding.conformity_probability == pytest.approx(0.5)
    assert "bound of daq ai07" in finding.next_step
    assert finding.reasons


@pytest.mark.parametrize("value", [0.1, 0.60, 5.0])
@pytest.mark.parametrize(
    ("doubts", "verdict", "cause"),
    [
        ((BENCH,), Verdict.INCONCLUSIVE, Cause.BENCH),
        ((UNDECIDED,), Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        ((UNDECIDED, BENCH), Verdict.INCONCLUSIVE, Cause.BENCH),
        ((UNIT,), Verdict.FAIL, Cause.UNIT),
        ((UNDECIDED, UNIT), Verdict.FAIL, Cause.UNIT),
        ((BENCH, UNIT), Verdict.FAIL, Cause.UNIT),  # proved by isolation: what the bench lost does not undo it
    ],
)
def test_doubts_decide_whatever_the_value(value, doubts, verdict, cause):
    finding = judge(measured(value, doubts=doubts), limit(), procedure="trim")
    assert (finding.verdict, finding.cause) == (verdict, cause)
    assert finding.reasons[0] == f"doubt of {cause}"
    assert len(finding.reasons) == len(doubts)


def test_the_deciding_doubt_names_the_next_step():
    doubts = (doubt(Cause.UNDECIDED, "a", "swap the channels"), doubt(Cause.BENCH, "b", "check the cable"))
    assert judge(measured(0.1, doubts=doubts), limit(), procedure="trim").next_step == "check the cable"


@given(
    value=st.one_of(st.floats(), st.sampled_from([math.nan, math.inf, -math.inf])),
    u=st.floats(),
    nu=st.floats(),
    kind=st.sampled_from(LimitKind),
)
def test_nothing_that_is_not_finite_ever_passes_or_fails(value, u, nu, kind):
    finding = judge(measured(value, u, degrees_of_freedom=nu), limit(kind=kind), procedure="trim")
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0.0 and nu >= 1.0):
        assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@given(
    value=st.floats(-2.0, 2.0),
    u=st.floats(0.0, 0.5),
    interval=st.tuples(st.floats(-1.0, 0.0), st.floats(0.1, 1.0)),
    more=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
    kind=st.sampled_from(LimitKind),
)
def test_widening_a_limit_never_takes_a_pass_away_nor_makes_a_fail(value, u, interval, more, kind):
    low, high = interval
    narrow = judge(measured(value, u), limit(low, high, kind=kind), procedure="p").verdict
    wide = judge(measured(value, u), limit(low - more[0], high + more[1], kind=kind), procedure="p").verdict
    order = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)
    assert order.index(wide) >= order.index(narrow)


def test_a_value_that_was_not_measured_keeps_the_reason_it_was_given():
    finding = judge(measured(math.nan, doubts=(UNDECIDED,)), limit(), procedure="trim")
    assert (finding.cause, finding.reasons) == (Cause.UNDECIDED, ("doubt of undecided",))


def test_a_limit_in_another_unit_judges_nothing():
    finding = judge(measured(0.1, quantity_unit="mV"), limit(), procedure="trim")
    assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "'mV'" in finding.reasons[0]


@pytest.mark.parametrize(
    ("trials", "value", "verdict"),
    [
        (59, 0.1, Verdict.PASS),
        (58, 0.1, Verdict.INCONCLUSIVE),
        (None, 0.1, Verdict.INCONCLUSIVE),
        (3, 5.0, Verdict.FAIL),  # one above is enough
    ],
)
def test_a_worst_case_needs_59_trials_with_none_above(trials, value, verdict):
    finding = judge(measured(value, trials=trials), limit(worst_case=True), procedure="latency")
    assert finding.verdict is verdict
    assert judge(measured(0.1, trials=trials), limit(), procedure="latency").verdict is Verdict.PASS


def observation(trials, failures, **more):
    return Observation(
        id="discrete-1.truth",
        title="Discrete 1",
        function="discretes",
        statement="follows its stimulus",
        trials=trials,
        failures=failures,
        source="unit sheet",
        **more,
    )


def test_an_observation_without_failure_passes_and_says_what_holds():
    finding = observe(observation(59, 0, captures=("edges",)), procedure="truth")
    assert (finding.verdict, finding.cause, finding.rule) == (Verdict.PASS, None, "exact")
    assert (finding.trials, finding.failures, finding.capture) == (59, 0, "edges")
    assert math.isnan(finding.standard_uncertainty)
    assert math.isnan(finding.value)
    assert finding.limit_source == "unit sheet"
    assert finding.title == "Discrete 1: follows its stimulus"
    assert finding.notes == ()


@pytest.mark.parametrize("statement", ["follows its stimulus", ""])
def test_a_title_that_says_what_must_hold_does_not_say_it_twice(statement):
    said = replace(observation(1, 0), title="Discrete 1 follows its stimulus", statement=statement)
    assert observe(said, procedure="truth").title == said.title


@pytest.mark.parametrize(
    ("blamed", "verdict"),
    [(Cause.UNIT, Verdict.FAIL), (Cause.BENCH, Verdict.INCONCLUSIVE), (Cause.UNDECIDED, Verdict.INCONCLUSIVE)],
)
def test_a_failed_observation_goes_to_whom_it_is_about(blamed, verdict):
    finding = observe(observation(4, 1, cause_if_failed=blamed, detail="stayed off at edge 3"), procedure="truth")
    assert (finding.verdict, finding.cause) == (verdict, blamed)
    assert finding.reasons == ("stayed off at edge 3",)


def test_what_was_not_tried_is_no_pass():
    finding = observe(observation(0, 0), procedure="truth")
    assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@pytest.mark.parametrize("failures", [0, 1])
@pytest.mark.parametrize(
    ("doubts", "verdict", "cause"),
    [((BENCH, UNDECIDED), Verdict.INCONCLUSIVE, Cause.BENCH), ((UNIT,), Verdict.FAIL, Cause.UNIT)],
)
def test_doubts_decide_an_observation_too(failures, doubts, verdict, cause):
    finding = observe(observation(4, failures, doubts=doubts), procedure="truth")
    assert (finding.verdict, finding.cause) == (verdict, cause)


@pytest.mark.parametrize(("trials", "failures"), [(1, 2), (1, -1)])
def test_an_impossible_count_is_refused(trials, failures):
    with pytest.raises(ValueError, match="is no such count"):
        observe(observation(trials, failures), procedure="truth")


def test_what_was_not_run_says_why():
    finding = not_run(
        id="trim.run", procedure="trim", function="pitch trim", title="Trim", reason="power-up did not pass"
    )
    assert (finding.verdict, finding.cause, finding.reasons) == (Verdict.NOT_RUN, None, ("power-up did not pass",))


def test_a_proved_fault_of_the_unit_leaves_no_step_of_a_lesser_doubt_to_take():
    proved = Doubt(reason="gone with the unit isolated", cause=Cause.UNIT)
    lesser = Doubt(reason="its line may be wrong", cause=Cause.UNDECIDED, next_step="measure the line")
    finding = observe(
        Observation(id="x", title="X", function="f", statement="holds", trials=1, failures=1, doubts=(lesser, proved)),
        procedure="p",
    )
    assert (finding.verdict, finding.cause, finding.next_step) == (Verdict.FAIL, Cause.UNIT, "")


@pytest.mark.parametrize(("blamed", "step"), [(Cause.BENCH, "mend it"), (Cause.UNDECIDED, "mend it"), (Cause.UNIT, "")])
def test_a_failed_observation_tells_the_step_that_decides_unless_it_is_the_units(blamed, step):
    observation = Observation(
        id="x",
        title="X",
        function="",
        statement="holds",
        trials=1,
        failures=1,
        cause_if_failed=blamed,
        next_step="mend it",
    )
    assert observe(observation, procedure="p").next_step == step
