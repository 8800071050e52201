"""What `--only` takes along."""

import pytest

from bench.errors import UsageError
from bench.planning import plan_steps
from bench.run_sheets import SheetNames, load_sheets
from bench.steps import choose

STEPS = plan_steps(load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6")))


BENCH = {"bench-check", "bench-leads", "discharge"}
POWERED = BENCH | {"unpowered", "power-up"}


@pytest.mark.parametrize(
    ("only", "taken"),
    [
        ("bench-check", {"bench-check", "discharge"}),
        ("power-up", POWERED),
        ("discretes", POWERED | {step.name for step in STEPS if step.name.startswith("discrete-")}),
        ("ground", POWERED | {"trim-light", "ground-pin"}),
        ("discharge", {"discharge"}),
    ],
)
def test_a_step_brings_what_it_waits_for_and_the_discharge(only, taken):
    assert {step.name for step in choose(STEPS, [only])} == taken


def test_steps_stay_in_the_plans_order():
    names = [step.name for step in choose(STEPS, ["ground"])]
    assert names == [step.name for step in STEPS if step.name in set(names)]


def test_all_of_the_plan_is_taken_when_nothing_is_named():
    assert choose(STEPS, []) == STEPS


def test_an_unknown_name_lists_procedures_and_functions():
    with pytest.raises(UsageError, match=r"bench-check.*Functions: .*discretes"):
        choose(STEPS, ["flight"])


def test_several_names_are_taken_together():
    taken = {step.name for step in choose(STEPS, ["ground-pin", "dimming"])}
    assert {"ground-pin", "dimming-curve"} <= taken
