"""Profiles of the bus: the shipped figures against where they come from, and what a file is refused for."""

import numpy as np
import pytest

from analysis.survival import Disturbance
from bench.errors import SheetError
from bench.sheets import load
from test_plans.profile import Certainty, Profile

UNIT = load.load_unit("dotterel-6")
STEP_S = 1e-4


def shipped(name: str) -> Profile:
    return load.load_profile(name, UNIT)


def test_every_shipped_profile_says_where_its_figures_come_from() -> None:
    profiles = [shipped(name) for name in load.list_profiles()]
    assert len(profiles) == 16
    assert all(profile.source and profile.origin for profile in profiles)
    assert all(profile.unverified for profile in profiles if profile.origin == "road vehicle")


@pytest.mark.parametrize(
    ("level", "lowest_v", "plateau_v"), [("i", 8.0, 9.5), ("ii", 4.5, 6.5), ("iii", 3.0, 5.0), ("iv", 6.0, 6.5)]
)
def test_road_vehicle_start_12_v(level: str, lowest_v: float, plateau_v: float) -> None:
    # ISO 16750-2:2023, 4.6.3: lowest level and plateau; fall 5 ms, 15 ms at the lowest level, rise 50 ms
    fall, lowest, rise, plateau, _ = shipped(f"road-start-12-level-{level}").segments
    assert (fall.duration_s, lowest.duration_s, rise.duration_s) == (0.005, 0.015, 0.050)
    assert (lowest.voltage_v, plateau.voltage_v, plateau.ripple_hz) == (lowest_v, plateau_v, 2.0)


@pytest.mark.parametrize(("level", "lowest_v", "plateau_v"), [("i", 10.0, 20.0), ("ii", 8.0, 15.0), ("iii", 6.0, 10.0)])
def test_road_vehicle_start_24_v(level: str, lowest_v: float, plateau_v: float) -> None:
    # ISO 16750-2:2023, 4.6.3, 24 V systems: lowest level and plateau
    profile = shipped(f"road-start-24-level-{level}")
    assert (profile.segments[1].voltage_v, profile.segments[3].voltage_v) == (lowest_v, plateau_v)


def test_engine_starts_are_marked_as_practice_without_a_published_source() -> None:
    for name in load.list_profiles():
        if name.startswith("engine-start"):
            assert shipped(name).certainty is Certainty.COMMON_PRACTICE


def test_three_tries_are_the_healthy_start_over_again() -> None:
    once, thrice = shipped("engine-start-w1"), shipped("engine-start-w4")
    assert (thrice.segments, thrice.tries, thrice.rest_s) == (once.segments, 3, 10.0)


def test_the_course_follows_its_segments() -> None:
    profile = shipped("engine-start-w2")
    times_s = np.array([0.0, 0.0025, 0.005, 0.050, 0.065, 3.0, profile.duration_s])
    assert profile.voltage_v(times_s) == pytest.approx([12.2, 8.6, 5.0, 5.0, 5.75, 6.5, 13.8])


def test_a_ripple_swings_about_its_level_by_its_amplitude() -> None:
    profile = shipped("engine-start-w1")
    times_s = np.arange(0.065, 2.065, STEP_S)
    course_v = profile.voltage_v(times_s)
    assert course_v.max() == pytest.approx(10.0, abs=2e-3)
    assert course_v.min() == pytest.approx(9.0, abs=2e-3)
    assert course_v.mean() == pytest.approx(9.5, abs=2e-3)


def test_an_open_stretch_asks_no_voltage() -> None:
    profile = shipped("engine-start-w5-3ms")
    course_v = profile.voltage_v(np.arange(0.0, profile.duration_s, STEP_S))
    assert profile.opens
    assert np.count_nonzero(np.isnan(course_v)) * STEP_S == pytest.approx(5 * 3e-3, abs=5 * STEP_S)


