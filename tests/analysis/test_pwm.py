"""PWM by sampling: seeded simulation against the exact rounding rule, and the ratio trap.

A noise-free periodic step of random start phase counts a span of L samples as floor or ceil of L, so its standard
deviation is sqrt(phi (1 - phi)) samples with phi = frac(L): derived here from a start phase that is evenly spread, no
published source. Simulations take at least 1500 trials: a standard
deviation of a standard deviation of 1.8 %, held to 6 %.
"""

import math

import numpy as np
import pytest

from analysis.edges import crossing_positions, find_edges
from analysis.finding import Limit
from analysis.judge import judge
from analysis.pwm import pwm
from analysis.verdict import Cause, Verdict

DUTY = 0.3337
TRIALS = 1500


def steps(samples_per_period, n, phase, duty=DUTY, level=12.0):
    return np.where((np.arange(n) / samples_per_period + phase) % 1.0 < duty, level, 0.0)


def measure(samples, rate, nominal, **more):
    return pwm(samples, rate, nominal_frequency_hz=nominal, off_below=2.0, on_above=10.0, **more)


def simulate(frequency, rate, n_periods, trials=TRIALS, seed=1):
    """Results over exactly `n_periods` periods at random start phases."""
    m = rate / frequency
    rng = np.random.default_rng(seed)
    n = math.ceil(m * (n_periods + 1.7)) + 2
    results = []
    for phase in rng.random(trials):
        # Each trial is cut to start just ahead of a rise, so that exactly n_periods whole periods are in it.
        lead = (1.0 - phase) * m
        first = math.ceil(lead)
        samples = steps(m, n, phase)[max(0, first - 2) :]
        samples = np.concatenate([[0.0, 0.0], samples[min(2, first) :]])
        last = 2 + math.ceil((n_periods + DUTY / 2) * m)
        results.append(measure(samples[:last], rate, frequency))
    assert {result.n_periods for result in results} == {n_periods}
    return results


def rounding_sd(span_samples):
    phi = span_samples % 1.0
    return math.sqrt(phi * (1.0 - phi))


@pytest.mark.parametrize("n_periods", [1, 10])
def test_frequency_scatters_by_the_exact_rounding_rule(n_periods):
    frequency, rate = 487.3, 10_000.0
    m = rate / frequency
    results = simulate(frequency, rate, n_periods)
    scatter = np.std([result.samples_per_period for result in results])
    assert scatter == pytest.approx(rounding_sd(n_periods * m) / n_periods, rel=0.06)
    # and the budget's 1/sqrt(6) samples is within the 0 to 1.22 that the rule allows of it
    u = results[0].u_frequency_hz
    assert u == pytest.approx(results[0].frequency_hz ** 2 / rate / math.sqrt(6.0) / n_periods, rel=1e-9)
    assert np.std([result.frequency_hz for result in results]) < 1.3 * u


def test_duty_of_a_whole_number_ratio_never_averages_and_its_budget_says_so():
    # 500 Hz at 10 kS/s, 100 periods: sd 2.343e-2 by the rounding rule
    results = simulate(500.0, 10_000.0, 100)
    scatter = np.std([result.duty for result in results])
    assert scatter == pytest.approx(rounding_sd(20.0 * DUTY) / 20.0, rel=0.06)
    assert scatter == pytest.approx(2.343e-2, rel=0.06)
    assert not any(result.averaged for result in results)
    assert results[0].u_duty == pytest.approx(0.025)


def test_a_ratio_near_a_whole_number_is_trapped_as_well():
    # 499.9 Hz at 10 kS/s, 100 periods drift through 0.4 of a sample only
    results = simulate(499.9, 10_000.0, 100, trials=300)
    assert not any(result.averaged for result in results)
    assert np.std([result.duty for result in results]) > 2.0 * (1.0 / 20.0) / math.sqrt(600.0)


def test_240_hz_at_50_ks_per_s_gets_the_one_period_worst_case():
    # 50 000 / 240 = 625/3 samples: one sample in 208.3 is 0.48 % of the period
    result = measure(steps(625.0 / 3.0, 50_000, 0.123), 50_000.0, 240.0)
    assert not result.averaged
    assert 2.0 * result.u_duty == pytest.approx(0.0048, abs=1e-6)
    assert result.frequency_hz == pytest.approx(240.0, abs=0.01)
    assert result.duty == pytest.approx(DUTY, abs=0.0048)


