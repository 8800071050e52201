"""The trim plan through the command line: a good unit passes it, and polarity follows the aircraft sheet."""

from importlib.resources import files

import pytest
from command_line import verify
from synthetic_captures import shipped_plans


def test_a_good_unit_passes_all_the_trials_that_acceptance_does_not_take(tmp_path):
    # what both plans take alike a good unit passes under acceptance
    whole, deep = shipped_plans()["acceptance"].plan, shipped_plans()["trim"].plan
    planned = {step.procedure for step in deep.steps}
    more = [step.procedure for step in whole.steps if step.procedure in planned and "trials" in step.conditions]
    assert {"trim-latency", "trim-taps", "trim-priority"} <= set(more)
    only = [word for name in more for word in ("--only", name)]
    outcome = verify(tmp_path, "--plan", "trim", "--partial-ok", *only)
    document = outcome.document()
    assert [f["id"] for f in document["findings"] if f["verdict"] != "pass"] == []
    assert (outcome.code, document["partial"]) == (0, True)


def aircraft(folder, reversed_axes):
    text = files("test_plans").joinpath("aircraft", "whimbrel.toml").read_text()
    assert "reversed-axes = []" in text
    bits = {"pitch": 1, "roll": 2, "yaw": 4}
    reversal = sum(bit for axis, bit in bits.items() if axis in reversed_axes)
    assert "trim-reversal = 0" in text
    text = text.replace("trim-reversal = 0", f"trim-reversal = {reversal}")
    sheet = folder / "aircraft.toml"
    sheet.write_text(text.replace("reversed-axes = []", f"reversed-axes = {reversed_axes}"))
    return sheet


def test_a_unit_set_for_a_reversed_axis_passes_on_that_aircraft(tmp_path):
    sheet = aircraft(tmp_path, '["yaw", "roll"]')
    document = verify(tmp_path / "records", "--aircraft", sheet, "--only", "trim-light").document()
    assert [f["id"] for f in document["findings"] if f["verdict"] != "pass"] == []


def test_an_axis_set_the_wrong_way_round_is_found_by_what_the_unit_reports_and_by_its_polarity(tmp_path):
    plan = tmp_path / "plan.toml"  # in which nothing waits for the settings to be right
    shipped = files("test_plans").joinpath("plans", "trim.toml").read_text()
    plan.write_text(shipped.replace(', "power-up"]', "]").replace(', "power-up", "trim-light"]', ', "trim-light"]'))
    words = ("--plan", plan, "--only", "trim-light", "--defect", "trim-set-reversed")
    document = verify(tmp_path / "records", *words).document()
    fails = {f["id"] for f in document["findings"] if f["verdict"] == "fail"}
    assert fails >= {"roll.left.left.drives", "roll.right.right.drives"}
    assert not [name for name in fails if name.startswith(("pitch.", "yaw."))]


@pytest.mark.parametrize(("axes", "turned"), [("[]", "yaw"), ('["yaw"]', "yaw")])
def test_leads_swapped_inside_fail_whichever_way_the_axis_is_set(axes, turned, tmp_path):
    words = ("--aircraft", aircraft(tmp_path, axes), "--only", "trim-light", "--defect", "trim-leads-swapped")
    document = verify(tmp_path / "records", *words).document()
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert {f["id"].split(".")[0] for f in document["findings"] if f["verdict"] == "fail"} == {turned}