def test_levels_become_disturbances_deepest_first_and_a_ripple_counts_at_its_crest() -> None:
    assert shipped("engine-start-w2").disturbances(10.0) == (
        Disturbance(voltage_v=5.0, duration_s=0.050),
        Disturbance(voltage_v=6.5, duration_s=5.050),
    )
    assert shipped("engine-start-w1").disturbances(11.0)[-1] == Disturbance(voltage_v=10.0, duration_s=2.040)


def test_the_steepest_slope_is_that_of_the_fall_or_of_the_ripple() -> None:
    assert shipped("engine-start-w2").steepest_v_per_s == pytest.approx(7.2 / 5e-3)
    assert shipped("engine-start-w1").steepest_v_per_s == pytest.approx(4.6 / 5e-3)


BLANK = """
name = "own"
title = "Own"
origin = "light aircraft"
source = "shop"
certainty = "common practice"
nominal-voltage = "14 V"
starts-at = "12 V"
"""


@pytest.mark.parametrize(
    ("course", "complaint"),
    [
        ('[{ to = "5 V", within = "5 ms", hold = "1 s" }]', "course[0]: is to and hold at once"),
        ("[{}]", "course[0]: says nothing"),
        ('[{ to = "5 V" }]', "course[0].within: is missing"),
        ('[{ hold = "1 s", ripple = "1 V" }]', "course[0].ripple-frequency: is missing"),
        ('[{ open = "1 s", ripple = "1 V", ripple-frequency = "2 Hz" }]', "stands on a stretch that is not held"),
        ('[{ to = "1 V", within = "1 s" }, { hold = "1 s", ripple = "2 V", ripple-frequency = "2 Hz" }]', "below 0 V"),
        ('[{ to = "5", within = "5 ms" }]', 'course[0].to: found "5"'),
    ],
)
def test_a_course_that_is_none_is_refused_by_key(tmp_path, course: str, complaint: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(f"{BLANK}course = {course}\n")
    with pytest.raises(SheetError) as refused:
        load.load_profile(str(path), UNIT)
    assert complaint in str(refused.value)


def test_a_recorded_course_is_played_as_it_stands(tmp_path) -> None:
    path = tmp_path / "cold-morning.csv"
    path.write_text("time_s,voltage_v\n0,12.4\n0.004,7.1\n0.050,7.1\n1.5,13.0\n")
    profile = load.load_profile(str(path), UNIT)
    assert (profile.name, profile.certainty, profile.nominal_voltage_v) == ("cold-morning", Certainty.RECORDED, 13.8)
    assert profile.voltage_v(np.array([0.002, 0.03])) == pytest.approx([9.75, 7.1])
    parts = profile.disturbances(10.0)
    assert len(parts) == 8
    assert all(7.1 < part.voltage_v < 10.0 for part in parts)
    # 0.046 s at 7.1 V, and the straight lines down from 12.4 V in 4 ms and up to 13.0 V in 1.45 s
    halfway = parts[3]
    lines_s = (halfway.voltage_v - 7.1) / 5.3 * 0.004 + (halfway.voltage_v - 7.1) / 5.9 * 1.45
    assert halfway.duration_s == pytest.approx(0.046 + lines_s, abs=3e-4)


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        ("0,12\n1,11\n", "line 1: is not the header"),
        ("time_s,voltage_v\n0,12\n0,11\n", "line 3: has 0 s after 0 s"),
        ("time_s,voltage_v\n0.5,12\n1,11\n", "line 2: begins at 0.5 s"),
        ("time_s,voltage_v\n0,12\n1,nan\n", "line 3: has a figure that can't be"),
        ("time_s,voltage_v\n0,12\n1,eleven\n", "line 3: is not two numbers"),
        ("time_s,voltage_v\n0,12\n", "has 1 points"),
    ],
)
def test_a_recorded_course_that_is_none_is_refused_by_line(tmp_path, table: str, complaint: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(table)
    with pytest.raises(SheetError) as refused:
        load.load_profile(str(path), UNIT)
    assert complaint in str(refused.value)
