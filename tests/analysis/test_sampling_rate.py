"""The rate to look at a PWM with: near no small ratio of its frequency, so that its periods average."""

import numpy as np
import pytest

from analysis.pwm import pwm
from analysis.sampling_rate import averaging_rate_hz

FASTEST_HZ = 50_000.0


def measured(rate_hz, *, duty=0.3337, frequency_hz=240.0, n_periods=72, phase=0.0):
    """What a noise-free PWM reads over so many periods."""
    n = int((n_periods + 1) * rate_hz / frequency_hz)
    high = (np.arange(n) * frequency_hz / rate_hz + phase) % 1.0 < duty
    return pwm(np.where(high, 13.8, 0.0), rate_hz, nominal_frequency_hz=frequency_hz, off_below=1.4, on_above=6.9)


def test_fifty_thousand_is_a_small_ratio_of_240_and_the_duty_says_so():
    found = measured(FASTEST_HZ)  # 625 / 3 samples per period: three phases, for ever
    assert not found.averaged
    assert found.u_duty == pytest.approx(0.5 * 240.0 / FASTEST_HZ, rel=1e-3)


@pytest.mark.parametrize("n_periods", [24, 72, 1000])
def test_the_rate_for_a_nominal_frequency_averages(n_periods):
    found = measured(averaging_rate_hz([240.0], FASTEST_HZ, n_periods), n_periods=n_periods)
    assert found.averaged
    assert found.u_duty < 0.2 * 0.5 * 240.0 / FASTEST_HZ


def test_the_stated_uncertainty_covers_the_error_at_every_phase_and_rate():
    rates_hz = (FASTEST_HZ, averaging_rate_hz([240.0], FASTEST_HZ, 72), 48_000.0)
    for rate_hz in rates_hz:
        for phase in np.linspace(0.0, 0.0049, 23):
            found = measured(rate_hz, phase=float(phase))
            assert abs(found.duty - 0.3337) <= 2.0 * found.u_duty + 1e-9


def test_the_rate_for_measured_frequencies_averages_all_of_them():
    frequencies_hz = [237.528, 244.941, 237.695, 236.692]
    rate_hz = averaging_rate_hz(frequencies_hz, FASTEST_HZ, 72)
    assert 0.96 * FASTEST_HZ <= rate_hz <= FASTEST_HZ
    assert all(measured(rate_hz, frequency_hz=frequency_hz).averaged for frequency_hz in frequencies_hz)


def test_rates_are_whole_hertz_so_that_every_daq_can_be_told_them():
    for frequencies_hz in ([240.0], [240.0, 251.3]):
        rate_hz = averaging_rate_hz(frequencies_hz, FASTEST_HZ, 72)
        assert rate_hz == int(rate_hz)
