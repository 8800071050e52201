"""Which load is which, by resistance: a bench of another voltage names its resistors otherwise."""

import math
from dataclasses import replace

import pytest
from sheet_texts import dotterel
from synthetic_captures import setup_of

from test_plans.dimming_positions import rated_position, short_position
from test_plans.sheets import LoadPosition

OUTPUT = dotterel().dimming[0]


def at(ohm, *, to_reference=False):
    return LoadPosition(resistance_ohm=ohm, relative_bound=1e-3, to_reference=to_reference)


def setup(**loads):
    bare = setup_of("dimming-load")
    named = {name.replace("_", " "): load for name, load in loads.items()}
    return replace(bare, bench=replace(bare.bench, loads={OUTPUT.name: named}))


def test_the_rated_load_is_the_heaviest_below_the_current_limit_and_the_short_the_lowest_of_all():
    here = setup(open=at(math.inf), weak=at(100.0), strong=at(18.0), heavier=at(15.0), nil=at(0.4))
    assert rated_position(here, OUTPUT) == "strong"  # 13.8 V / 0.8 A is 17.25 ohm
    assert short_position(here, OUTPUT) == "nil"


def test_a_feed_from_the_reference_is_no_load():
    here = setup(feed=at(0.1, to_reference=True), nil=at(0.5), back=at(100.0, to_reference=True))
    assert short_position(here, OUTPUT) == "nil"
    assert rated_position(here, OUTPUT) == "a rated load of 17 ohm or little more"


@pytest.mark.parametrize("loads", [{}, {"strong": at(18.0)}])
def test_without_a_short_the_plan_check_is_told_what_is_wanted(loads):
    assert short_position(setup(**loads), OUTPUT).startswith("a short")
    assert short_position(setup(**loads), OUTPUT) not in loads


def test_a_model_without_the_limit_has_neither():
    here = setup(strong=at(18.0), nil=at(0.5))
    bare = {key: limit for key, limit in here.unit.limits.items() if key != "dimming-short-current"}
    here = replace(here, unit=replace(here.unit, limits=bare))
    assert (rated_position(here, OUTPUT), short_position(here, OUTPUT)) == ("a rated load", "a short")
