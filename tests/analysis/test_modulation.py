"""Slow modulation of a level, and the duty of a PWM period by period."""

import math

import numpy as np
import pytest

from analysis.modulation import block_means, duty_series, modulation

RATE_HZ = 240.0


def series(amplitude, frequency_hz, *, noise=0.0, n=1080, key=1):
    times_s = np.arange(n) / RATE_HZ
    scatter = np.random.Generator(np.random.Philox(key=key)).normal(0.0, 1.0, n)
    return 0.5 + amplitude * np.sin(2.0 * np.pi * frequency_hz * times_s + 0.7) + noise * scatter


@pytest.mark.parametrize("frequency_hz", [0.5, 3.0, 5.03, 9.91, 29.9])
def test_a_sine_is_found_with_its_amplitude_and_frequency_between_bins_too(frequency_hz):
    found = modulation(series(0.03, frequency_hz), RATE_HZ, lowest_hz=0.45, highest_hz=30.0)
    assert found.amplitude == pytest.approx(0.03, rel=0.01)
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=0.05)


def test_a_steady_drift_is_no_line():
    drift = np.linspace(0.0, 0.01, 1080)
    assert modulation(drift, RATE_HZ, lowest_hz=1.5, highest_hz=30.0).amplitude < 2e-4


def test_what_lies_outside_the_band_does_not_count():
    found = modulation(series(0.03, 60.0), RATE_HZ, lowest_hz=0.5, highest_hz=30.0)
    assert found.amplitude < 1e-4


def test_the_amplitude_scatters_by_its_stated_uncertainty():
    found = [
        modulation(series(0.03, 5.0, noise=0.01, key=key), RATE_HZ, lowest_hz=4.0, highest_hz=6.0) for key in range(300)
    ]
    assert np.std([line.amplitude for line in found]) == pytest.approx(found[0].u_amplitude, rel=0.2)


def test_two_cycles_of_the_lowest_frequency_are_needed():
    short = modulation(series(0.03, 5.0, n=900), RATE_HZ, lowest_hz=0.5, highest_hz=30.0)
    assert math.isnan(short.amplitude)


@pytest.mark.parametrize(("lowest_hz", "highest_hz"), [(0.0, 30.0), (30.0, 5.0), (1.0, 121.0)])
def test_an_impossible_band_is_refused(lowest_hz, highest_hz):
    with pytest.raises(ValueError, match="no band"):
        modulation(series(0.0, 1.0), RATE_HZ, lowest_hz=lowest_hz, highest_hz=highest_hz)


def pulsed(duty, *, rate_hz=50_000.0, frequency_hz=240.0, duration_s=0.5):
    times_s = np.arange(round(rate_hz * duration_s)) / rate_hz
    return np.where((times_s * frequency_hz) % 1.0 < duty(times_s), 13.8, 0.0)


def test_every_duty_is_right_within_one_sample():
    found = duty_series(pulsed(lambda _: 0.333), 50_000.0)
    assert found.rate_hz == pytest.approx(240.0, abs=0.1)
    assert found.resolution == pytest.approx(240.0 / 50_000.0, rel=1e-3)
    assert np.abs(found.duties - 0.333).max() <= found.resolution
    assert found.duties.size == 118


def test_a_duty_that_wanders_shows_as_a_line():
    samples = pulsed(lambda times_s: 0.5 + 0.03 * np.sin(2.0 * np.pi * 5.0 * times_s), duration_s=4.5)
    found = duty_series(samples, 50_000.0)
    line = modulation(found.duties, found.rate_hz, lowest_hz=0.5, highest_hz=30.0)
    assert line.amplitude == pytest.approx(0.03, abs=0.001)
    assert line.frequency_hz == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("samples", [np.empty(0), np.full(100, 13.8), np.array([0.0, 13.8, 0.0, 13.8, 13.8])])
def test_what_has_no_two_periods_has_no_duties(samples):
    assert duty_series(samples, 50_000.0).duties.size == 0


def test_block_means_drop_what_is_left_over():
    assert block_means(np.array([1.0, 3.0, 5.0, 7.0, 100.0]), 2).tolist() == [2.0, 6.0]
