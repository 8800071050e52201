import math

import pytest
from sheet_texts import changed, dotterel, problems_of

from analysis.finding import LimitKind
from bench.sheets import load_unit
from bench.sheets.load import load_unit_simulation
from test_plans.sheets import Sense


def test_the_shipped_sheet_becomes_what_procedures_see():
    unit = dotterel()
    assert (unit.model, unit.nominal_voltage_v, unit.lowest_voltage_v) == ("dotterel-6", 13.8, 10.0)
    functions = "power ground bus-monitor discretes dimming pitch-trim roll-trim yaw-trim hold-up flaps lights"
    assert " ".join(function.name for function in unit.functions) == functions
    assert [entry.sense for entry in unit.discretes] == [Sense.ACTIVE_LOW] * 6 + [Sense.ACTIVE_HIGH] * 4
    assert (unit.discretes[0].threshold_active_v, unit.discretes[0].threshold_inactive_v) == (1.6, 2.6)
    assert (unit.debounce_accepts_s, unit.debounce_rejects_s) == (0.025, 0.015)
    assert {axis.name: len(axis.switches) for axis in unit.trims} == {"pitch": 4, "roll": 4, "yaw": 2}
    assert unit.limits["trim-drop"].low == -math.inf
    assert unit.limits["trim-drop"].high == 0.60
    assert unit.limits["discrete-latency"].worst_case
    assert unit.limits["low-pull-current"].quantity_unit == "A"
    assert all(limit.source == "invented for the demo" for limit in unit.limits.values())
    assert len(unit.digest) == 64


