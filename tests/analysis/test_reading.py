"""Means of capture stretches: bound, noise, and every doubt that a stretch can raise."""

import math

import numpy as np
import pytest

from analysis.capture import Gap
from analysis.reading import at_channel, mean_reading, noise_of_mean, stretch_doubts
from analysis.uncertainty import difference
from analysis.verdict import Cause

BOUND_AT_12_V = (0.0005 * 12.0 + 0.010) / math.sqrt(3.0)


def white(n=1000, level=12.0, sigma=0.05, seed=1):
    return level + sigma * np.random.default_rng(seed).standard_normal(n)


def test_a_reading_is_the_mean_with_bound_and_noise(make_capture):
    reading = mean_reading(make_capture({"unit.voltage": white()}), "unit.voltage")
    assert reading.value == pytest.approx(12.0, abs=0.006)
    assert reading.u_bound == pytest.approx(BOUND_AT_12_V, rel=1e-3)
    assert reading.u_noise == pytest.approx(0.05 / math.sqrt(1000), rel=0.6)
    assert reading.standard_uncertainty == pytest.approx(math.hypot(reading.u_bound, reading.u_noise))
    assert (reading.n, reading.doubts, reading.captures) == (1000, (), ("window",))


def test_a_stretch_is_cut_by_capture_time(make_capture):
    steps = np.repeat([1.0, 5.0], 500)
    reading = mean_reading(make_capture({"v": steps}), "v", 0.5, 1.0)
    assert reading.value == pytest.approx(5.0, abs=0.001)
    assert reading.n == 500


def test_slow_noise_is_not_averaged_as_if_white():
    rng = np.random.default_rng(2)
    t = np.arange(1000) / 10_000.0
    phases = 2 * math.pi * rng.random(300)
    # 13 Hz in a 0.1 s window: its mean is off by far more than s / sqrt(n)
    means, claims = [], []
    for phase in phases:
        values = np.sin(2 * math.pi * 13.0 * t + phase)
        means.append(values.mean())
        claims.append(noise_of_mean(values)[0])
    assert math.sqrt(np.mean(np.square(means))) < 2.0 * math.sqrt(np.mean(np.square(claims)))
    assert min(claims) > 5.0 / math.sqrt(2.0) / math.sqrt(1000)


def test_white_noise_is_claimed_within_its_own_scatter():
    rng = np.random.default_rng(3)
    trials = [rng.standard_normal(400) for _ in range(400)]
    scatter = np.std([values.mean() for values in trials])
    claimed = math.sqrt(np.mean([noise_of_mean(values)[0] ** 2 for values in trials]))
    assert scatter < claimed < 1.4 * scatter


def test_a_converter_that_hides_the_noise_leaves_its_step():
    assert noise_of_mean(np.full(100, 3.0), resolution=0.001)[0] == pytest.approx(0.001 / math.sqrt(12.0))
    assert noise_of_mean(np.array([3.0]), resolution=0.001)[0] == pytest.approx(0.001 / math.sqrt(12.0))


def test_readings_of_one_channel_share_gain_and_offset(make_capture):
    capture = make_capture({"v": np.repeat([8.6, 8.1], 500)})
    span = difference(mean_reading(capture, "v", 0.0, 0.5), mean_reading(capture, "v", 0.5, 1.0))
    quantisation = 40.0 / 32768.0 / math.sqrt(12.0)
    assert span.standard_uncertainty == pytest.approx(
        math.hypot(0.0005 * 0.5 / math.sqrt(3.0), quantisation, quantisation), rel=0.01
    )


def test_readings_of_two_channels_do_not(make_capture):
    capture = make_capture({"a": np.full(500, 12.0), "b": np.full(500, 12.0)})
    span = difference(mean_reading(capture, "a"), mean_reading(capture, "b"))
    assert span.standard_uncertainty == pytest.approx(math.sqrt(2.0) * BOUND_AT_12_V, rel=0.01)


def test_a_value_read_otherwise_gets_the_channels_bound(make_capture):
    channel = make_capture({"v": np.zeros(10)}).channels["v"]
    estimate = at_channel(channel, 12.0, u_noise=0.002, capture="ramp")
    assert estimate.standard_uncertainty == pytest.approx(math.hypot(BOUND_AT_12_V, 0.002))
    assert estimate.captures == ("ramp",)


def test_lost_samples_are_left_out_and_doubted(make_capture):
    volts = np.full(1000, 12.0)
    volts[100:200] = 0.0
    capture = make_capture({"v": volts}, gaps=[Gap(first_sample=100, n_samples=100)])
    reading = mean_reading(capture, "v")
    assert reading.value == pytest.approx(12.0, abs=0.001)
    assert [doubt.cause for doubt in reading.doubts] == [Cause.BENCH]
    assert "were lost" in reading.doubts[0].reason
    assert mean_reading(capture, "v", 0.3, 0.9).doubts == ()


def test_a_stretch_lost_entirely_has_no_value(make_capture):
    capture = make_capture({"v": np.zeros(100)}, gaps=[Gap(first_sample=0, n_samples=100)])
    reading = mean_reading(capture, "v")
    assert math.isnan(reading.value)
    assert reading.doubts


@pytest.mark.parametrize("end", [50.0, -50.0])
def test_clipping_at_either_end_is_doubted(make_capture, end):
    volts = np.full(100, 12.0)
    volts[50] = end
    (doubt,) = stretch_doubts(make_capture({"v": volts}), "v")
    assert doubt.cause is Cause.BENCH
    assert "clipped" in doubt.reason
    assert "daq v" in doubt.next_step


def test_a_stretch_beyond_the_record_is_doubted(make_capture):
    reading = mean_reading(make_capture({"v": np.full(100, 12.0)}), "v", 0.0, 0.2)
    assert "does not hold" in reading.doubts[0].reason
    empty = mean_reading(make_capture({"v": np.full(100, 12.0)}), "v", 0.5, 0.6)
    assert math.isnan(empty.value)
    assert len(empty.doubts) == 2


def test_fewer_than_ten_samples_are_doubted(make_capture):
    (doubt,) = mean_reading(make_capture({"v": np.full(100, 12.0)}), "v", 0.0, 0.009).doubts
    assert "fewer than 10" in doubt.reason


def test_an_unknown_signal_is_named_with_those_there_are(make_capture):
    with pytest.raises(KeyError, match="no signal w; it has v"):
        mean_reading(make_capture({"v": np.zeros(20)}), "w")
