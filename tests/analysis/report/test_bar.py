"""The position bar's geometry: where limits, value and uncertainty stand."""

import math
import re
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from sample_summary import parse

from analysis.finding import Finding
from analysis.report.bar import WIDTH, bar_axis, bar_geometry, position_bar
from analysis.verdict import Verdict

TWO_SIDED = Finding(
    id="x",
    procedure="p",
    function="f",
    title="x",
    verdict=Verdict.PASS,
    cause=None,
    value=5.0,
    quantity_unit="V",
    low=4.0,
    high=6.0,
    expanded_uncertainty=0.5,
)


def test_two_sided_limits_stand_at_a_quarter_and_three_quarters():
    geometry = bar_geometry(TWO_SIDED)
    assert geometry is not None
    assert geometry.low == pytest.approx(WIDTH / 4)
    assert geometry.high == pytest.approx(3 * WIDTH / 4)
    assert geometry.value == pytest.approx(WIDTH / 2)
    # 0.5 V of a 2 V wide interval that fills half the drawing
    assert geometry.right - geometry.value == pytest.approx(WIDTH / 8)
    assert geometry.value - geometry.left == pytest.approx(WIDTH / 8)


def test_an_upper_limit_alone_is_drawn_on_a_scale_from_zero():
    geometry = bar_geometry(replace(TWO_SIDED, low=-math.inf, value=0.0))
    assert geometry is not None
    assert geometry.low is None
    assert geometry.high == pytest.approx(3 * WIDTH / 4)
    assert geometry.value == pytest.approx(0.0)


def test_a_lower_limit_alone_is_drawn_on_a_scale_from_zero():
    geometry = bar_geometry(replace(TWO_SIDED, high=math.inf, value=8.0))
    assert geometry is not None
    assert geometry.high is None
    assert geometry.low == pytest.approx(WIDTH / 4)
    assert geometry.value == pytest.approx(WIDTH / 2)


@pytest.mark.parametrize(("value", "side"), [(50.0, 1), (-50.0, -1), (5.0, 0)])
def test_a_value_off_the_drawing_is_shown_at_its_edge(value, side):
    geometry = bar_geometry(replace(TWO_SIDED, value=value))
    assert geometry is not None
    assert geometry.beyond == side
    assert 0.0 <= geometry.value <= WIDTH


def test_nothing_is_drawn_without_a_value_or_without_a_limit():
    assert position_bar(replace(TWO_SIDED, value=math.nan), "x") == ""
    assert position_bar(replace(TWO_SIDED, low=math.nan, high=math.nan), "x") == ""
    with pytest.raises(ValueError, match="at least one side"):
        bar_axis(-math.inf, math.inf, 1.0)
    with pytest.raises(ValueError, match="finite value"):
        bar_axis(0.0, 1.0, math.nan)


def test_the_bar_is_well_formed_and_needs_no_colour_of_its_own():
    svg = position_bar(TWO_SIDED, 'said "so" & <thus>')
    root = parse(svg)
    assert root.get("aria-label") == 'said "so" & <thus>'
    assert [child.get("class") for child in root] == ["h", "f", "l", "l", "u", "v"]
    assert "#" not in svg
    assert "id=" not in svg


def test_hatching_covers_what_is_not_allowed_and_nothing_else():
    root = parse(position_bar(TWO_SIDED, "x"))
    hatch = root[0].get("d") or ""
    xs = [float(x) for x in re.findall(r"[ML](-?[\d.]+) ", hatch)]
    assert xs
    assert all(x <= WIDTH / 4 + 0.1 or x >= 3 * WIDTH / 4 - 0.1 for x in xs)
    assert min(xs) == pytest.approx(0.0, abs=0.1)
    assert max(xs) == pytest.approx(WIDTH, abs=0.1)


@example(low=5e-324, width=1.0, value=0.0, expanded=0.0, sides="low")
@example(low=0.0, width=5e-324, value=0.0, expanded=0.0, sides="high")
@example(low=0.0, width=5e-324, value=1.0, expanded=0.0, sides="both")
@example(low=0.0, width=1.0, value=5e-324, expanded=0.0, sides="low")
@given(
    low=st.floats(-1e6, 1e6),
    width=st.floats(1e-3, 1e6),
    value=st.floats(-1e9, 1e9),
    expanded=st.floats(0.0, 1e9),
    sides=st.sampled_from(["both", "low", "high"]),
)
def test_everything_drawn_stays_on_the_drawing_and_in_order(low, width, value, expanded, sides):
    finding = replace(
        TWO_SIDED,
        low=low if sides != "high" else -math.inf,
        high=low + width if sides != "low" else math.inf,
        value=value,
        expanded_uncertainty=expanded,
    )
    geometry = bar_geometry(finding)
    assert geometry is not None
    assert 0.0 <= geometry.left <= geometry.value <= geometry.right <= WIDTH
    drawn_inside = (geometry.low is None or geometry.value >= geometry.low - 1e-6) and (
        geometry.high is None or geometry.value <= geometry.high + 1e-6
    )
    if finding.low < value < finding.high:
        assert drawn_inside