def test_each_switch_of_an_axis_has_a_seat_a_direction_and_a_polarity():
    pitch = dotterel().trims[0]
    assert [(switch.name, switch.seat, switch.direction, switch.polarity) for switch in pitch.switches] == [
        ("pitch-left-up", "left", "up", 1),
        ("pitch-left-down", "left", "down", -1),
        ("pitch-right-up", "right", "up", 1),
        ("pitch-right-down", "right", "down", -1),
    ]


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('title = "Discrete 1"', 'titel = "Discrete 1"'),
            'discretes.discrete-1.titel: unknown key; did you mean "title"?',
        ),
        (('id = "clock-off"', 'id = "discrete-stuck"'), 'simulation.defects[0].id: "discrete-stuck" stands twice'),
        (
            ('id = "clock-off"\ntitle', 'id = "external-trim-contact"\ntitle'),
            'simulation.not-caught[8].id: "external-trim-contact" stands twice; give each defect its own id',
        ),
        (
            ('caught-by = ["discrete-levels"]', 'caught-by = ["discrete-level"]'),
            'simulation.defects[0].caught-by: there is no procedure "discrete-level"; did you mean "discrete-levels"?',
        ),
        (
            ('findings = ["discrete-3.truth"]', 'findings = ["discreet-3.truth"]'),
            'simulation.defects[0].findings: "discreet-3.truth": no finding begins with "discreet-3"; did you mean',
        ),
        (
            ('findings = ["discrete-3.truth"]', 'findings = ["Truth"]'),
            'simulation.defects[0].findings[0]: found "Truth"',
        ),
        (('findings = ["discrete-3.truth"]\n', ""), "simulation.defects[0].findings: is missing; add it"),
        (("[ratings]", "[ratings]\ncolour = 1"), "ratings.colour: unknown key; known keys here: full-trim"),
        (('nominal-voltage = "13.8 V"', 'nominal-voltage = "13.8 A"'), 'found "13.8 A"; give a voltage such as'),
        (
            ('nominal-voltage = "13.8 V"', "nominal-voltage = 13.8"),
            "ratings.nominal-voltage: found 13.8; give a voltage such as",
        ),
        (('nominal-voltage = "13.8 V"\n', ""), "ratings.nominal-voltage: is missing; add it"),
        (('open-voltage = "5.5 V"', 'open-voltage = "5 V"'), "rheostat-1.open-voltage: 5 V is not above full"),
        ((', open-travel = "60 %" }', " }"), "rheostats.rheostat-1.open-travel: is missing; add it, or take out the"),
        (('open-voltage = "5.5 V", ', ""), "rheostats.rheostat-1.open-voltage: is missing; add it, or take out the"),
        (('nominal-voltage = "13.8 V"', 'nominal-voltage = "-13.8 V"'), 'found "-13.8 V"; give more than 0 V'),
        (
            ('lowest-voltage = "10.0 V"', 'lowest-voltage = "14 V"'),
            "14 V is above nominal-voltage 13.8 V; swap the two",
        ),
        (
            ('low = "0.09 A"', 'low = "0.29 A"'),
            "limits.quiescent-current.low: 0.29 A is not below nominal 0.15 A; swap",
        ),
        (('low = "0.09 A", nominal = "0.15 A"', 'low = "0.21 A"'), "0.21 A is not below high 0.21 A; swap the two"),
        (('high = "0.21 A"', 'high = "0.21 V"'), "limits.quiescent-current.high: found 0.21 V; give a current such as"),
        (
            ('high = "0.21 A"', 'high = "lots"'),
            'limits.quiescent-current.high: found "lots"; give a figure with its unit',
        ),
        (('high = "45 ms", ', ""), "limits.discrete-latency: has neither low nor high"),
        (
            ("trim-cut-off = { low", "trim-cutoff = { low"),
            'limits.trim-cutoff: no procedure knows this limit; did you mean "tri',
        ),
        (
            ('source = "invented for the demo", date = 2026-11-25 }', "date = 2026-11-25 }"),
            "quiescent-current.source: is missing",
        ),
        (
            ("date = 2026-11-25 }", 'date = "soon" }'),
            'quiescent-current.date: found "soon"; give a date such as 2026-11-25',
        ),
        (
            ('pin = "P2-2"', 'pin = "P2-1"'),
            'discretes.discrete-2.pin: pin "P2-1" is already that of discretes.discrete-1',
        ),
        (('pin = "P2-2"', 'pin = "P9-2"'), 'discretes.discrete-2.pin: there is no pin "P9-2"; did you mean "P'),
        (
            ('report = "discrete-2"', 'report = "discreet-2"'),
            'there is no report "discreet-2"; did you mean "discrete-2"?',
        ),
        (
            ('report = "discrete-2"', 'report = "reset-count"'),
            'report "reset-count" is of kind "count"; name one of kind',
        ),
        (
            ('sense = "active-low"', 'sense = "active"'),
            "discretes.discrete-1.sense: found \"active\"; give 'active-low' or",
        ),
        (("identifier = 1802", "identifier = 1801"), "1801 is already that of bus.reports.discrete-1.identifier"),
        (
            ("identifier = 1802", "identifier = 4000"),
            "bus.reports.discrete-2.identifier: found 4000; give at most 2047",
        ),
        (("identifier = 1802", 'identifier = "1802"'), 'identifier: found "1802"; give a whole number without quotes'),
        (
            ('function = "pitch-trim"', 'function = "pitch"'),
            'trims.pitch.function: there is no function "pitch"; did you mean',
        ),
        (('rejects = "15 ms"', 'rejects = "35 ms"'), "debounce.rejects: 0.035 s is not below accepts 0.025 s; swap"),
        (
            ('low-level = "4 %"', 'low-level = "4 V"'),
            "dimming.pwm-1.low-level: found 4 V for a pwm output; give a percentage",
        ),
        ((', rated-current = "4 A" }', " }"), "outputs.hold-up.rated-current: is missing beside its other half"),
        (
            ('function = "flaps", plus-pin', 'function = "flaps", short-proof = true, plus-pin'),
            "outputs.flap.short-proof: stands at an output that is not held up; take it out",
        ),
        (('frequency = "240 Hz", ', ""), "dimming.pwm-1.frequency: is missing; add it"),
        (('kind = "dc"', 'kind = "dc", frequency = "1 Hz"'), "dimming.dc-1.frequency: a dc output has no frequency"),
        (
            ("[inputs]", "[inputs]\nlight-1 = { title = 't', function = 'lights', pin = 'P3-16' }"),
            'the name "light-1" is already',
        ),
        (
            (
                'firmware = { identifier = 1824, kind = "count"',
                'firmware = { identifier = 1824, kind = "level"',
            ),
            'bus.reports.firmware.kind: found "level"; give "count"',
        ),
        (("reset-count = {", "resets = {"), "bus.reports.reset-count: is missing; add it: every run reads it"),
        (("[senses.active-high]", "[senses.active-hi]"), "senses.active-hi: found"),
        (("discrete-1 = { title", "Discrete_1 = { title"), "discretes.Discrete_1: found"),
    ],
    ids=lambda value: value[:50] if isinstance(value, str) else "",
)
def test_each_fault_is_named_with_its_key_and_mend(tmp_path, edit, said):
    problems = problems_of(load_unit, changed(tmp_path, "unit", edit))
    assert any(said in line for line in problems), problems


def test_all_faults_come_at_once_of_shape_and_of_meaning(tmp_path):
    path = changed(
        tmp_path,
        "unit",
        ('nominal-voltage = "13.8 V"', 'nominal-voltage = "13.8 A"'),
        ("lowest-voltage", "lowest-voltag"),
        ('low = "0.09 A"', 'low = "0.29 A"'),
        ('pin = "P2-2"', 'pin = "P2-1"'),
        ('report = "discrete-5"', 'report = "discreet-5"'),
    )
    assert [line.split(":")[0] for line in problems_of(load_unit, path)] == [
        "ratings.lowest-voltag",
        "ratings.nominal-voltage",
        "discretes.discrete-2.pin",
        "discretes.discrete-5.report",
        "limits.quiescent-current.low",
    ]


