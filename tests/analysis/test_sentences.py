"""Sentences: exact wording, digits from the uncertainty, one engineering unit per sentence, unknowns in words."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.finding import Finding
from analysis.sentences import (
    allowed_words,
    decimals_for,
    figures,
    finding_sentence,
    format_degrees_of_freedom,
    format_duration,
    format_probability,
    format_quantity,
    scale_for,
    verdict_sentence,
    verdict_words,
)
from analysis.verdict import Cause, Verdict

DROP = Finding(
    id="pitch.left.up.drop",
    procedure="pitch",
    function="pitch",
    title="Pitch up, left seat: drop",
    verdict=Verdict.PASS,
    cause=None,
    value=0.3104,
    quantity_unit="V",
    standard_uncertainty=0.014,
    high=0.6,
    margin=0.2896,
    expanded_uncertainty=0.028,
)
COUNT = Finding(
    id="d", procedure="p", function="f", title="Discrete 3", verdict=Verdict.PASS, cause=None, trials=20, failures=0
)


def test_a_measured_finding_reads_as_a_technician_says_it():
    assert finding_sentence(DROP) == (
        "Pitch up, left seat: drop 0.310 V, allowed up to 0.60 V, 0.290 V spare, +/- 0.028 V"
    )


def test_a_value_outside_says_on_which_side_and_by_how_much():
    high = replace(DROP, value=0.913, margin=-0.313, verdict=Verdict.FAIL)
    low = replace(DROP, value=0.05, low=0.1, high=0.6, margin=-0.05, verdict=Verdict.FAIL)
    assert finding_sentence(high).endswith("allowed up to 0.60 V, 0.313 V too high, +/- 0.028 V")
    assert finding_sentence(low).endswith("allowed 0.10 to 0.60 V, 0.050 V too low, +/- 0.028 V")


def test_a_lower_limit_alone_says_from_where_up():
    finding = replace(DROP, title="Discrete 1: hysteresis", value=1.0, low=0.3, high=math.inf, margin=0.7)
    assert finding_sentence(finding) == (
        "Discrete 1: hysteresis 1.000 V, allowed from 0.30 V up, 0.700 V spare, +/- 0.028 V"
    )


def test_a_title_that_ends_in_figures_is_parted_from_the_value():
    finding = replace(DROP, title="Quiescent current at 13.8 V", quantity_unit="A", value=0.1512)
    assert finding_sentence(finding).startswith("Quiescent current at 13.8 V: 0.151 A, ")


def test_one_sentence_keeps_one_engineering_unit():
    ground = replace(DROP, title="Ground:", quantity_unit="ohm", value=0.0061, high=0.02, margin=0.0139)
    ground = replace(ground, expanded_uncertainty=0.0026)
    assert finding_sentence(ground) == (
        "Ground: 6.1 milliohm, allowed up to 20 milliohm, 13.9 milliohm spare, +/- 2.6 milliohm"
    )


@pytest.mark.parametrize(
    ("unit", "magnitude", "word"),
    [
        ("V", 0.31, "V"),
        ("V", 0.0021, "mV"),
        ("V", 2e-5, "\N{MICRO SIGN}V"),
        ("A", 0.21, "A"),
        ("A", 0.0013, "mA"),
        ("s", 0.045, "ms"),
        ("s", 2.0, "s"),
        ("ohm", 0.02, "milliohm"),
        ("ohm", 9.0, "ohm"),
        ("ohm", 4700.0, "kohm"),
        ("F", 2.2e-3, "mF"),
        ("Hz", 240.0, "Hz"),
        ("%", 0.001, "%"),
        ("V", 0.0, "V"),
        ("V", math.nan, "V"),
    ],
)
def test_the_engineering_unit_fits_the_size(unit, magnitude, word):
    assert scale_for(unit, magnitude).word == word


@pytest.mark.parametrize(
    ("uncertainty", "decimals"), [(0.028, 3), (0.0996, 2), (0.0994, 3), (2.6, 1), (12.0, 0), (1234.0, 0), (9.96, 0)]
)
def test_digits_follow_two_significant_digits_of_the_uncertainty(uncertainty, decimals):
    # JCGM 100:2008, 7.2.6: at most two significant digits; input estimates rounded to be consistent with them
    assert decimals_for(uncertainty) == decimals


def test_an_unknown_value_is_not_measured_and_never_a_number():
    unknown = replace(
        DROP, value=math.nan, margin=math.nan, expanded_uncertainty=math.nan, verdict=Verdict.INCONCLUSIVE
    )
    assert finding_sentence(unknown) == "Pitch up, left seat: drop: not measured, allowed up to 0.6 V"
    assert format_quantity(math.nan, "A") == "not measured"
    assert format_quantity(math.inf, "A") == "not measured"


def test_an_unknown_uncertainty_says_so():
    assert finding_sentence(replace(DROP, expanded_uncertainty=math.nan)).endswith("uncertainty not known")
    assert finding_sentence(replace(DROP, expanded_uncertainty=math.inf)).endswith("uncertainty not known")


def test_what_was_not_run_says_not_run():
    assert finding_sentence(replace(DROP, verdict=Verdict.NOT_RUN)) == "Pitch up, left seat: drop: not run"


def test_a_distance_too_small_for_the_digits_still_shows():
    finding = replace(DROP, value=0.60004, margin=-0.00004)
    assert "0.00004 V too high" in finding_sentence(finding)
    assert "drop 0.60004 V" in finding_sentence(finding)


def test_a_limit_is_never_rounded_into_another_one():
    assert allowed_words(replace(DROP, high=0.6125, expanded_uncertainty=0.28)) == "up to 0.6125 V"


def test_minus_nothing_prints_as_nothing():
    assert format_quantity(-1e-9, "%", 0.5) == "0.00 %"


def test_counts_carry_their_tries_and_what_they_prove():
    # 1 - 0.05**(1/20) = 13.9 %: exact binomial bound for no event in 20 tries
    assert finding_sentence(COUNT) == "Discrete 3: never failed in 20 tries: rate below 14 % at 95 %"


def test_a_count_with_failures_says_how_many():
    assert finding_sentence(replace(COUNT, failures=3)) == "Discrete 3: held in 17 of 20 tries, not in 3"


def test_few_tries_claim_no_bound():
    assert finding_sentence(replace(COUNT, trials=19)) == "Discrete 3: held in 19 of 19 tries"
    assert finding_sentence(replace(COUNT, trials=2)) == "Discrete 3: held in 2 of 2 tries"
    assert finding_sentence(replace(COUNT, trials=1)) == "Discrete 3: held in the one try"
    assert finding_sentence(replace(COUNT, trials=1, failures=1)) == "Discrete 3: did not hold in the one try"
    assert finding_sentence(replace(COUNT, trials=0)) == "Discrete 3: not measured, no try counted"
    assert finding_sentence(replace(COUNT, failures=None)) == "Discrete 3: not known, 20 tries"


def test_a_bound_is_rounded_up():
    # 1 - 0.05**(1/59) = 4.951 %
    assert finding_sentence(replace(COUNT, trials=59)).endswith("below 5.0 % at 95 %")


def test_the_verdict_carries_what_was_not_tested():
    sentence = verdict_sentence(
        verdict=Verdict.PASS,
        cause=None,
        simulated=True,
        partial=False,
        tested=("Power", "Dimming"),
        not_tested=("Flaps", "LED lights"),
    )
    assert sentence == "pass (simulated) for 2 of 4 functions; not tested: flaps, LED lights"


def test_a_partial_run_never_reads_as_acceptance():
    sentence = verdict_sentence(
        verdict=Verdict.PASS, cause=None, simulated=False, partial=True, tested=("Power",), not_tested=()
    )
    assert sentence == "partial run: does not read as acceptance; pass for 1 of 1 functions"


def test_a_run_that_was_stopped_says_so_rather_than_that_it_is_partial():
    sentence = verdict_sentence(
        verdict=Verdict.INCONCLUSIVE,
        cause=Cause.UNDECIDED,
        simulated=False,
        partial=True,
        stopped=True,
        tested=("Power",),
        not_tested=(),
    )
    assert sentence == (
        "run stopped before its end: does not read as acceptance; inconclusive, cause: undecided; "
        "1 of 1 functions tested"
    )


def test_a_verdict_that_is_no_pass_names_its_cause():
    sentence = verdict_sentence(
        verdict=Verdict.INCONCLUSIVE,
        cause=Cause.BENCH,
        simulated=True,
        partial=False,
        tested=("Power",),
        not_tested=("Flaps",),
    )
    assert sentence == "inconclusive (simulated), cause: bench; 1 of 2 functions tested; not tested: flaps"
    assert verdict_words(Verdict.FAIL, simulated=False, cause=Cause.UNIT) == "fail, cause: unit"
    assert verdict_words(Verdict.PASS, simulated=False, cause=None) == "pass"


def test_probabilities_are_never_a_plain_hundred_or_none():
    assert format_probability(0.99999) == "> 99.9 %"
    assert format_probability(1e-9) == "< 0.1 %"
    assert format_probability(0.8413) == "84.1 %"
    assert format_probability(math.nan) == ""


@pytest.mark.parametrize(
    ("freedom", "printed"), [(1.0, "1"), (59.4, "59"), (1000.0, "1000"), (1000.1, "inf"), (4.2e14, "inf")]
)
def test_degrees_of_freedom_without_end_print_as_such(freedom, printed):
    assert format_degrees_of_freedom(freedom) == printed


def test_durations_read_in_seconds_and_from_two_minutes_on_in_minutes_too():
    assert format_duration(31.25) == "31.2 s"
    assert format_duration(1450.0) == "1450 s (24 min 10 s)"
    assert format_duration(math.nan) == "not known"


@given(
    value=st.floats(-1e4, 1e4),
    expanded=st.floats(1e-7, 1e3),
    unit=st.sampled_from(["V", "A", "s", "ohm", "F", "Hz", "%", ""]),
)
def test_a_printed_value_is_within_a_tenth_of_its_uncertainty(value, expanded, unit):
    finding = replace(DROP, value=value, quantity_unit=unit, high=math.inf, low=-2e4, expanded_uncertainty=expanded)
    finding = replace(finding, margin=math.nan)
    numbers = figures(finding)
    factor = scale_for(unit, value, -2e4).factor
    assert abs(float(numbers.value) * factor - value) <= max(0.1 * expanded, 1e-6 * factor)


@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(allow_nan=True, allow_infinity=True))
def test_no_number_breaks_a_sentence(value, expanded):
    sentence = finding_sentence(replace(DROP, value=value, expanded_uncertainty=expanded, margin=0.6 - value))
    assert "nan" not in sentence
    assert "inf" not in sentence
