"""What a conforming unit may draw is never read as nothing where the sheet does not say it."""

from dataclasses import replace

import pytest
from sheet_texts import changed
from synthetic_captures import Scene, Shelf, setup_of, sheets

from bench.plan_check import Ability, check_step, setup_for
from bench.planning import plan_steps
from bench.run_sheets import SheetNames, load_sheets
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import MissingFigureError, conforming_a
from test_plans.readings import Record
from test_plans.registry import PROCEDURES


def without(condition):
    unit = sheets().unit
    known = {name: amps for name, amps in unit.conforming_current_a.items() if name != condition}
    return replace(unit, conforming_current_a=known)


def test_a_condition_the_sheet_lacks_is_an_error_that_names_it_and_what_there_is():
    setup = replace(setup_of("trim-loaded"), unit=without("loaded"))
    assert conforming_a(setup_of("trim-loaded"), "loaded") == 1.80
    with pytest.raises(MissingFigureError, match="does not say what a conforming unit draws in condition loaded"):
        conforming_a(setup, "loaded")
    limiting = Scene("a", 1.0, set_voltage_v=13.8, current_limit_a=0.1)
    record = Record(Shelf(limiting.signal("unit.voltage", 9.0).signal("unit.current", 0.1).capture()), "a")
    with pytest.raises(MissingFigureError):  # 0.1 A is not an adequate limit for want of a figure
        supply_doubts(record, setup, "loaded")


@pytest.mark.parametrize(
    ("procedure", "condition"),
    [("trim-loaded", "loaded"), ("ground-pin", "ground"), ("bus-ramp", "ramp"), ("unpowered", "unpowered")],
)
def test_the_plan_check_says_which_figure_of_the_unit_sheet_is_missing(procedure, condition):
    loaded = sheets()
    step = next(step for step in loaded.plan.steps if step.procedure == procedure)
    setup = setup_for(step, unit=without(condition), aircraft=loaded.aircraft, plan=loaded.plan, bench=loaded.bench)
    checked = check_step(PROCEDURES[procedure], setup, loaded.bench)
    assert checked.ability is Ability.CANT
    assert checked.cheapest_missing == f"conforming-current.{condition} in the unit sheet"


def test_a_sheet_without_it_is_refused_with_the_key(tmp_path):
    model = changed(tmp_path, "unit", ("[conforming-current]\n", "[conforming-current]\n# "))
    loaded = load_sheets(SheetNames(bench="simulated", model=model))
    faults = [fault for step in plan_steps(loaded) for fault in step.faults]
    assert "conforming-current.unpowered" in {fault.key for fault in faults}
