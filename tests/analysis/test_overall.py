"""The run's verdict, which attempt decides, and what a bench fault found late takes back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.finding import Finding
from analysis.overall import captures_using, deciding, overall, spoil
from analysis.verdict import Cause, Verdict

PASS, FAIL, OPEN, NOT_RUN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_RUN
CAUSES = {PASS: None, FAIL: Cause.UNIT, OPEN: Cause.UNDECIDED, NOT_RUN: None}


def found(verdict, cause=None, *, name="a", attempt=1, mandatory=True, captures=(), procedure="p"):
    return Finding(
        id=name,
        procedure=procedure,
        function="f",
        title="t",
        verdict=verdict,
        cause=cause or CAUSES[verdict],
        attempt=attempt,
        mandatory=mandatory,
        captures=captures,
    )


@pytest.mark.parametrize(
    ("findings", "verdict", "cause"),
    [
        ([found(PASS), found(PASS, name="b")], PASS, None),
        ([found(PASS), found(FAIL, name="b")], FAIL, Cause.UNIT),
        ([found(OPEN, Cause.BENCH), found(FAIL, name="b")], FAIL, Cause.UNIT),
        ([found(FAIL, mandatory=False), found(PASS, name="b")], FAIL, Cause.UNIT),
        ([found(PASS), found(OPEN, name="b")], OPEN, Cause.UNDECIDED),
        ([found(PASS), found(NOT_RUN, name="b")], OPEN, Cause.UNDECIDED),
        ([found(NOT_RUN), found(OPEN, Cause.BENCH, name="b")], OPEN, Cause.BENCH),
        ([found(PASS), found(OPEN, Cause.BENCH, name="b", mandatory=False)], PASS, None),
        ([found(FAIL, Cause.BENCH)], OPEN, Cause.BENCH),  # only the unit fails
        ([], OPEN, Cause.UNDECIDED),
        ([found(PASS, mandatory=False)], OPEN, Cause.UNDECIDED),  # nothing that counts was proved
    ],
)
def test_the_run_is_judged_by_its_findings(findings, verdict, cause):
    result = overall(findings)
    assert (result.verdict, result.cause) == (verdict, cause)


def test_the_deciding_findings_are_named():
    result = overall([found(PASS), found(FAIL, name="b"), found(OPEN, name="c")])
    assert [finding.id for finding in result.decisive] == ["b"]


@pytest.mark.parametrize(
    ("attempts", "verdict"),
    [
        ([found(FAIL), found(PASS, attempt=2)], FAIL),
        ([found(PASS), found(FAIL, attempt=2)], FAIL),
        ([found(OPEN), found(PASS, attempt=2)], OPEN),
        ([found(OPEN, Cause.BENCH), found(PASS, attempt=2)], PASS),
        ([found(OPEN, Cause.BENCH), found(FAIL, attempt=2)], FAIL),
        ([found(PASS), found(OPEN, Cause.BENCH, attempt=2)], OPEN),
        ([found(FAIL), found(OPEN, Cause.BENCH, attempt=2), found(PASS, attempt=3)], FAIL),
        ([found(NOT_RUN), found(PASS, attempt=2)], PASS),
        ([found(PASS), found(NOT_RUN, attempt=2)], NOT_RUN),
    ],
)
def test_the_worst_attempt_decides_unless_the_bench_spoilt_it(attempts, verdict):
    (decided,) = deciding(attempts)
    assert decided.verdict is verdict


def test_an_attempt_that_was_not_run_gives_way_to_what_the_procedure_found_later():
    attempts = [found(NOT_RUN, name="p.run"), found(PASS, name="a", attempt=2)]
    assert overall(attempts).verdict is PASS
    other = [found(NOT_RUN, name="p.run"), found(PASS, name="a", attempt=2, procedure="q")]
    assert overall(other).verdict is OPEN


anything = st.builds(
    found,
    st.sampled_from(Verdict),
    st.sampled_from([None, *Cause]),
    name=st.sampled_from("ab"),
    attempt=st.integers(1, 3),
    mandatory=st.booleans(),
)


@given(st.lists(anything, max_size=6))
def test_a_pass_needs_every_mandatory_characteristic_to_have_passed(findings):
    if overall(findings).verdict is PASS:
        assert {f.id for f in findings if f.mandatory and f.verdict is PASS}
        assert all(f.verdict is PASS or not f.mandatory for f in deciding(findings))


@given(st.lists(anything, max_size=6))
def test_a_units_fail_is_only_ever_replaced_where_the_bench_is_to_blame(findings):
    if any(f.verdict is FAIL and f.cause is Cause.UNIT for f in findings):
        assert overall(findings).verdict is FAIL


def test_a_bench_fault_found_late_takes_back_passes_and_fails_alike(make_capture):
    capture = make_capture({"v": [0.0] * 20}, name="drop", instruments={"v": "daq ai07"})
    other = make_capture({"w": [0.0] * 20}, name="idle", instruments={"w": "daq ai08"})
    spoilt = captures_using({"daq ai07"}, [capture, other])
    assert spoilt == {("demo", 1, "drop")}
    findings = [
        found(PASS, procedure="demo", captures=("drop",)),
        found(FAIL, procedure="demo", captures=("idle", "drop"), name="b"),
        found(PASS, procedure="demo", captures=("idle",), name="c"),
        found(PASS, procedure="demo", captures=("drop",), name="d", attempt=2),
        found(NOT_RUN, procedure="demo", captures=("drop",), name="e"),
    ]
    after = spoil(findings, spoilt, reason="daq ai07 reads 3 V with its input shorted", next_step="repair it")
    assert [finding.verdict for finding in after] == [OPEN, OPEN, PASS, PASS, NOT_RUN]
    assert [finding.cause for finding in after[:2]] == [Cause.BENCH, Cause.BENCH]
    assert after[0].reasons == ("daq ai07 reads 3 V with its input shorted",)
    assert after[0].next_step == "repair it"
    assert overall(after).verdict is OPEN
