"""Linearity of a staircase, in the vocabulary of IEEE Std 1241, on series worked by hand."""

import numpy as np
import pytest

from analysis.linearity import linearity, steps_back

# Ten steps of 10, one of them falling: a series worked out beforehand, by hand and with numpy.
SERIES = (0.0, 9.5, 20.4, 29.8, 41.0, 50.2, 59.0, 70.5, 81.0, 79.9, 100.0)


def test_the_worked_series_gives_its_dnl_step_by_step():
    found = linearity(SERIES)
    assert found.lsb == 10.0
    assert found.dnl == pytest.approx([-0.05, 0.09, -0.06, 0.12, -0.08, -0.12, 0.15, 0.05, -1.11, 1.01])
    assert found.worst_dnl == pytest.approx(-1.11)


def test_inl_is_the_running_sum_of_dnl_and_zero_at_both_ends():
    found = linearity(SERIES)
    assert found.inl[1:] == pytest.approx(np.cumsum(found.dnl))
    assert (found.inl[0], found.inl[-1]) == (0.0, 0.0)
    assert found.worst_inl == pytest.approx(-1.01)


def test_the_worked_series_is_not_monotonic_and_a_gentler_one_is():
    assert not linearity(SERIES).monotonic
    assert linearity((*SERIES[:9], 85.0, 100.0)).monotonic


def test_the_best_line_through_the_worked_series():
    found = linearity(SERIES)
    assert found.best_slope == pytest.approx(9.66182, abs=1e-5)
    assert found.best_offset == pytest.approx(0.9)
    assert found.best_residual == pytest.approx(7.956, abs=1e-3)


def test_a_falling_staircase_is_as_linear_as_its_mirror_image():
    up, down = linearity(SERIES), linearity([-level for level in SERIES])
    assert down.lsb == -up.lsb
    assert down.dnl == pytest.approx(up.dnl)


@pytest.mark.parametrize("levels", [(0.0, 1.0), (0.0, float("nan"), 2.0), (1.0, 2.0, 1.0)])
def test_what_has_no_line_is_refused(levels):
    with pytest.raises(ValueError, match="linearity"):
        linearity(levels)


def test_a_fall_is_called_one_only_beyond_k_root_two_u():
    u = 0.1
    least = 2.0 * np.sqrt(2.0) * u
    assert steps_back([0.0, 1.0, 1.0 - 1.01 * least, 3.0], u).tolist() == [1]
    assert steps_back([0.0, 1.0, 1.0 - 0.99 * least, 3.0], u).size == 0
    assert steps_back([0.0, 1.0, 1.0 - 0.99 * least, 3.0], u, coverage_factor=1.0).tolist() == [1]


def test_noise_on_a_flat_stretch_is_hardly_ever_a_fall():
    noise = np.random.Generator(np.random.Philox(key=3)).normal(0.0, 0.1, 10_001)
    assert steps_back(noise, 0.1).size / 10_000 == pytest.approx(0.0228, abs=0.006)  # beyond 2 sigma, one side
    assert np.count_nonzero(np.diff(noise) < 0.0) > 4000


def test_a_level_that_is_no_number_is_no_fall():
    assert steps_back([0.0, float("nan"), 0.5], 0.1).size == 0
