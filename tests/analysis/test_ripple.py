"""Ripple: peak to peak and spectrum against sines that were put in, and against scipy's spectrum."""

import numpy as np
import pytest
from scipy.signal import periodogram

from analysis.ripple import ripple_of

RATE_HZ = 50_000.0
TIMES_S = np.arange(5000) / RATE_HZ


def noisy(values, sigma, key=1):
    return values + np.random.Generator(np.random.Philox(key=key)).normal(0.0, sigma, values.size)


@pytest.mark.parametrize(("peak_to_peak", "hz"), [(0.24, 1200.0), (0.05, 9130.0), (0.12, 21_000.0)])
def test_a_sine_is_found_where_and_as_high_as_it_is(peak_to_peak, hz):
    values = noisy(12.5 + 0.5 * peak_to_peak * np.sin(2.0 * np.pi * hz * TIMES_S), 0.001)
    found = ripple_of(values, sample_rate_hz=RATE_HZ, noise=0.001)
    assert abs(found.peak_to_peak - peak_to_peak) <= found.noise_bound
    assert found.component_hz == pytest.approx(hz, abs=found.resolution_hz)
    assert found.component_peak_to_peak == pytest.approx(peak_to_peak, rel=0.15)
    assert found.highest_hz == 25_000.0


def test_noise_alone_is_next_to_no_ripple():
    for key in range(20):
        found = ripple_of(noisy(np.full(5000, 12.5), 0.001, key), sample_rate_hz=RATE_HZ, noise=0.001)
        assert found.peak_to_peak - found.noise_bound < 0.001


def test_the_spectrum_is_that_of_scipy():
    values = noisy(np.sin(2.0 * np.pi * 3000.0 * TIMES_S) + 0.3 * np.sin(2.0 * np.pi * 777.0 * TIMES_S), 0.01)
    found = ripple_of(values, sample_rate_hz=RATE_HZ, noise=0.01)
    hz, power = periodogram(values, RATE_HZ, window="hann", detrend="linear", scaling="spectrum")
    assert found.frequencies_hz == pytest.approx(hz)
    # one-sided power of a sine of amplitude A is A^2 / 2
    assert found.amplitudes[1:-1] == pytest.approx(2.0 * np.sqrt(2.0 * power[1:-1]), rel=1e-6, abs=1e-9)


def test_a_slow_drift_is_no_component():
    values = noisy(12.5 + 0.2 * TIMES_S / TIMES_S[-1] + 0.01 * np.sin(2.0 * np.pi * 5000.0 * TIMES_S), 0.001)
    assert ripple_of(values, sample_rate_hz=RATE_HZ, noise=0.001).component_hz == pytest.approx(5000.0, abs=20.0)


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="16 samples or more"):
        ripple_of(np.zeros(3), sample_rate_hz=RATE_HZ, noise=0.0)
