from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from instruments.simulated.noise import BLOCK_SAMPLES, GaussianNoise, philox_key, uniform


def taken(noise, first_sample, n_samples):
    samples = np.empty(n_samples, np.float32)
    noise.fill(samples, first_sample)
    return samples


def test_a_key_depends_on_every_part_and_on_where_the_parts_end():
    keys = {
        philox_key(1, "daq", "trim", 1),
        philox_key(2, "daq", "trim", 1),
        philox_key(1, "daq", "trim", 2),
        philox_key(1, "daqtrim", "", 1),
        philox_key(1, "daq", "trim", "1"),
        philox_key(1, "daq", "trim"),
    }
    assert len(keys) == 6
    assert all(0 <= key < 2**128 for key in keys)


def test_a_key_is_the_same_in_every_run_and_on_every_machine():
    assert philox_key(1, "daq", "trim", 1) == philox_key(1, "daq", "trim", 1)
    assert f"{philox_key(7, 'x'):032x}" == "a4229fb117cfc828aa2436aa55aded2b"


@settings(deadline=None)
@given(st.integers(0, 3 * BLOCK_SAMPLES), st.lists(st.integers(1, 3000), min_size=1, max_size=5))
def test_slices_are_cut_out_of_one_and_the_same_noise(first, lengths):
    whole = taken(GaussianNoise(1, "x"), first, sum(lengths))
    sliced = GaussianNoise(1, "x")
    edges = np.cumsum([first, *lengths]).tolist()
    pieces = [taken(sliced, start, end - start) for start, end in pairwise(edges)]
    assert np.array_equal(np.concatenate(pieces), whole)


def test_taking_noise_again_or_backwards_changes_nothing():
    noise = GaussianNoise(1, "x")
    late, early = taken(noise, 9000, 100), taken(noise, 0, 100)
    late *= 0
    assert np.array_equal(taken(noise, 0, 100), early)
    assert taken(noise, 9000, 100).any()


def test_noise_is_white_gaussian_with_rms_one():
    n_samples = 100_000
    noise = taken(GaussianNoise(1, "x"), 0, n_samples).astype(float)
    assert abs(noise.mean()) < 4 / np.sqrt(n_samples)
    assert noise.std() == pytest.approx(1, abs=4 / np.sqrt(2 * n_samples))
    assert abs(np.mean(noise**4) - 3) < 4 * np.sqrt(96 / n_samples)  # the fourth moment of a Gaussian is 3
    for lag in (1, 7, BLOCK_SAMPLES):
        assert abs(np.mean(noise[lag:] * noise[:-lag])) < 4 / np.sqrt(n_samples - lag)


def test_noise_follows_the_normal_distribution_into_its_tails():
    n_samples = 1_000_000
    noise = taken(GaussianNoise(3, "x"), 0, n_samples).astype(float)
    for level in (0.0, 1.0, 3.0, 4.2, 4.5):  # the last two lie in the outermost slices
        beyond = 2.0 * norm.sf(level) * n_samples
        assert abs(np.count_nonzero(np.abs(noise) > level) - beyond) <= 4 * np.sqrt(beyond) + 1


def test_uniform_draws_lie_in_their_interval_and_differ():
    draws = [uniform(1, "lost", n) for n in range(500)]
    assert len(set(draws)) == 500
    assert 0 <= min(draws) < 0.02
    assert 0.98 < max(draws) < 1
