"""Crossing search of line plus exponential against brute force and by hand."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from instruments.simulated.transient import Transient, time_to_reach

sizes = st.floats(-20.0, 20.0)


def reach(course, bound, *, upwards=True, horizon_s=10.0, beyond_counts=True):
    return time_to_reach(course, bound, upwards=upwards, horizon_s=horizon_s, beyond_counts=beyond_counts)


def test_a_line_and_an_exponential_are_met_where_algebra_says():
    assert reach(Transient(1.0, 2.0, 0.0, 1.0), 4.0) == pytest.approx(1.5, abs=1e-12)
    assert reach(Transient(5.0, 0.0, -5.0, 0.3), 2.5) == pytest.approx(0.3 * math.log(2.0), abs=1e-10)
    assert reach(Transient(5.0, 0.0, -5.0, 0.3), 5.1) == math.inf


def test_a_start_beyond_the_bound_counts_only_as_asked():
    falling = Transient(0.0, 0.0, 3.0, 1.0)
    assert reach(falling, 2.0) == 0.0
    assert reach(falling, 2.0, beyond_counts=False) == math.inf
    rising = Transient(3.0, 1.0, 0.0, 1.0)
    assert reach(rising, 2.0, beyond_counts=False) == 0.0


taus = st.one_of(st.floats(0.01, 3.0), st.floats(-3.0, -2.0))
courses = st.builds(Transient, sizes, sizes, sizes, taus)


@given(courses, sizes, st.booleans())
def test_the_first_crossing_is_the_one_a_fine_grid_finds(course, bound, upwards):
    level, slope, swing, tau_s = course
    times = np.linspace(0.0, 10.0, 20001)
    values = (level + slope * times + swing * np.exp(-times / tau_s) - bound) * (1.0 if upwards else -1.0)
    assume(abs(values[0]) > 1e-9)
    found = reach(course, bound, upwards=upwards)
    on_grid = np.flatnonzero(values > 1e-9)
    if on_grid.size:
        assert found <= times[on_grid[0]] + 1e-8
        before = found - 1e-6
        if found > 2e-6:
            assert (course.at(before) - bound) * (1.0 if upwards else -1.0) < 1e-4
            assert abs(course.at(found) - bound) < 1e-6
    elif math.isfinite(found):
        # It peeped over the bound between two grid points.
        assert abs(course.at(found) - bound) < 1e-6