def test_where_periods_average_the_budget_covers_the_scatter_at_every_ratio():
    # 100 periods; chance ratios, and those hard to average: just above a whole number, 1/7, 1/2
    rng = np.random.default_rng(4)
    ratios = [*(20.0 + 20.0 * rng.random(24)), 20.0 + 1.0 / 7.0, 20.0 + 1.0 / 11.0, 20.02, 20.03, 20.513]
    normalised = []
    averaged = 0
    for m in ratios:
        errors = []
        for phase, duty in zip(rng.random(24), 0.2 + 0.3 * rng.random(24), strict=True):
            result = measure(steps(m, 3000, phase, duty), 10_000.0, 10_000.0 / m)
            averaged += result.averaged
            errors.append((result.duty - duty) / result.u_duty)
        assert math.sqrt(np.mean(np.square(errors))) < 1.3, m
        normalised += errors
    assert averaged > 300
    assert np.mean(np.abs(normalised) <= 2.0) > 0.99


def test_interpolated_ramps_scatter_as_their_noise_budget_says():
    # 20 kS/s, 487.3 Hz, ramp of 4 samples, noise 50 mV of 12 V, 10 periods: predicted sd 1.48e-4 of the duty
    rate, frequency, n_periods, ramp = 20_000.0, 487.3, 10, 4.0
    m = rate / frequency
    rng = np.random.default_rng(6)
    t = np.arange(round((n_periods + 1) * m))
    fixed_level, results = [], []
    for phase in rng.random(TRIALS):
        since = (t - (0.2 + 0.1 * phase) * m + ramp / 2) % m
        samples = 12.0 * (np.clip(since / ramp, 0, 1) - np.clip((since - DUTY * m) / ramp, 0, 1))
        samples += 0.05 * rng.standard_normal(len(t))
        results.append(measure(samples, rate, frequency, noise=0.05))
        instants = crossing_positions(samples, find_edges(samples, 3.0, 9.0), 6.0)[: 2 * n_periods + 1]
        fixed_level.append(np.diff(instants)[::2].sum() / (instants[-1] - instants[0]))
    u_edge = math.sqrt(2.0 / 3.0) * 0.05 / (12.0 / ramp)  # samples
    assert np.std(fixed_level) == pytest.approx(math.sqrt(2.0) * u_edge / m / math.sqrt(n_periods), rel=0.06)
    frequencies = [result.frequency_hz for result in results]
    assert np.std(frequencies) == pytest.approx(math.sqrt(2.0) * frequency * u_edge / m / n_periods, rel=0.06)
    # the mesial level, found in the same record, adds its own scatter to the duty
    assert all(result.interpolated for result in results)
    duties = np.array([result.duty for result in results])
    u_duties = np.array([result.u_duty for result in results])
    # and samples on the ramps make it look a little noisier than it is, which errs to the safe side
    assert 0.7 < np.std((duties - DUTY) / u_duties) < 1.06


def test_noise_free_ramps_are_exact():
    m, ramp = 41.04, 4.0
    t = np.arange(500)
    since = (t - 7.3) % m
    samples = 12.0 * (np.clip(since / ramp, 0, 1) - np.clip((since - DUTY * m) / ramp, 0, 1))
    result = measure(samples, 20_000.0, 487.3)
    assert result.duty == pytest.approx(DUTY, abs=1e-9)
    assert result.samples_per_period == pytest.approx(m, abs=1e-9)


def test_the_sample_clock_bounds_the_frequency():
    result = measure(steps(625.0 / 3.0, 500_000, 0.3), 50_000.0, 240.0, timebase_bound=50e-6)
    assert result.u_frequency_hz >= 240.0 * 50e-6 / math.sqrt(3.0)


@pytest.mark.parametrize(("level", "duty"), [(12.0, 1.0), (0.3, 0.0)])
def test_a_constant_level_has_the_duty_of_its_state_and_no_frequency(level, duty):
    noise = 0.01 * np.random.default_rng(2).standard_normal(5000)
    result = measure(level + noise, 50_000.0, 240.0)
    assert result.duty == duty
    assert result.u_duty == pytest.approx(0.5 * 240.0 / 50_000.0)
    assert math.isnan(result.frequency_hz)
    assert result.duty_estimate("panel").doubts == ()
    assert result.frequency_estimate("panel").doubts[0].cause is Cause.UNDECIDED


