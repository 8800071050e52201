"""Edges against a state machine written sample by sample, and against waveforms with known instants."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from analysis import edges as edges_module
from analysis.edges import Edges, burst_starts, crossing_positions, find_edges, line_edges


def scalar_schmitt(samples, low, high):
    """The state machine that `find_edges` must equal, one sample at a time."""
    state = None
    found = []
    for index, x in enumerate(samples):
        beyond = True if x > high else False if x < low else None
        if beyond is not None and beyond != state:
            if state is not None:
                found.append((index, beyond))
            state = beyond
    return found


volts = st.lists(st.one_of(st.integers(-6, 6).map(float), st.just(math.nan)), max_size=60)


@given(volts)
def test_edges_equal_those_of_the_scalar_state_machine(samples):
    found = find_edges(np.array(samples, dtype=np.float64), -2.0, 2.0)
    assert list(zip(found.positions.tolist(), found.rising.tolist(), strict=True)) == scalar_schmitt(samples, -2.0, 2.0)


@given(st.lists(st.integers(-6, 6), max_size=60), st.floats(-3.0, 0.0), st.floats(0.0, 3.0))
def test_integer_samples_against_fractional_thresholds_give_the_same_edges_as_floats(codes, low, high):
    from_codes = find_edges(np.array(codes, dtype=np.int16), low, high)
    from_floats = find_edges(np.array(codes, dtype=np.float64), low, high)
    assert_array_equal(from_codes.positions, from_floats.positions)
    assert_array_equal(from_codes.rising, from_floats.rising)


@given(volts, st.sampled_from([0.001, 0.25, 8.0, 1024.0]))
def test_scaling_samples_and_thresholds_keeps_every_edge(samples, factor):
    array = np.array(samples, dtype=np.float64)
    assert_array_equal(
        find_edges(array, -2.0, 2.0).positions, find_edges(array * factor, -2 * factor, 2 * factor).positions
    )


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int16])
def test_blocks_do_not_show_at_their_joints(monkeypatch, dtype):
    rng = np.random.default_rng(5)
    samples = (rng.integers(-6, 7, size=(300, 1)) + rng.integers(-2, 3, size=(300, 10))).ravel().astype(dtype)
    monkeypatch.setattr(edges_module, "BLOCK_SAMPLES", 7)
    found = find_edges(samples, -5.0, 5.0)
    assert list(zip(found.positions.tolist(), found.rising.tolist(), strict=True)) == scalar_schmitt(samples, -5.0, 5.0)
    assert len(found.positions) > 10


def test_hysteresis_of_eight_sigma_finds_the_true_edges_of_slow_noisy_ramps():
    rng = np.random.default_rng(11)
    ramp = np.concatenate([np.linspace(0.0, 1.0, 200), np.ones(50), np.linspace(1.0, 0.0, 200), np.zeros(50)])
    samples = np.tile(ramp, 100)
    samples = samples + 0.03 * rng.standard_normal(len(samples))
    assert len(find_edges(samples, 0.5 - 0.12, 0.5 + 0.12).positions) == 200
    assert len(find_edges(samples, 0.5, 0.5).positions) > 400


def test_reaching_a_threshold_for_the_first_time_is_no_edge():
    assert find_edges(np.array([1.5, 1.5, 3.0, 3.0]), 1.0, 2.0).positions.size == 0


def test_no_samples_have_no_edges():
    assert find_edges(np.empty(0), 1.0, 2.0).positions.size == 0


@pytest.mark.parametrize(("low", "high"), [(2.0, 1.0), (math.nan, 1.0)])
def test_crossed_thresholds_are_refused(low, high):
    with pytest.raises(ValueError, match="is not at or below high"):
        find_edges(np.zeros(3), low, high)


def test_instants_on_linear_ramps_are_exact_at_every_reference_level():
    # IEEE Std 181-2011, reference level instants: linear interpolation is exact on a straight transition
    samples = np.concatenate(
        [np.zeros(10), np.arange(1, 41) / 40.0, np.ones(10), 1.0 - np.arange(1, 81) / 80.0, np.zeros(5)]
    )
    found = find_edges(samples, 0.25, 0.75)
    for level in (0.1, 0.5, 0.9, 0.4321):
        instants = crossing_positions(samples, found, level)
        assert instants == pytest.approx([9 + 40 * level, 59 + 80 * (1.0 - level)], abs=1e-9)


def test_a_ramp_longer_than_any_search_stretch_is_followed_to_its_crossing():
    samples = np.concatenate([np.zeros(3), np.linspace(0.0, 1.0, 100_001)])
    found = find_edges(samples, 0.001, 0.999)
    assert crossing_positions(samples, found, 0.01) == pytest.approx([1003.0])


def test_a_level_beyond_the_waveform_has_no_instant():
    samples = np.array([0.0, 0.0, 1.0, 1.0, 0.0])
    assert np.isnan(crossing_positions(samples, find_edges(samples, 0.3, 0.7), 1.5)).all()
    assert np.isnan(crossing_positions(samples, find_edges(samples, 0.3, 0.7), -0.5)).all()


def test_line_edges_name_the_first_sample_of_the_new_state():
    line = np.array([False, True, True, False, True])
    found = line_edges(line)
    assert found.positions.tolist() == [1, 3, 4]
    assert found.rising.tolist() == [True, False, True]


def frames(*starts, length=10, n=1000):
    line = np.zeros(n, dtype=np.bool_)
    for start in starts:
        line[start : start + length : 3] = True  # dominant, recessive, recessive, as in a stuffed frame
    return line


def test_bursts_start_after_the_idle_time_and_not_within_a_frame():
    # 0.5 ms at 50 kS/s is 25 samples; the last dominant sample of a burst is 9 after its first
    line = frames(100, 300, 334, 368)
    assert burst_starts(line, 50_000.0, 0.0005).tolist() == [100, 300]
    assert burst_starts(frames(100, 135), 50_000.0, 0.0005).tolist() == [100, 135]


def test_a_record_that_begins_within_a_burst_does_not_invent_its_start():
    assert burst_starts(frames(0, 200), 50_000.0, 0.0005).tolist() == [200]
    assert burst_starts(frames(10, 200), 50_000.0, 0.0005).tolist() == [200]


def test_a_silent_line_has_no_bursts():
    assert burst_starts(np.zeros(100, dtype=np.bool_), 50_000.0, 0.0005).size == 0
    assert burst_starts(np.ones(100, dtype=np.bool_), 50_000.0, 0.0005).size == 0


def test_edges_unpack_into_positions_and_directions():
    positions, rising = find_edges(np.array([0.0, 3.0]), 1.0, 2.0)
    assert (positions.tolist(), rising.tolist()) == ([1], [True])
    assert isinstance(find_edges(np.zeros(2), 0.0, 1.0), Edges)
