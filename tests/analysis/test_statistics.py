"""Counting statistics against published figures."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from analysis.statistics import WORST_CASE_TRIALS, summarise_latencies, upper_bound, zero_failure_trials


@pytest.mark.parametrize(
    ("coverage", "confidence", "n"),
    [(0.95, 0.95, 59), (0.90, 0.90, 22), (0.90, 0.95, 29), (0.99, 0.95, 299), (0.999, 0.95, 2995), (0.95, 0.90, 45)],
)
def test_zero_failure_demonstrations(coverage, confidence, n):
    # n = ceil(ln(1 - C) / ln R); the same figures stand in open reliability libraries
    assert zero_failure_trials(coverage, confidence) == n
    assert n == math.ceil(math.log(1.0 - confidence) / math.log(coverage))


def test_a_worst_case_takes_59_trials():
    assert WORST_CASE_TRIALS == 59


def test_upper_bound_without_failures_is_closed_form():
    # Clopper-Pearson, one-sided 95 %, 0 of 59: 0.0495076
    assert upper_bound(0, 59) == pytest.approx(0.0495076, abs=1e-7)
    assert upper_bound(0, 59) == pytest.approx(1.0 - 0.05 ** (1.0 / 59.0), rel=1e-12)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_upper_bound_is_that_of_the_exact_binomial_test(count, confidence):
    failures, trials = count
    theirs = binomtest(failures, trials, alternative="less").proportion_ci(confidence, method="exact").high
    assert upper_bound(failures, trials, confidence) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("failures", "trials"), [(0, 0), (2, 1), (-1, 5)])
def test_an_impossible_count_is_refused(failures, trials):
    with pytest.raises(ValueError, match="no such count"):
        upper_bound(failures, trials)


@pytest.mark.parametrize("fraction", [0.0, 1.0, math.nan])
def test_certainty_is_refused(fraction):
    with pytest.raises(ValueError, match="is not between 0 and 1"):
        zero_failure_trials(fraction)
    with pytest.raises(ValueError, match="is not between 0 and 1"):
        zero_failure_trials(confidence=fraction)


def test_latencies_are_summed_up_in_four_figures():
    summary = summarise_latencies([0.027, 0.020, 0.022, 0.024])
    assert (summary.n, summary.minimum_s, summary.median_s, summary.maximum_s) == (4, 0.020, 0.023, 0.027)


@pytest.mark.parametrize("latencies", [[], [0.02, math.nan]])
def test_a_missing_latency_hides_nowhere(latencies):
    summary = summarise_latencies(latencies)
    assert summary.n == len(latencies)
    assert math.isnan(summary.minimum_s)
    assert math.isnan(summary.median_s)
    assert math.isnan(summary.maximum_s)
