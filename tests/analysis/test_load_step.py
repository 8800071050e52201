"""Steps of a load: what is read of one against what was put in."""

import numpy as np
import pytest

from analysis.load_step import step_response

RATE_HZ = 50_000.0
TIMES_S = np.arange(2500) / RATE_HZ


def response(volts, amps):
    return step_response(volts, amps, sample_rate_hz=RATE_HZ, near_v=0.1)


def stepped(before_a=0.4, after_a=3.6, at_s=0.018, lasts_s=0.0):
    return before_a + (after_a - before_a) * np.clip((TIMES_S - at_s) / max(lasts_s, 1e-9), 0.0, 1.0)


def dipped(depth_v, tau_s=0.0003, at_s=0.018):
    since_s = TIMES_S - at_s
    return 12.5 - np.where(since_s >= 0.0, depth_v * np.exp(-np.maximum(since_s, 0.0) / tau_s), 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_dip_and_a_rise_are_read_as_deep_and_as_long_as_they_are(sign):
    amps = stepped() if sign > 0.0 else stepped(3.6, 0.4)
    found = response(12.5 + sign * (dipped(0.5) - 12.5), amps)
    assert 0.0 <= 0.5 - found.departure_v <= found.between_v + 0.003 < 0.04
    # 0.5 exp(-t / 0.3 ms) = 0.1
    assert found.recovered_s == pytest.approx(0.0003 * np.log(5.0), abs=3.0 / RATE_HZ)
    assert (found.before_a, found.after_a) == pytest.approx((amps[0], amps[-1]))
    assert found.lasted_s == 0.0


def test_a_slow_step_is_known_by_how_long_it_took():
    assert response(dipped(0.1), stepped(lasts_s=0.002)).lasted_s == pytest.approx(0.8 * 0.002, abs=2.0 / RATE_HZ)


def test_an_output_that_rings_on_never_recovers():
    volts = 12.5 + np.where(TIMES_S >= 0.018, 0.3 * np.sin(2.0 * np.pi * 700.0 * TIMES_S), 0.0)
    found = response(volts, stepped())
    assert found.recovered_s > 0.030
    assert found.departure_v == pytest.approx(0.3, abs=0.01)


def test_what_stays_near_has_recovered_at_once_and_is_no_negative_dip():
    found = response(np.full(2500, 12.5), stepped())
    assert (found.departure_v, found.recovered_s) == (0.0, 0.0)


@pytest.mark.parametrize("amps", [np.full(2500, 0.4), stepped(at_s=0.0001)])
def test_no_step_or_one_at_the_very_beginning_gives_nothing(amps):
    assert response(np.full(2500, 12.5), amps) is None


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="20 samples or more"):
        step_response(np.zeros(5), np.zeros(5), sample_rate_hz=RATE_HZ, near_v=0.1)
