"""Line fit and statistics against certified values of NIST's Statistical Reference Datasets (StRD, public domain).

How many digits are right is told by the log relative error, -log10(|found - certified| / |certified|), as StRD itself
proposes; an exact value has 15 here, which is all a double can show.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.line_fit import fit_line
from analysis.linearity import linearity
from analysis.moments import Moments, merged, moments
from analysis.reading import noise_of_mean

# NIST StRD, linear regression, Norris: calibration of ozone monitors, 36 points, lower level of difficulty.
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 "
    "998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)
NORRIS = {  # certified
    "offset": -0.262323073774029,
    "u_offset": 0.232818234301152,
    "slope": 1.00211681802045,
    "u_slope": 0.429796848199937e-03,
    "residual_sd": 0.884796396144373,
}

# NIST StRD, univariate, NumAcc1 to 4: data, certified mean, standard deviation, and the digits of the deviation that
# the data leave in a double (2.2e-16 of 1e7 is 2e-9, and the scatter is 0.1).
NUM_ACC = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 15),
    "NumAcc2": ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 14),
    "NumAcc3": ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 9),
    "NumAcc4": ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 8),
}


def digits(found, certified):
    """Return the log relative error."""
    return 15.0 if found == certified else min(15.0, -math.log10(abs(found - certified) / abs(certified)))


def numbers(text):
    return np.array([float(word) for word in text.split()])


@pytest.mark.parametrize("what", NORRIS)
def test_the_line_through_norris_has_twelve_digits_of_nists(what):
    fit = fit_line(numbers(NORRIS_X), numbers(NORRIS_Y))
    assert digits(getattr(fit, what), NORRIS[what]) >= 12.0


def test_a_line_far_from_zero_keeps_its_slope():
    x = 1e7 + np.arange(10.0)
    assert digits(fit_line(x, 3.0 * x - 2.9e7).slope, 3.0) >= 13.0


@pytest.mark.parametrize(("x", "y"), [([1.0], [1.0]), ([2.0, 2.0], [1.0, 3.0]), ([1.0, 2.0], [1.0])])
def test_what_has_no_line_is_refused(x, y):
    with pytest.raises(ValueError, match="fit_line"):
        fit_line(np.array(x), np.array(y))


def test_two_points_have_a_line_and_no_scatter():
    fit = fit_line(np.array([0.0, 2.0]), np.array([1.0, 5.0]))
    assert (fit.slope, fit.offset) == (2.0, 1.0)
    assert math.isnan(fit.residual_sd)


@pytest.mark.parametrize("length", [1, 2, 7, 64, 1001])
@pytest.mark.parametrize("name", NUM_ACC)
def test_mean_and_deviation_of_numacc_in_blocks_of_any_length(name, length):
    data, mean, sd, sd_digits = NUM_ACC[name]
    values = np.array(data)
    found = merged([moments(values[first : first + length]) for first in range(0, len(values), length)])
    assert found.n == len(data)
    assert digits(found.mean, mean) >= 14.0
    assert digits(found.sd, sd) >= sd_digits


def test_one_pass_over_squares_fails_where_this_does_not():
    values = np.array(NUM_ACC["NumAcc4"][0])
    one_pass = (float(values @ values) - len(values) * float(values.mean()) ** 2) / (len(values) - 1)
    assert one_pass < 0.0 or digits(math.sqrt(one_pass), 0.1) < 1.0


@pytest.mark.parametrize("name", ["NumAcc2", "NumAcc3", "NumAcc4"])
def test_the_noise_of_a_mean_is_numaccs_deviation_over_root_n(name):
    data, _, sd, sd_digits = NUM_ACC[name]
    noise, degrees_of_freedom = noise_of_mean(np.array(data))
    assert degrees_of_freedom == len(data) - 1
    assert digits(noise, sd / math.sqrt(len(data))) >= sd_digits


def test_moments_of_nothing_count_for_nothing():
    one = moments(np.array([3.0]))
    assert Moments().merged(one) == one.merged(Moments()) == merged([Moments(), one]) == one
    assert math.isnan(one.sd)
    assert merged([]) == Moments()


def test_a_sample_that_is_no_number_leaves_none():
    assert math.isnan(moments(np.array([1.0, math.nan, 2.0])).sd)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=60), st.integers(1, 60))
def test_blocks_come_to_the_same_as_two_passes(data, length):
    values = np.array(data)
    found = merged([moments(values[first : first + length]) for first in range(0, len(values), length)])
    assert found.mean == pytest.approx(float(values.mean()), abs=1e-9)
    assert found.sd == pytest.approx(float(values.std(ddof=1)), rel=1e-9, abs=1e-7)


def test_norris_taken_for_a_staircase_has_the_same_best_line():
    order = np.argsort(numbers(NORRIS_X))
    levels = numbers(NORRIS_Y)[order]
    fit = fit_line(np.arange(36.0), levels)
    assert (linearity(levels).best_slope, linearity(levels).best_offset) == (fit.slope, fit.offset)