def test_a_stand_in_for_a_faulty_figure_is_never_blamed_itself(tmp_path):
    path = changed(tmp_path, "unit", ('high = "0.21 A"', 'high = "0.21 furlong"'))
    assert [line.split(":")[0] for line in problems_of(load_unit, path)] == ["limits.quiescent-current.high"]


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('low = "0.10 A"', 'low = "0.095 A"'),
            "0.095 A is within 4 u of the limit 0.09 A; move it to 0.098 A or further in",
        ),
        (
            ('nominal = "5 milliohm", sd', 'nominal = "5 mV", sd'),
            "ground_ohm.nominal: found 0.005 V; give a resistance",
        ),
        (("quiescent_a = {", "quiesent_a = {"), 'is no quantity of this group; did you mean "quiescent_a"?'),
        (
            ("[simulation.quantities.axis]", "[simulation.quantities.axes]"),
            'is no group of quantities; did you mean "axis"?',
        ),
        (('"discrete-3.stuck" = "1"', '"discrete-33.stuck" = "1"'), "is no quantity of this unit; did you mean"),
        (('"unit.quiescent_a" = "90 mA"', '"unit.quiescent_a" = "65 mA"'), "must be 4 u = 0.008 A outside or more"),
        (('"unit.quiescent_a" = "90 mA"', '"unit.quiescent_a" = "90 mV"'), "found 0.09 V; give a current"),
        (('id = "slow-debounce"', 'id = "discrete-stuck"'), '"discrete-stuck" stands twice'),
        (('minuend = "threshold_inactive_v"', 'minuend = "threshold"'), '"threshold" is not drawn for active-low'),
        (('limit = "quiescent-current"', 'limit = "quiet-current"'), 'there is no limit "quiet-current"'),
        (('limit = "quiescent-current"', 'limit = "ready-time"'), 'limit "ready-time" is in another unit than 0.15 A'),
        ((', sd = "0.012 A", low = "0.10 A"', ', sd = "0.012 A"'), "has a spread (sd) without low and high"),
    ],
    ids=lambda value: value[:50] if isinstance(value, str) else "",
)
def test_faults_of_the_simulation_table_are_named(tmp_path, edit, said):
    problems = problems_of(load_unit, changed(tmp_path, "unit", edit))
    assert any(said in line for line in problems), problems


def test_a_model_without_simulation_can_be_loaded_but_not_simulated(tmp_path):
    path = changed(tmp_path, "unit")
    with open(path, encoding="utf-8") as sheet:  # noqa: PTH123
        text = sheet.read().partition("[simulation.quantities.unit]")[0]
    (tmp_path / "unit.toml").write_text(text, encoding="utf-8")
    assert load_unit(path).model == "dotterel-6"
    assert problems_of(load_unit_simulation, path) == [
        "simulation: is missing, so this model can't be simulated; add the table, or use a real bench"
    ]


def test_a_test_limit_keeps_its_kind(tmp_path):
    path = changed(tmp_path, "unit", ('kind = "specification"', 'kind = "test-limit"'))
    assert load_unit(path).limits["quiescent-current"].kind is LimitKind.TEST_LIMIT


def test_breaks_of_the_bus_are_required_by_state_and_behaviour():
    longest = dotterel().interruptions
    assert set(longest) == {"idle", "trim", "dimming", "hold-up"}
    assert {behaviour.class_letter: round(1e3 * s) for behaviour, s in longest["trim"].items()} == {
        "A": 5,
        "B": 10,
        "C": 500,
    }


@pytest.mark.parametrize(
    ("entry", "complaint"),
    [
        ("idle = {}", "interruptions.idle: requires nothing"),
        ('parked = { kept-working = "1 ms" }', "interruptions.parked"),
        ('idle = { kept-working = "0 ms" }', "interruptions.idle.kept-working"),
        (
            'idle = { kept-working = "50 ms", recovered = "20 ms" }',
            'interruptions.idle: up to 20 ms "out of limits and recovered", but up to 50 ms "kept working"',
        ),
    ],
)
def test_breaks_that_ask_for_nothing_that_could_be_are_refused(tmp_path, entry, complaint):
    shipped = 'idle = { kept-working = "50 ms", lost-and-recovered = "500 ms" }'
    (problem,) = problems_of(load_unit, changed(tmp_path, "unit", (shipped, entry)))
    assert problem.startswith(complaint)
