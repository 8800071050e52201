"""The search along the boundary of a map of dips, on units made of a rule instead of volts."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.dip_map import Dip, contradictions
from test_plans.dip_search import MOST_UNTOLD, Aim, Grid, Taken, dips_of, map_of, next_aim

GRID = Grid(
    functions={"hold-up": 0.25, "logic": 0.05},
    durations_s=(0.010, 0.037, 0.136, 0.500),
    starts_at_v=13.8,
    first_v=6.0,
    deepest_v=4.0,
    resolution_v=0.35,
    most=26,
)
Rule = Callable[[float, float], bool]  # (V, s) -> survived


def at(boundary_v: float) -> Rule:
    return lambda volts, _: volts > boundary_v


def searched(grid: Grid = GRID, *, reached: bool = True, **rules: Rule) -> list[Taken]:
    """Return every dip that a search takes on a unit, whose bench puts each 0.05 V below what was asked."""
    survives = {name.replace("_", "-"): rule for name, rule in rules.items()}
    taken: list[Taken] = []
    while (aim := next_aim(taken, grid)) is not None:
        volts = aim.depth_v - 0.05
        dips = {
            name: Dip(
                name=f"dip {len(taken)}",
                asked_s=aim.duration_s,
                reached_v=volts + 0.02,
                at_least_s=aim.duration_s,
                lowest_v=volts - 0.02,
                at_most_s=aim.duration_s + 0.018,
                kept=rule(volts, aim.duration_s + 0.015),
            )
            for name, rule in survives.items()
        }
        taken.append(Taken(aim=aim, dips=dips if reached else {}))
        assert len(taken) <= grid.most
    return taken


def test_the_middling_unit_takes_about_as_many_dips_as_foreseen_most_of_them_near_its_boundaries() -> None:
    taken = searched(hold_up=at(5.4), logic=at(4.5))
    assert GRID.foreseen == 15
    assert abs(len(taken) - GRID.foreseen) <= 2
    near = [one for one in taken if min(abs(one.aim.depth_v - 5.4), abs(one.aim.depth_v - 4.5)) < 0.6]
    assert len(near) >= 0.7 * len(taken)


@given(hold_up_v=st.floats(4.2, 12.5), logic_v=st.floats(4.2, 12.5))
@settings(max_examples=60, deadline=None)
def test_wherever_the_boundaries_lie_they_are_bracketed_at_every_duration(hold_up_v: float, logic_v: float) -> None:
    taken = searched(hold_up=at(hold_up_v), logic=at(logic_v))
    for function, true_v in (("hold-up", hold_up_v), ("logic", logic_v)):
        assert contradictions(dips_of(taken, function)) == ()
        for bracket in map_of(taken, GRID, function):
            assert bracket.lost_v <= true_v <= bracket.kept_v
            assert bracket.width_v <= 0.75


def test_a_boundary_that_rises_with_time_is_followed() -> None:
    taken = searched(hold_up=lambda volts, s: volts > (5.0 if s < 0.1 else 7.0), logic=at(4.5))
    brief, _, lasting, longest = map_of(taken, GRID, "hold-up")
    assert brief.lost_v < 5.0 < brief.kept_v
    for bracket in (lasting, longest):
        assert bracket.lost_v < 7.0 < bracket.kept_v


@pytest.mark.parametrize("band_s", [(0.04, 0.06), (0.1, 0.2)])
def test_a_unit_that_hangs_in_a_narrow_band_of_durations_is_found_and_tried_again(band_s: tuple[float, float]) -> None:
    def logic(volts: float, time_s: float) -> bool:
        return volts > 4.5 and not (volts < 7.5 and band_s[0] <= time_s <= band_s[1])

    taken = searched(hold_up=at(5.4), logic=logic)
    found = contradictions(dips_of(taken, "logic"))
    aims = {one.dips["logic"].name: one.aim for one in taken}
    lost = [aims[one.lost.name] for one in found]
    assert any(lost.count(aim) == 2 for aim in lost)
    assert contradictions(dips_of(taken, "hold-up")) == ()


def test_a_bench_that_delivers_nothing_is_given_up() -> None:
    assert len(searched(reached=False, hold_up=at(5.4), logic=at(4.5))) == MOST_UNTOLD


def test_one_duration_and_one_function_are_a_map_too() -> None:
    grid = replace(GRID, functions={"logic": 0.05}, durations_s=(0.05,))
    (bracket,) = map_of(searched(grid, logic=at(4.5)), grid, "logic")
    assert bracket.lost_v < 4.5 < bracket.kept_v < bracket.lost_v + 0.5
    assert next_aim((), grid) == Aim(6.0, 0.05)


def test_a_unit_that_survives_everything_is_not_searched_for_what_it_has_not() -> None:
    taken = searched(hold_up=at(0.0), logic=at(0.0))
    assert all(one.lost_v == float("-inf") for one in map_of(taken, GRID, "hold-up"))
    assert len(taken) <= 8
