"""Figures: at most forty of them, the telling ones; thinned, deterministic, safe to inline."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_summary import curves, measured, parse

from analysis.measurement import Curve
from analysis.report.plots import MOST_PLOTS, MOST_POINTS, choose_curves, decimate, plot_svg
from analysis.verdict import Verdict

MOST_BYTES_PER_PLOT = 40_000


def line(**changes: object) -> Curve:
    curve = Curve(
        id="c",
        title="Current over time",
        function="pitch",
        x_label="Time / s",
        y_label="Current / A",
        series={"motor": ((0.0, 1.0, 2.0), (0.0, 1.5, 0.0))},
    )
    return replace(curve, **changes)


def test_at_most_forty_curves_are_chosen_and_keep_their_order():
    many = curves(60)
    chosen = choose_curves(many, ())
    assert len(chosen) == MOST_PLOTS
    assert [curve.id for curve in chosen] == [curve.id for curve in many[:MOST_PLOTS]]


def test_curves_of_fails_come_before_curves_with_little_to_spare_and_those_before_the_rest():
    made = tuple(line(id=f"c{n}", capture=f"k{n}") for n in range(4))
    findings = (
        measured("a", "pitch", "a", 0.1, "V", 0.01, high=1.0, capture="k0"),
        measured("b", "pitch", "b", 0.9, "V", 0.01, high=1.0, capture="k1"),
        measured("c", "pitch", "c", 9.0, "V", 0.01, high=1.0, capture="k2"),
        measured("d", "pitch", "d", 0.5, "V", 0.01, high=1.0, capture="k3"),
    )
    assert findings[2].verdict is Verdict.FAIL
    assert [curve.id for curve in choose_curves(made, findings, most=1)] == ["c2"]
    assert [curve.id for curve in choose_curves(made, findings, most=2)] == ["c1", "c2"]
    assert [curve.id for curve in choose_curves(made, findings, most=3)] == ["c1", "c2", "c3"]


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=70))
def test_thinning_keeps_the_extremes_and_the_order(values):
    x, y = decimate(tuple(map(float, range(len(values)))), values, most=20)
    assert len(x) == len(y) <= 20
    assert list(x) == sorted(x)
    assert (min(y), max(y)) == (min(values), max(values))


def test_thinning_keeps_a_break_where_nothing_is_known():
    values = [1.0] * 500 + [math.nan] * 500 + [2.0] * 500
    x, y = decimate(tuple(map(float, range(1500))), values)
    assert len(x) <= MOST_POINTS
    assert any(map(math.isnan, y))
    assert {1.0, 2.0} <= set(y)


def test_a_figure_is_small_well_formed_and_the_same_every_time():
    curve = curves(1)[0]
    svg = plot_svg(curve, "fig1")
    assert svg == plot_svg(curve, "fig1")
    assert len(svg.encode()) < MOST_BYTES_PER_PLOT
    root = parse(svg)
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert tags.isdisjoint({"script", "style", "metadata", "image", "foreignObject"})
    assert "upper limit" in {(element.text or "").strip() for element in root.iter()}


def test_ids_are_the_figures_own():
    first, second = (set(ids(parse(plot_svg(curves(1)[0], prefix)))) for prefix in ("fig1", "fig2"))
    assert first
    assert first.isdisjoint(second)
    assert all(name.startswith("fig1-") for name in first)


def test_every_reference_in_a_figure_leads_to_an_id_in_it():
    root = parse(plot_svg(curves(1)[0], "fig1"))
    known = {f"#{name}" for name in ids(root)}
    hrefs = [element.get("href") for element in root.iter() if element.get("href")]
    clips = [element.get("clip-path") for element in root.iter() if element.get("clip-path")]
    assert hrefs
    assert clips
    assert {*hrefs, *(clip[4:-1] for clip in clips)} <= known


def test_hostile_labels_are_text():
    hostile = '<script>alert("$x^$")</script>\x07$'
    svg = plot_svg(line(title=hostile, x_label=hostile, series={hostile: ((0.0, 1.0), (0.0, 1.0))}), "fig1")
    assert "<script" not in svg
    assert "\x07" not in svg
    assert "&lt;script&gt;" in svg


def test_letters_the_drawing_font_lacks_do_not_stop_a_report():
    svg = plot_svg(line(x_label="\N{CJK UNIFIED IDEOGRAPH-6642} / s"), "fig1")
    assert "\N{CJK UNIFIED IDEOGRAPH-6642}" in svg


@pytest.mark.parametrize(
    "series", [{}, {"none": ((), ())}, {"nan": ((0.0, 1.0), (math.nan, math.nan))}], ids=["none", "empty", "unknown"]
)
def test_a_series_without_points_or_of_nothing_known_still_draws_its_axes(series):
    root = parse(plot_svg(line(series=series), "fig1"))
    assert {"Time / s", "Current / A"} <= {(element.text or "").strip() for element in root.iter()}
    assert lines_drawn(root) == 0
    assert lines_drawn(parse(plot_svg(line(), "fig1"))) == 1


def lines_drawn(root) -> int:
    """Count the lines of series that have points; the first series' ink is used for nothing else."""
    return sum(bool(element.get("d")) and "#111111" in (element.get("style") or "") for element in root.iter())


def ids(root) -> list[str]:
    return [element.get("id") for element in root.iter() if element.get("id")]


def test_single_points_stand_in_a_figure_by_a_sign_of_their_own_and_durations_by_their_ratio():
    marks = {"survived": ((10.0, 500.0), (6.0, 6.1)), "lost": ((10.0,), (5.0,))}
    svg = plot_svg(line(series={}, marks=marks, logarithmic_x=True), "fig1")
    texts = {(element.text or "").strip() for element in parse(svg).iter()}
    assert {"survived", "lost", "10", "100", "500"} <= texts
    assert not [text for text in texts if "math" in text]
    assert "0.5" in plot_svg(line(series={}, logarithmic_x=True), "fig1")  # where nothing is known, axes all the same
