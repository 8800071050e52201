"""What a staircase of points says of a dimming output."""

import math

import pytest
from synthetic_captures import sheets

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, bounded, difference, exact
from analysis.verdict import Cause
from test_plans.dimming_levels import expected_level
from test_plans.dimming_points import Point
from test_plans.dimming_staircase import (
    dead_travel,
    falls,
    frequency_spread,
    hysteresis,
    integral_error,
    largest_step,
    tracking,
)

PWM = sheets().unit.dimming[0]
U = 0.05


def points(level=lambda _, expected: expected, *, u=U, n=101):
    """Points of PWM output 1 at even travel, each with its own uncertainty."""
    found = []
    for step in range(n):
        travel = step / (n - 1)
        expected = expected_level(PWM, travel)[0]
        shown = bounded(level(travel, expected), math.sqrt(3.0) * u, f"level {step}")
        found.append(
            Point(
                travel=exact(travel),
                level=shown,
                expected=expected,
                deviation=difference(shown, exact(expected)),
                frequency_hz=None,
            )
        )
    return found


def doubtful(found):
    doubt = Doubt(reason="clipped", cause=Cause.BENCH)
    spoilt = Estimate(value=found[50].level.value, terms=found[50].level.terms, doubts=(doubt,))
    return [*found[:50], Point(travel=exact(0.5), level=spoilt, expected=50.0, deviation=spoilt, frequency_hz=None)]


def test_a_good_output_is_dead_for_two_per_cent_at_the_low_end_and_hardly_at_the_high_one():
    assert dead_travel(points()).value == pytest.approx(1.5)
    assert dead_travel(points(), high=True).value == pytest.approx(1.5, abs=0.5)
    assert dead_travel(points()).standard_uncertainty == pytest.approx(1.0 / math.sqrt(12.0))


def test_a_dead_fifth_is_seen_at_either_end():
    late = points(lambda travel, _: max(0.0, travel - 0.2) * 100.0)
    assert dead_travel(late).value == pytest.approx(20.5, abs=0.6)
    early = points(lambda travel, _: min(travel / 0.8, 1.0) * 100.0)
    assert dead_travel(early, high=True).value == pytest.approx(20.5, abs=0.6)


def test_an_output_that_never_moves_is_dead_all_the_way():
    assert dead_travel(points(lambda *_: 0.0)).value > 99.0


def test_the_jump_from_off_is_no_step_and_a_missing_code_is():
    assert largest_step(points())[0].value == pytest.approx(0.98, abs=0.01)
    broken = points(lambda travel, expected: expected - (6.0 if 0.505 < travel < 0.515 else 0.0))
    step, notes = largest_step(broken)
    assert step.value == pytest.approx(6.98, abs=0.01)
    assert notes == ("from 51 % of travel on",)


def test_a_fall_within_noise_is_none_and_one_beyond_it_is_named():
    shallow = points(lambda travel, expected: expected - (1.05 if 0.505 < travel < 0.515 else 0.0))
    assert falls(shallow) == ([], 100)
    deep = points(lambda travel, expected: expected - (1.3 if 0.505 < travel < 0.515 else 0.0))
    assert falls(deep) == ([0.5], 100)


def test_a_sag_is_off_the_line_between_the_ends_and_names_where():
    found, notes = integral_error(
        points(lambda travel, expected: expected * (1.0 - 0.12 * 4.0 * travel * (1.0 - travel)))
    )
    assert found.value == pytest.approx(-7.5, abs=0.2)
    assert found.standard_uncertainty == pytest.approx(U * math.sqrt(1.5) / 0.96, rel=0.1)
    assert "INL" in notes[0]


def test_a_level_without_a_slope_has_no_line():
    found, _ = integral_error(points(lambda *_: 100.0))
    assert math.isnan(found.value)
    assert found.doubts[0].cause is Cause.UNIT


def test_tracking_is_against_the_mean_of_the_sisters_and_against_forty_per_cent_below_that():
    dim = points(lambda _, expected: 0.9 * expected)
    worst, _ = tracking(PWM, dim, [points(), points()])
    assert worst.value == pytest.approx(-10.0, abs=0.2)
    shifted = points(lambda _, expected: expected + 1.0)
    worst, _ = tracking(PWM, shifted, [points()])
    assert worst.value == pytest.approx(2.5, abs=0.05)


def test_a_doubtful_point_spoils_what_rests_on_all_of_them():
    spoilt = doubtful(points())
    assert dead_travel(spoilt).doubts[0].cause is Cause.BENCH
    assert integral_error(spoilt)[0].doubts[0].reason == "clipped"
    assert largest_step(spoilt)[0].doubts[0].reason == "clipped"
    assert tracking(PWM, spoilt, [points()])[0].doubts[0].cause is Cause.BENCH


def test_the_spread_of_frequency_is_highest_less_lowest():
    found = [bounded(value, 0.01, f"frequency {value}") for value in (239.0, 241.5, 240.0)]
    assert frequency_spread(found, exact(math.nan)).value == pytest.approx(2.5)
    assert math.isnan(frequency_spread([], exact(math.nan)).value)


def test_hysteresis_is_the_largest_gap_between_the_two_ways_in_per_cent_of_the_span():
    up, down = points(), points(lambda travel, expected: expected + (1.5 if 0.49 < travel < 0.51 else 0.0))
    gap, notes = hysteresis(up, down, 75.0)
    assert gap.value == pytest.approx(-2.0)
    assert notes == ("at 50 % of travel",)
    assert gap.standard_uncertainty == 0.0  # both have the same bound, which a difference does not feel (GUM 5.2.2)


def test_hysteresis_is_known_only_where_both_ways_were_seen_and_a_doubt_stays():
    assert math.isnan(hysteresis([], [], 100.0)[0].value)
    doubted = doubtful(points())
    assert hysteresis(doubted, points(), 100.0)[0].doubts
