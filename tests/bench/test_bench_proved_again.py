"""What a bench that is no longer sound, found because the unit failed, makes of that fail."""

import pytest

from analysis.finding import Finding
from analysis.verdict import Cause, Verdict
from bench.judging import unproved


def finding(id_, verdict, cause=None, *, attempt=1, procedure="ground-pin"):
    return Finding(
        id=id_,
        procedure=procedure,
        function="",
        title=id_,
        verdict=verdict,
        cause=cause,
        attempt=attempt,
        reasons=(f"{id_} is wrong",) if cause else (),
    )


PROVING = {"bench-check"}
FAILED = finding("ground-pin.resistance", Verdict.FAIL, Cause.UNIT)
PASSED = finding("ground-pin.bench", Verdict.PASS)


def check(verdict, cause=None, *, attempt=2):
    return finding("bench-check.output-channels", verdict, cause, attempt=attempt, procedure="bench-check")


@pytest.mark.parametrize("second", [(), (check(Verdict.PASS),), (check(Verdict.INCONCLUSIVE, Cause.UNDECIDED),)])
def test_a_fail_stands_where_the_bench_was_not_found_wrong(second):
    assert unproved((FAILED, PASSED, *second), PROVING) == ()


def test_a_fail_proves_nothing_where_the_second_check_finds_the_bench_wrong():
    (revised,) = unproved((FAILED, PASSED, check(Verdict.INCONCLUSIVE, Cause.BENCH)), PROVING)
    assert (revised.id, revised.verdict, revised.cause) == (FAILED.id, Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "bench-check.output-channels is wrong" in revised.reasons[0]
    assert revised.reasons[-1] == FAILED.reasons[0]


def test_what_only_could_not_be_tested_for_a_fault_of_the_unit_proves_nothing_then_either():
    barred = finding("discrete-4.bounce", Verdict.INCONCLUSIVE, Cause.UNIT)
    revised = unproved((FAILED, barred, check(Verdict.INCONCLUSIVE, Cause.BENCH)), PROVING)
    assert [(one.id, one.cause) for one in revised] == [(FAILED.id, Cause.BENCH), (barred.id, Cause.BENCH)]


def test_what_the_first_check_found_concerns_no_fail():
    assert unproved((FAILED, check(Verdict.INCONCLUSIVE, Cause.BENCH, attempt=1)), PROVING) == ()


def test_a_later_try_of_a_loop_that_the_bench_spoilt_is_no_proof_of_the_bench():
    spoilt = finding("ground-pin.bench", Verdict.INCONCLUSIVE, Cause.BENCH, attempt=7)
    assert unproved((FAILED, spoilt), PROVING) == ()
