"""The boundary between survived and lost dips: monotone whatever was taken, and never on the wrong side of a dip."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.dip_map import Dip, brackets, contradictions

START_V = 13.8
TIMES_S = (0.010, 0.100, 1.0)


def dip(volts: float, time_s: float, *, kept: bool, name: str = "", longer: float = 1.0) -> Dip:
    return Dip(
        name=name or f"{volts:.3f} V {time_s:.3f} s",
        asked_s=time_s,
        reached_v=volts,
        at_least_s=time_s,
        lowest_v=volts,
        at_most_s=time_s * longer,
        kept=kept,
    )


def test_the_boundary_lies_evenly_between_the_nearest_survived_and_lost_dips() -> None:
    dips = [dip(7.0, 0.01, kept=True), dip(6.0, 0.01, kept=True), dip(5.0, 0.01, kept=False)]
    (found,) = brackets(dips, (0.01,), starts_at_v=START_V)
    assert (found.lost_v, found.kept_v) == (5.0, 6.0)
    assert found.boundary.value == pytest.approx(5.5)
    assert found.boundary.standard_uncertainty == pytest.approx(0.5 / math.sqrt(3.0))  # JCGM 100:2008, 4.3.7


def test_a_survived_dip_speaks_for_shorter_ones_and_a_lost_one_for_longer() -> None:
    dips = [dip(5.0, 0.010, kept=False), dip(6.0, 1.0, kept=True)]
    assert {(one.lost_v, one.kept_v) for one in brackets(dips, TIMES_S, starts_at_v=START_V)} == {(5.0, 6.0)}


def test_a_survived_dip_says_nothing_of_longer_ones_nor_a_lost_one_of_shorter() -> None:
    short, middle, long = brackets([dip(6.0, 0.1, kept=True), dip(5.0, 0.1, kept=False)], TIMES_S, starts_at_v=START_V)
    assert (short.lost_v, short.kept_v) == (-math.inf, 6.0)
    assert (middle.lost_v, middle.kept_v) == (5.0, 6.0)
    assert (long.lost_v, long.kept_v) == (5.0, START_V)
    assert math.isnan(short.boundary.value)


def test_what_the_bench_made_longer_than_asked_is_told_with_the_bracket() -> None:
    dips = [dip(6.0, 0.01, kept=True), dip(5.0, 0.01, kept=False, longer=2.5)]
    first, second = brackets(dips, (0.01, 0.1), starts_at_v=START_V)
    assert (first.at_least_s, first.at_most_s) == (0.01, 0.025)
    assert second.at_most_s == 0.1


def test_a_dip_lost_though_a_harder_one_was_survived_refutes_it_and_is_told() -> None:
    hung, harder = dip(7.0, 0.1, kept=False), dip(5.0, 1.0, kept=True)
    dips = [hung, harder, dip(6.0, 1.0, kept=True)]
    (found,) = contradictions(dips)
    assert (found.lost, found.survived) == (hung, harder)
    assert [one.kept_v for one in brackets(dips, TIMES_S, starts_at_v=START_V)] == [START_V] * 3


def test_neither_a_deeper_shorter_nor_a_shallower_longer_one_is_a_contradiction() -> None:
    assert contradictions([dip(7.0, 0.1, kept=False), dip(5.0, 0.05, kept=True), dip(8.0, 1.0, kept=True)]) == ()


def test_a_harder_one_must_surely_have_lasted_as_long_as_the_lost_one_may_have() -> None:
    assert contradictions([dip(7.0, 0.1, kept=False, longer=1.2), dip(6.0, 0.11, kept=True)]) == ()
    assert contradictions([dip(7.0, 0.1, kept=False, longer=1.2), dip(6.0, 0.13, kept=True)])


@pytest.mark.parametrize("durations", [(0.1, 0.1), (0.1, 0.01)])
def test_durations_that_do_not_rise_are_refused(durations: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="must rise"):
        brackets([], durations, starts_at_v=START_V)


DIPS = st.lists(
    st.builds(
        dip,
        st.floats(0.0, START_V),
        st.sampled_from((0.005, *TIMES_S, 2.0)),
        kept=st.booleans(),
        longer=st.floats(1.0, 1.5),
    ),
    max_size=12,
)


@given(DIPS)
def test_with_more_time_the_boundary_never_lies_lower_whatever_was_taken(dips: list[Dip]) -> None:
    found = brackets(dips, TIMES_S, starts_at_v=START_V)
    for shorter, longer in pairwise(found):
        assert shorter.lost_v <= longer.lost_v
        assert shorter.kept_v <= longer.kept_v
    assert all(one.lost_v <= one.kept_v for one in found)


@given(DIPS)
def test_nothing_counts_as_survived_where_an_easier_dip_was_lost(dips: list[Dip]) -> None:
    for one in brackets(dips, TIMES_S, starts_at_v=START_V):
        easier = [dip for dip in dips if not dip.kept and dip.at_most_s <= one.at_least_s]
        assert all(dip.lowest_v <= one.kept_v for dip in easier)


@given(
    st.floats(3.0, 12.0), st.floats(0.0, 2.0), st.lists(st.tuples(st.floats(0.0, START_V), st.sampled_from(TIMES_S)))
)
def test_of_a_unit_with_a_boundary_every_bracket_holds_it(
    at_v: float, more_v: float, asked: list[tuple[float, float]]
) -> None:
    def true_v(time_s: float) -> float:
        return at_v + more_v * (1.0 + math.log10(time_s) / 2.0)

    dips = [dip(volts, time_s, kept=volts > true_v(time_s)) for volts, time_s in asked]
    assert contradictions(dips) == ()
    for one in brackets(dips, TIMES_S, starts_at_v=START_V):
        assert one.lost_v <= true_v(one.at_least_s) <= one.kept_v or one.kept_v == START_V
