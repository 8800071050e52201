"""m of n tries: what they prove of a rate, and whose doing an event is."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, geom

from analysis.finding import Finding
from analysis.repetition import HowItEnded, Tally, TryOutcome, not_passed, repetition_finding, try_outcome
from analysis.sentences import finding_sentence
from analysis.statistics import rate_interval, upper_bound
from analysis.verdict import Cause, Verdict

WHOLE = HowItEnded(words="ended after all tries")


def tally(*, passed=0, failed=0, undecided=0, spoilt=0, shown="Drop"):
    counted = Tally()
    counted.add(TryOutcome.PASSED, (), passed)
    for outcome, count in zip(
        (TryOutcome.FAILED, TryOutcome.UNDECIDED, TryOutcome.SPOILT), (failed, undecided, spoilt), strict=True
    ):
        counted.add(outcome, (shown,) if count else (), count)
    return counted


def found(counted, ended=WHOLE):
    return repetition_finding(
        counted, procedure="trim-loaded", function="pitch-trim", title="Trim", attempt=9, ended=ended
    )


def a_finding(verdict, cause=None, title="Drop"):
    return Finding(id=title, procedure="p", function="f", title=title, verdict=verdict, cause=cause)


@settings(max_examples=30)
@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_the_two_sided_interval_is_that_of_the_exact_binomial_test(count, confidence):
    failures, trials = count
    theirs = binomtest(failures, trials).proportion_ci(confidence, method="exact")
    assert rate_interval(failures, trials, confidence) == pytest.approx((theirs.low, theirs.high), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("failures", "trials", "low", "high"),  # Clopper and Pearson, 95 %; the two large libraries agree to 1e-12
    [
        (0, 10, 0.0, 0.3084971),
        (0, 59, 0.0, 0.0606089),
        (1, 10, 0.0025286, 0.4450161),
        (5, 100, 0.0164319, 0.1128349),
        (8, 20, 0.1911901, 0.6394574),
    ],
)
def test_known_intervals(failures, trials, low, high):
    assert rate_interval(failures, trials) == pytest.approx((low, high), abs=1e-7)


@pytest.mark.parametrize("trials", [20, 59, 200, 3000])
def test_none_of_n_lies_just_below_the_rule_of_three(trials):
    assert 0.90 < upper_bound(0, trials) / (3.0 / trials) < 1.0


@pytest.mark.parametrize("n", [2, 7, 40, 200])
def test_bounds_hold_where_the_first_event_ends_the_loop(n):
    # Inverse sampling: the first event comes in try n. Lower bound: P(N <= n) = 2.5 %; upper: P(N >= n) = 2.5 %.
    low, high = rate_interval(1, n)
    assert geom.cdf(n, low) == pytest.approx(0.025, rel=1e-9)
    assert geom.sf(n - 1, high) < 0.025


def test_a_try_counts_against_the_unit_unless_the_bench_spoilt_it():
    passed, failed = a_finding(Verdict.PASS), a_finding(Verdict.FAIL, Cause.UNIT, "Polarity")
    bench = a_finding(Verdict.INCONCLUSIVE, Cause.BENCH, "Channel")
    undecided = a_finding(Verdict.INCONCLUSIVE, Cause.UNDECIDED, "Reset")
    assert try_outcome([passed]) is TryOutcome.PASSED
    assert try_outcome([passed, failed, bench]) is TryOutcome.FAILED
    assert try_outcome([passed, bench, undecided]) is TryOutcome.SPOILT
    assert try_outcome([passed, undecided]) is TryOutcome.UNDECIDED
    assert try_outcome([]) is TryOutcome.UNDECIDED
    assert not_passed([passed, failed, failed, undecided]) == ("Polarity", "Reset")


def test_none_of_n_passes_with_the_bound_of_its_rate():
    finding = found(tally(passed=200))
    assert (finding.verdict, finding.trials, finding.failures) == (Verdict.PASS, 200, 0)
    assert finding.rate_bound == pytest.approx(1.0 - 0.05 ** (1 / 200), rel=1e-12)
    assert finding_sentence(finding) == "Trim, over and over: 0 of 200 tries failed: rate below 1.5 % at 95 %"


def test_any_proved_fail_is_the_units_and_says_how_often():
    finding = found(tally(passed=116, failed=3, undecided=1, spoilt=4))
    assert (finding.verdict, finding.cause) == (Verdict.FAIL, Cause.UNIT)
    assert (finding.trials, finding.failures) == (120, 4)
    assert finding.reasons[0] == "in 3 of 120 tries the unit failed"
    assert "4 tries spoilt by the bench left out of the count" in finding.notes
    theirs = binomtest(4, 120).proportion_ci(0.95, method="exact")
    assert (finding.rate_low, finding.rate_high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)
    assert "not in 4 of 120 tries: rate below 7.5 % at 95 %, two-sided 0.91 % to 8.4 %" in finding_sentence(finding)


@pytest.mark.parametrize(
    ("counted", "ended", "cause"),
    [
        (tally(passed=9, undecided=1), WHOLE, Cause.UNDECIDED),
        (tally(spoilt=3), WHOLE, Cause.BENCH),
        (tally(), HowItEnded(words="broken off", early=True), Cause.BENCH),
        (tally(passed=9, spoilt=1), HowItEnded(words="by a fault of the bench", spoilt=True), Cause.BENCH),
        (tally(passed=9), HowItEnded(words="broken off", early=True), Cause.UNDECIDED),
    ],
)
def test_what_proves_nothing_is_inconclusive_with_its_cause(counted, ended, cause):
    finding = found(counted, ended)
    assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, cause)
    assert finding.reasons
    assert math.isnan(finding.rate_bound) is (counted.trials == 0)


def test_a_proved_fail_stands_in_a_loop_that_was_broken_off():
    assert found(tally(passed=2, failed=1), HowItEnded(words="told to stop", early=True)).verdict is Verdict.FAIL


def test_most_frequent_first_and_no_endless_list():
    counted = Tally()
    for number in range(8):
        counted.add(TryOutcome.FAILED, [f"Input {number}"], number + 1)
    reasons = found(counted).reasons
    assert reasons[1] == "Input 7: not passed in 8 tries"
    assert reasons[-1] == "and 3 more"


def test_tries_counted_before_are_joined():
    counted = tally(passed=3, failed=1)
    counted.join({"passed": 178, "failed": 2}, {"Drop": 2})
    assert (counted.trials, counted.events, counted.shown) == (184, 3, {"Drop": 3})