@pytest.mark.parametrize(
    "samples",
    [
        np.full(5000, 6.0),  # neither on nor off
        steps(200.0, 150, 0.9),  # an edge or two, no period
        np.where(steps(200.0, 5000, 0.0) > 0, 6.0, 0.0),  # swings to half only
        np.where(np.arange(5000) == 7, math.nan, 12.0),
        np.empty(0),
    ],
)
def test_what_has_no_duty_is_nan_with_a_doubt_and_never_passes(samples):
    estimate = measure(samples, 50_000.0, 240.0).duty_estimate("panel")
    assert math.isnan(estimate.value)
    assert estimate.doubts
    limit = Limit(id="duty", quantity_unit="", source="demo", date="2025-01-01", low=-10.0, high=10.0)
    measurement = estimate.measurement(id="x", limit="duty", title="x", function="x", quantity_unit="")
    assert judge(measurement, limit, procedure="p").verdict is Verdict.INCONCLUSIVE


def test_too_few_samples_per_period_are_doubted_as_alias():
    result = measure(steps(4.31, 5000, 0.1), 50_000.0, 240.0)
    assert result.doubts[0].cause is Cause.BENCH
    assert "alias" in result.doubts[0].reason


def test_a_record_that_begins_high_gives_the_same_duty():
    begins_high = measure(steps(207.37, 40_000, 0.05), 50_000.0, 240.0)
    begins_low = measure(steps(207.37, 40_000, 0.6), 50_000.0, 240.0)
    assert begins_high.duty == pytest.approx(DUTY, abs=2 * begins_high.u_duty)
    assert begins_low.duty == pytest.approx(DUTY, abs=2 * begins_low.u_duty)


def test_senseless_arguments_are_refused():
    with pytest.raises(ValueError, match="is not below on_above"):
        pwm(np.zeros(5), 1.0, nominal_frequency_hz=1.0, off_below=3.0, on_above=3.0)
    with pytest.raises(ValueError, match="must be positive"):
        pwm(np.zeros(5), 0.0, nominal_frequency_hz=1.0, off_below=1.0, on_above=3.0)


@pytest.mark.parametrize("n_slivers", [1, 2, 7])
@pytest.mark.parametrize("inverted", [False, True])
def test_pulses_too_short_to_be_seen_every_time_give_a_duty_and_no_frequency(n_slivers, inverted):
    # A duty of 99.97 % at 240 Hz is a gap of 1.2 us: one in seventeen periods shows at 50 kS/s.
    samples = np.full(10_000, 13.8)
    samples[:: 10_000 // n_slivers][:n_slivers] = 0.0
    if inverted:
        samples = 13.8 - samples
    found = pwm(samples, 50_000.0, nominal_frequency_hz=240.0, off_below=2.0, on_above=10.0)
    seen = n_slivers / 10_000
    assert found.duty == pytest.approx(seen if inverted else 1.0 - seen)
    assert found.u_duty == pytest.approx(0.0024)
    assert math.isnan(found.frequency_hz)
    assert found.doubts == ()


@pytest.mark.parametrize(("low_from", "n_edges"), [(60, 1), (40, 2)])
def test_a_level_that_changes_without_a_period_is_interrupted_and_nobody_is_blamed(low_from, n_edges):
    samples = np.full(100, 13.8)
    samples[low_from : 100 if n_edges == 1 else 70] = 0.0
    found = measure(samples, 50_000.0, 240.0)
    assert found.interrupted
    assert math.isnan(found.duty)
    (doubt,) = found.doubts
    assert (doubt.cause, doubt.reason.split()[0]) == (Cause.UNDECIDED, str(n_edges))
    assert doubt.next_step


def test_a_level_that_stands_and_one_that_pulses_are_not_interrupted():
    assert not measure(np.full(100, 13.8), 50_000.0, 240.0).interrupted
    assert not measure(steps(207.37, 4_000, 0.1), 50_000.0, 240.0).interrupted
