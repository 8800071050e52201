"""Pulse parameters on waveforms whose parameters are known exactly."""

import math

import numpy as np
import pytest

from analysis.pulse import level_edges, shorth, state_levels, transition_samples
from analysis.pwm import pwm


def step_response(tau_samples, n=20_000, lead=2000):
    t = np.arange(n) - lead
    return np.where(t < 0, 0.0, 1.0 - np.exp(-np.maximum(t, 0) / tau_samples))


def transitions(samples):
    """Return the transition durations of a record, in samples."""
    levels = state_levels(samples)
    return transition_samples(samples, level_edges(samples, levels), levels)


def test_first_order_step_rises_from_ten_to_ninety_per_cent_in_ln_9_tau():
    # ln 9 tau = 2.1972245773 tau, exact; linear interpolation errs by about (Ts/tau)^2/8
    (duration,) = transitions(step_response(500.0))
    assert duration == pytest.approx(2.1972245773 * 500.0, rel=1e-5)


def test_trapezoid_rises_from_ten_to_ninety_per_cent_in_four_fifths_of_its_ramp():
    # 0.8 t_r, exact
    samples = np.concatenate([np.full(400, 1.0), np.linspace(1.0, 11.0, 101), np.full(400, 11.0)])
    (duration,) = transitions(samples)
    assert duration == pytest.approx(0.8 * 100, rel=1e-12)


def trapezoids(n_periods, period, ramp, duration, phase=0.0):
    """Unit trapezoids, mesial pulse duration `duration`, in samples; the first mesial rise at period / 2 + phase."""
    t = np.arange(round(n_periods * period))
    since_rise = (t - period / 2 - phase + ramp / 2) % period
    up = np.clip(since_rise / ramp, 0.0, 1.0)
    down = np.clip((since_rise - duration) / ramp, 0.0, 1.0)
    return up - down


def measured(samples):
    """Measure as PWM at one sample a second."""
    return pwm(samples, 1.0, nominal_frequency_hz=1.0 / 400.0, off_below=0.1, on_above=0.9)


def test_period_duration_and_duty_of_trapezoids_are_exact():
    # IEEE Std 181-2011: pulse duration and period between mesial instants
    found = measured(trapezoids(6, 400.5, 20.0, 133.25, phase=0.37))
    assert found.n_periods == 5
    assert found.samples_per_period == pytest.approx(400.5, abs=1e-9)
    assert found.duty * found.samples_per_period == pytest.approx(133.25, abs=1e-9)


def test_a_record_that_begins_high_still_pairs_rises_with_falls():
    found = measured(1.0 - trapezoids(4, 400.0, 20.0, 100.0))
    assert found.duty * found.samples_per_period == pytest.approx(300.0, abs=1e-9)


def ringing_square():
    """1 to 11 V, damping 0.3, ringing at 5 kHz, half period 2 ms, 1 us samples, 20 mV rms noise."""
    zeta, natural = 0.3, 2 * math.pi * 5000.0
    damped = natural * math.sqrt(1 - zeta**2)
    t = np.arange(2000) * 1e-6
    ring = np.exp(-zeta * natural * t) * (np.cos(damped * t) + zeta / math.sqrt(1 - zeta**2) * np.sin(damped * t))
    up, down = 11.0 - 10.0 * ring, 1.0 + 10.0 * ring
    samples = np.tile(np.concatenate([up, down]), 4)
    return samples + 0.02 * np.random.default_rng(3).standard_normal(len(samples))


def test_median_and_shorth_are_robust_against_ringing():
    # shorth 1.0005 / 10.9991 and median 1.0002 / 11.0001 were found for this waveform; the mean errs by 12 and 30 mV
    samples = ringing_square()
    for levels in (state_levels(samples), state_levels(samples, shorth)):
        assert levels.low == pytest.approx(1.0, abs=0.003)
        assert levels.high == pytest.approx(11.0, abs=0.003)
    assert samples[samples > 6.0].mean() > 11.02


def test_ringing_and_noise_make_no_extra_edges():
    samples = ringing_square()
    assert len(level_edges(samples, state_levels(samples)).positions) == 8  # it begins on its way up


def test_the_level_of_a_gaussian_state_scatters_as_its_uncertainty_says():
    rng = np.random.default_rng(8)
    errors = []
    for _ in range(400):
        samples = np.concatenate([np.zeros(300), np.full(300, 10.0)]) + 0.1 * rng.standard_normal(600)
        levels = state_levels(samples)
        errors.append(levels.high - 10.0)
    assert np.std(errors) == pytest.approx(levels.u_high, rel=0.2)


def test_a_constant_record_has_equal_levels_and_no_edges():
    levels = state_levels(np.full(100, 4.2))
    assert (levels.low, levels.high, levels.noise) == (4.2, 4.2, 0.0)
    assert level_edges(np.full(100, 4.2), levels).positions.size == 0


def test_nan_samples_make_every_level_nan():
    assert math.isnan(state_levels(np.array([0.0, math.nan, 5.0])).high)


def test_levels_of_nothing_are_refused():
    with pytest.raises(ValueError, match="the stretch is empty"):
        state_levels(np.empty(0))


def test_shorth_is_the_mean_of_the_closest_majority():
    assert shorth(np.array([0.0, 9.0, 10.0, 10.5, 30.0])) == pytest.approx((9.0 + 10.0 + 10.5) / 3)
