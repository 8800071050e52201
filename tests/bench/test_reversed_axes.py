"""An aircraft may have an axis set the other way round: what procedures expect and what the twin does both follow."""

from dataclasses import replace

import pytest
from sheet_texts import changed, dotterel, problems_of

from bench.plan_check import setup_for
from bench.run_sheets import SheetNames, load_sheets
from bench.sheets import load_aircraft, load_unit
from bench.simulation import simulated_parameters
from test_plans.sheets import as_fitted

SHEETS = load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6"))
TURNED = ("reversed-axes = []", 'reversed-axes = ["roll"]')
REPORTED = ("trim-reversal = 0", "trim-reversal = 2")


def test_only_the_reversed_axis_is_expected_the_other_way_round(tmp_path):
    aircraft = load_aircraft(changed(tmp_path, "aircraft", TURNED, REPORTED), dotterel())
    assert aircraft.reversed_axes == ("roll",)
    setup = setup_for(SHEETS.plan.steps[0], unit=SHEETS.unit, aircraft=aircraft, plan=SHEETS.plan, bench=SHEETS.bench)
    for axis, as_drawn in zip(setup.unit.trims, SHEETS.unit.trims, strict=True):
        sign = -1 if axis.name == "roll" else 1
        for switch, drawn in zip(axis.switches, as_drawn.switches, strict=True):
            assert switch == replace(drawn, polarity=sign * drawn.polarity)


def test_a_model_without_reversed_axes_stays_the_same_sheet():
    assert as_fitted(SHEETS.unit, SHEETS.aircraft) is SHEETS.unit


def test_the_twin_is_set_by_the_aircraft_sheet_itself(tmp_path):
    aircraft = load_aircraft(changed(tmp_path, "aircraft", TURNED, REPORTED), dotterel())
    reversal = SHEETS.unit.bus.reports["trim-reversal"].identifier
    for defects, turned, reported in (
        ((), {"roll"}, 2),
        ((("trim-set-reversed", 1.0),), set(), 0),  # wrongly set, it drives as if nothing were reversed, and says so
    ):
        _, twin = simulated_parameters(
            SHEETS.unit,
            SHEETS.unit_simulation,
            aircraft,
            SHEETS.bench,
            SHEETS.bench_simulation,
            seed=1,
            defects=defects,
        )
        assert {bridge.name for bridge in twin.bridges if bridge.reversed} == turned
        assert dict(twin.settings)[reversal] == reported


def test_a_setting_that_contradicts_the_reversed_axes_is_named(tmp_path):
    for edits in ((TURNED,), (("trim-reversal = 0", "trim-reversal = 4"),)):
        (said,) = problems_of(load_aircraft, changed(tmp_path, "aircraft", *edits), dotterel())
        assert "settings.trim-reversal: " in said
        assert "is not what reversed-axes gives; set it to" in said


def test_a_setting_that_contradicts_the_dimming_map_is_named(tmp_path):
    for edit in (("dimming-selection = 44", "dimming-selection = 12"), ('dc-2 = "rheostat-2"', 'dc-2 = "rheostat-1"')):
        (said,) = problems_of(load_aircraft, changed(tmp_path, "aircraft", edit), dotterel())
        assert "settings.dimming-selection: " in said
        assert "is not what dimming-map gives; set it to" in said


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        ('["pitch", "dc-1"]', "are neither all trim axes nor all dimming outputs"),
        ('["pitch", "pitch"]', "name one twice"),
    ],
)
def test_faults_of_the_bits_of_a_setting_are_named(tmp_path, bits, said):
    path = changed(tmp_path, "unit", ('bits = ["pitch", "roll", "yaw"]', f"bits = {bits}"))
    assert any(f"bus.reports.trim-reversal.bits: {said}" in line for line in problems_of(load_unit, path))


@pytest.mark.parametrize(
    ("axes", "said"), [('["rol"]', 'there is no axis "rol"'), ('["roll", "roll"]', '"roll" stands twice')]
)
def test_an_axis_that_is_none_is_named(tmp_path, axes, said):
    path = changed(tmp_path, "aircraft", (TURNED[0], f"reversed-axes = {axes}"))
    assert any("reversed-axes" in line and said in line for line in problems_of(load_aircraft, path, dotterel()))


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (('slow-airspeed = "140 kt"', 'slow-airspeed = "60 kt"'), "trim-rules.slow-airspeed: 60 kt is not above"),
        (('slow-airspeed = "140 kt"', ""), "trim-rules.slow-airspeed: is missing"),
        (('full-trim-airspeed = "70 kt"', ""), "ratings.full-trim-airspeed: is missing"),
        (('after-hand-over = "resumes"', 'after-hand-over = "maybe"'), "trim-rules.after-hand-over"),
    ],
)
def test_faults_of_the_trim_rules_are_named(tmp_path, edit, said):
    problems = problems_of(load_unit, changed(tmp_path, "unit", edit))
    assert any(said in line for line in problems), problems


def test_a_model_with_trim_outputs_needs_trim_rules(tmp_path):
    path = changed(tmp_path, "unit")
    with open(path, encoding="utf-8") as sheet:  # noqa: PTH123
        text = sheet.read()
    rules = text[text.index("[trim-rules]") : text.index("# Every other output that must")]
    (tmp_path / "unit.toml").write_text(text.replace(rules, ""), encoding="utf-8")
    assert "trim-rules: is missing; add it: the unit has trim outputs" in problems_of(load_unit, path)
