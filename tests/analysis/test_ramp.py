"""Ramp thresholds against a simulated unit that looks now and then and reacts late."""

import math

import numpy as np
import pytest

from analysis.ramp import threshold_on_ramp
from analysis.uncertainty import difference, exact


def test_the_bias_of_rate_times_delay_and_half_a_sample_is_taken_off():
    # r = -0.5 V/s, tau = 20 ms, Ts = 10 ms: bias -12.5 mV, sd 1.443 mV
    threshold = threshold_on_ramp(exact(7.9875), rate_v_per_s=-0.5, delay_s=0.020, sample_interval_s=0.010)
    assert threshold.value == pytest.approx(8.0)
    assert threshold.standard_uncertainty == pytest.approx(1.443e-3, abs=1e-6)


@pytest.mark.parametrize("rate", [-0.5, 0.5])
def test_a_simulated_ramp_is_corrected_without_bias_and_scatters_as_claimed(rate):
    rng = np.random.default_rng(7)
    crossing_s = rng.random(4000)
    seen_s = np.ceil((crossing_s + 0.020) / 0.010 + (phase := rng.random(4000))) * 0.010 - phase * 0.010
    seen_v = 8.0 + rate * (seen_s - crossing_s)
    found = [threshold_on_ramp(exact(v), rate_v_per_s=rate, delay_s=0.020, sample_interval_s=0.010) for v in seen_v]
    errors = np.array([threshold.value for threshold in found]) - 8.0
    assert errors.mean() == pytest.approx(0.0, abs=1e-4)
    assert errors.std() == pytest.approx(found[0].standard_uncertainty, rel=0.06)


def test_the_bound_of_the_delay_enters_the_budget():
    threshold = threshold_on_ramp(exact(8.0), rate_v_per_s=-0.5, delay_s=0.020, delay_bound_s=0.005)
    assert threshold.standard_uncertainty == pytest.approx(0.5 * 0.005 / math.sqrt(3.0))


def test_two_ramps_do_not_share_their_errors():
    fall = threshold_on_ramp(exact(8.0), rate_v_per_s=-0.5, sample_interval_s=0.01, name="fall")
    rise = threshold_on_ramp(exact(8.8), rate_v_per_s=0.5, sample_interval_s=0.01, name="rise")
    assert difference(rise, fall).standard_uncertainty == pytest.approx(math.sqrt(2.0) * 0.5 * 0.01 / math.sqrt(12.0))


def test_two_rates_drawn_out_to_none_agree_with_the_correction_whatever_the_delay():
    # With r1 and r2 the raw readings are V + r (tau + Ts / 2); the line through them meets r = 0 at V exactly.
    slow, fast, delay_s, sampled_s = -0.5, -2.0, 0.020, 0.010
    raw = {rate: 8.0 + rate * (delay_s + 0.5 * sampled_s) for rate in (slow, fast)}
    drawn_out = (fast * raw[slow] - slow * raw[fast]) / (fast - slow)
    assert drawn_out == pytest.approx(8.0, abs=1e-12)
    for rate, volts in raw.items():
        found = threshold_on_ramp(exact(volts), rate_v_per_s=rate, delay_s=delay_s, sample_interval_s=sampled_s)
        assert found.value == pytest.approx(drawn_out, abs=1e-12)
