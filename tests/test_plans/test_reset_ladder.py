"""The reset ladder against its source, and what a step makes of it."""

from dataclasses import replace

import pytest
from synthetic_captures import Shelf, setup_of

from test_plans.profile import LADDER, Behaviour
from test_plans.profile_shot import AFTER_S, TAIL_S
from test_plans.profile_way import Means
from test_plans.registry import PROCEDURES
from test_plans.reset_ladder import BACK_S, HOLD_S, rungs_v


def with_conditions(**conditions):
    setup = setup_of("reset-ladder")
    return replace(setup, step=replace(setup.step, conditions=conditions))


@pytest.mark.parametrize(
    ("lowest_v", "first_v"),
    [(8.0, (7.6, 7.2, 6.8, 6.4, 6.0, 5.6)), (9.0, (8.55, 8.1, 7.65))],
)
def test_the_ladder_drops_by_5_per_cent_of_the_lowest_voltage_down_to_nothing(lowest_v, first_v):
    # ISO 16750-2:2023, 4.6.2, supply codes B (8 V) and C (9 V): 20 drops down to 0 V
    levels_v = rungs_v(lowest_v)
    assert levels_v[: len(first_v)] == first_v
    assert levels_v[-2:] == (pytest.approx(0.05 * lowest_v), 0.0)
    assert len(levels_v) == 20


def test_it_holds_5_s_and_is_back_for_10_s():
    # ISO 16750-2:2023, 4.6.2: drop for at least 5 s, back for at least 10 s
    assert (HOLD_S, BACK_S) == (5.0, 10.0)
    need = PROCEDURES["reset-ladder"].needs(with_conditions())
    assert len(need.captures) == 20
    assert sum(one.duration_s for one in need.captures) > 20 * 5 + 20 * 10
    assert "shortened" not in str(list(PROCEDURES["reset-ladder"].evaluate(Shelf(), with_conditions())))


def test_a_plan_may_shorten_it_and_every_finding_says_so():
    setup = setup_of("reset-ladder")
    assert (setup.step.conditions["hold_s"], setup.step.conditions["settle_s"]) == (1.0, 4.0)
    found = [one for one in PROCEDURES["reset-ladder"].evaluate(Shelf(), setup) if hasattr(one, "trials")]
    judged = [one for one in found if one.id.startswith("reset-ladder.") and hasattr(one, "statement")]
    assert {one.id for one in judged} == {
        f"reset-ladder.{name}" for name in ("hold-up", "logic", "no-motion", "configuration")
    }
    assert all("shortened: 1 s at each rung and 4 s back, 5 s and 10 s in the source" in one.notes for one in judged)
    assert all("ISO 16750-2, 4.6.2 (2023), of road vehicle origin" in one.source for one in judged)
    assert all("unverified: how fast the bus moves" in str(one.notes) for one in judged)


def test_what_was_not_taken_is_the_benchs_debt():
    found = PROCEDURES["reset-ladder"].evaluate(Shelf(), setup_of("reset-ladder"))
    assert all(one.doubts and one.trials == 0 for one in found if hasattr(one, "statement"))


def test_without_the_step_s_voltage_it_begins_at_the_model_s_lowest():
    (way,) = PROCEDURES["reset-ladder"].needs(with_conditions(hold_s=1.0)).ways
    assert way.means is Means.LIST
    name = PROCEDURES["reset-ladder"].needs(with_conditions(hold_s=1.0)).captures[0].name
    assert name == "ladder-9500mv.hard"  # 10.0 V less 5 %


def test_a_short_time_back_is_what_every_shot_stays_anyway():
    short, longer = (
        PROCEDURES["reset-ladder"].needs(with_conditions(hold_s=1.0, settle_s=back_s)).captures[0].duration_s
        for back_s in (4.0, 10.0)
    )
    assert longer - short == pytest.approx(10.0 - AFTER_S - TAIL_S - 0.1, abs=0.05)


def test_a_model_whose_sheet_requires_nothing_of_it_is_left_out():
    setup = setup_of("reset-ladder")
    assert setup.unit.profiles[LADDER].logic is Behaviour.LOST_AND_RECOVERED
    without = replace(setup, unit=replace(setup.unit, profiles={}))
    left = PROCEDURES["reset-ladder"].not_for_model(without)
    assert left is not None
    assert left.untested
