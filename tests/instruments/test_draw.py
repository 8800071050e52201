"""Drawn units stay inside their bounds, and every number depends on its name alone."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.simulated.draw import (
    DerivedCheck,
    QuantitySpec,
    apply_defect,
    draw_unit,
    keyed_uniform,
)

SPECS = {
    "unit.quiescent_a": QuantitySpec(nominal=0.15, sd=0.02, low=0.12, high=0.18),
    "d.threshold_active_v": QuantitySpec(nominal=1.6, sd=0.2, low=1.4, high=1.8),
    "d.threshold_inactive_v": QuantitySpec(nominal=2.0, sd=0.2, low=1.8, high=2.2),
    "unit.scan_s": QuantitySpec(nominal=0.005),
}
HYSTERESIS = DerivedCheck(minuend="d.threshold_inactive_v", subtrahend="d.threshold_active_v", low=0.35)


@given(st.integers(0, 2**63))
def test_every_quantity_and_every_derived_check_holds(seed):
    unit = draw_unit(seed, SPECS, [HYSTERESIS])
    for name, spec in SPECS.items():
        assert spec.low <= unit[name] <= spec.high
    assert unit["d.threshold_inactive_v"] - unit["d.threshold_active_v"] >= 0.35
    assert unit["unit.scan_s"] == 0.005


def test_a_draw_depends_on_seed_and_name_alone():
    alone = draw_unit(7, {"unit.quiescent_a": SPECS["unit.quiescent_a"]})
    assert draw_unit(7, dict(reversed(SPECS.items())))["unit.quiescent_a"] == alone["unit.quiescent_a"]
    assert draw_unit(8, SPECS)["unit.quiescent_a"] != alone["unit.quiescent_a"]


def test_draws_follow_the_normal_they_are_cut_from():
    spec = QuantitySpec(nominal=1.0, sd=0.1, low=0.5, high=1.5)
    values = np.array([draw_unit(seed, {"x": spec})["x"] for seed in range(400)])
    assert abs(values.mean() - 1.0) < 4 * 0.1 / math.sqrt(400)
    assert abs(values.std(ddof=1) / 0.1 - 1.0) < 4 / math.sqrt(2 * 400)


def test_a_defect_replaces_the_draw_by_nominal_plus_severity_times_deviation():
    unit = draw_unit(3, SPECS)
    spoilt = apply_defect(unit, SPECS, "unit.quiescent_a", 0.09, 0.5)
    assert spoilt == {**unit, "unit.quiescent_a": 0.15 + 0.5 * 0.09}
    assert unit["unit.quiescent_a"] != spoilt["unit.quiescent_a"]


def test_impossible_wishes_are_refused_by_name():
    with pytest.raises(ValueError, match="no drawn quantity"):
        draw_unit(1, SPECS, [DerivedCheck(minuend="no.such", subtrahend="unit.scan_s", low=0.0)])
    with pytest.raises(ValueError, match="no draw in 1000"):
        draw_unit(
            1, SPECS, [DerivedCheck(minuend="d.threshold_inactive_v", subtrahend="d.threshold_active_v", low=5.0)]
        )
    with pytest.raises(ValueError, match="no drawn quantity"):
        apply_defect({}, SPECS, "no.such", 1.0, 1.0)
    with pytest.raises(ValueError, match="outside"):
        QuantitySpec(nominal=1.0, low=2.0)
    with pytest.raises(ValueError, match="negative"):
        QuantitySpec(nominal=1.0, sd=-1.0)


def test_keyed_numbers_separate_their_parts_and_keep_their_bounds():
    assert keyed_uniform(0.0, 1.0, 1, "ab", "c") != keyed_uniform(0.0, 1.0, 1, "a", "bc")
    assert keyed_uniform(2.0, 3.0, 1, "a", 5) == keyed_uniform(2.0, 3.0, 1, "a", 5)
    assert all(2.0 <= keyed_uniform(2.0, 3.0, 1, "a", n) < 3.0 for n in range(50))
