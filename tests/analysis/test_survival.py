"""Only a shot on the right side of what is asked says anything of the unit."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.measurement import Doubt
from analysis.survival import Achieved, Disturbance, Shot, survival, too_hard, too_weak
from analysis.verdict import Cause

INTERVAL_S = 1e-4
DIP = (Disturbance(voltage_v=5.0, duration_s=0.050),)
CRANK = (Disturbance(voltage_v=5.0, duration_s=0.050), Disturbance(voltage_v=6.5, duration_s=5.050))


def dip(level_v: float, duration_s: float, *, base_v: float = 12.2, u_v: float = 0.02, u_s: float = 3e-4) -> Achieved:
    n = round(duration_s / INTERVAL_S)
    voltage = np.concatenate([np.full(500, base_v), np.full(n, level_v), np.full(500, base_v)])
    return Achieved(voltage_v=voltage, interval_s=INTERVAL_S, expanded_voltage_v=u_v, expanded_time_s=u_s)


def shot(achieved: Achieved, *, behaved: bool, name: str = "shot 1", spoilt: tuple[Doubt, ...] = ()) -> Shot:
    weaker, harder = too_weak(DIP, achieved), too_hard(DIP, achieved, 10.0)
    return Shot(name=name, weaker=weaker, harder=harder, behaved=behaved, spoilt=spoilt)


def test_a_shot_deeper_and_longer_by_more_than_u_is_hard_enough() -> None:
    assert too_weak(DIP, dip(4.97, 0.051)) == ()


@pytest.mark.parametrize(("level_v", "duration_s"), [(4.99, 0.051), (4.97, 0.0502), (5.0, 0.050)])
def test_within_u_it_is_neither_hard_enough_nor_surely_weaker(level_v: float, duration_s: float) -> None:
    assert too_weak(DIP, dip(level_v, duration_s))


def test_the_sentence_says_what_was_achieved_and_what_was_asked() -> None:
    (sentence,) = too_weak(DIP, dip(4.9, 0.040))
    assert sentence == "at or below 5.00 V for 39.70 ms, asked 50.00 ms"


def test_a_shot_shallower_and_shorter_by_more_than_u_is_at_most_as_hard() -> None:
    assert too_hard(DIP, dip(5.03, 0.049), 10.0) == ()


def test_a_shallow_dip_that_lasts_longer_is_not_at_most_as_hard() -> None:
    assert too_hard(DIP, dip(5.03, 0.060), 10.0)


def test_time_where_the_unit_has_to_work_anyway_is_no_part_of_a_disturbance() -> None:
    assert too_hard(DIP, dip(5.03, 0.049, base_v=10.1), 10.0) == ()


def test_every_part_of_a_profile_counts_for_itself() -> None:
    deep_only = dip(4.9, 0.060)
    assert len(too_weak(CRANK, deep_only)) == 1
    long_only = dip(6.4, 5.2)
    assert len(too_weak(CRANK, long_only)) == 1


def test_a_survived_hard_shot_passes() -> None:
    found = survival([shot(dip(4.9, 0.052), behaved=True)])
    assert (found.trials, found.failures, found.doubts) == (1, 0, ())


def test_a_survived_weak_shot_is_the_benchs_debt() -> None:
    found = survival([shot(dip(5.1, 0.052), behaved=True)])
    assert found.trials == 0
    assert found.doubts[0].cause is Cause.BENCH
    assert "weaker" in found.doubts[0].reason


def test_a_lost_hard_shot_is_no_failure() -> None:
    found = survival([shot(dip(4.0, 0.2), behaved=False)])
    assert (found.trials, found.failures) == (0, 0)
    assert found.doubts[0].cause is Cause.BENCH


def test_a_lost_soft_shot_is_the_units_failure_even_after_a_survived_hard_one() -> None:
    shots = [shot(dip(4.9, 0.052), behaved=True), shot(dip(5.1, 0.045), behaved=False, name="shot 2")]
    found = survival(shots)
    assert (found.trials, found.failures, found.valid) == (2, 1, ("shot 1", "shot 2"))


def test_a_spoilt_shot_shows_nothing() -> None:
    clipped = (Doubt(reason="unit.voltage is clipped", cause=Cause.BENCH),)
    found = survival([shot(dip(4.9, 0.052), behaved=True, spoilt=clipped)])
    assert found.trials == 0
    assert "clipped" in found.doubts[0].reason


def test_no_shot_is_no_pass() -> None:
    assert survival([]).doubts


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_an_unknown_voltage_is_neither_hard_nor_soft_enough(bad: float) -> None:
    voltage = np.full(1000, 4.0)
    voltage[500] = bad
    achieved = Achieved(voltage_v=voltage, interval_s=1e-4, expanded_voltage_v=bad, expanded_time_s=1e-4)
    assert too_weak(DIP, achieved)
    assert too_hard(DIP, achieved, 10.0)


VOLTS, SECONDS = st.floats(0.0, 14.0), st.floats(0.0, 0.3)


@given(level_v=VOLTS, duration_s=SECONDS, u_v=st.floats(0.0, 0.5), error=st.floats(-1.0, 1.0), behaved=st.booleans())
def test_no_shot_that_was_too_weak_passes_and_none_too_hard_fails(
    level_v: float, duration_s: float, u_v: float, error: float, behaved: bool
) -> None:
    """Whatever the reading's error within U, what is true of the pins decides."""
    true = dip(level_v, duration_s, u_v=0.0, u_s=0.0)
    read = Achieved(
        voltage_v=true.voltage_v + error * u_v,
        interval_s=INTERVAL_S,
        expanded_voltage_v=u_v,
        expanded_time_s=0.0,
    )
    found = survival([shot(read, behaved=behaved)])
    asked = DIP[0]
    below_s = true.surely_below_s(asked.voltage_v + 1e-9)
    if found.trials and not found.failures:
        assert below_s >= asked.duration_s
    if found.failures:
        assert true.lowest_v >= asked.voltage_v - 1e-9
        assert true.perhaps_below_s(10.0 - 1e-9) <= asked.duration_s
