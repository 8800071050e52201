"""What the sheets may say of airspeed, and what the plan check makes of a bench without its line."""

import math

import pytest
from airspeed_sheets import (
    ANALOGUE,
    CONTACT,
    CONTACT_WIRES,
    PIN,
    SWITCH,
    SWITCHED,
    VOLTAGE_WIRES,
    WIRED,
    bench_text,
    by_contact,
    by_voltage,
    unit_text,
    unwired,
)
from command_line import boxproof
from sheet_texts import changed, dotterel, problems_of

from bench.sheets import load_bench, load_unit
from test_plans.sheets import AirspeedRoute


def written(folder, text, name="unit"):
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_first_model_keeps_frames_and_the_second_takes_text():
    frames, text = dotterel().airspeed, load_unit("sanderling-2").airspeed
    assert (frames.route, frames.identifier, frames.lost_s) == (AirspeedRoute.CANAEROSPACE, 315, 3.0)
    assert (frames.lowest_kt, frames.highest_kt, frames.frozen_s) == (0.0, 400.0, math.inf)
    assert (text.route, text.pin, text.period_s) == (AirspeedRoute.TEXT, PIN, 0.2)
    assert (text.text.bit_rate, text.text.sentence) == (4800, "IIASP,{speed},{unit}")
    assert not text.text.converts_units


def test_voltage_and_contact_become_what_procedures_see(tmp_path):
    analogue = load_unit(written(tmp_path, unit_text(ANALOGUE))).airspeed.analogue
    assert analogue.volts(100.0) == pytest.approx(2.5)
    assert analogue.knots(2.5) == pytest.approx(100.0)
    switch = load_unit(written(tmp_path, unit_text(SWITCH, *SWITCHED))).airspeed.switch
    assert (switch.closed_when_fast, switch.rising_kt, switch.falling_kt) == (True, 85.0, 80.0)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (('route = "text"', 'route = "telex"'), "airspeed.route: found "),
        (
            ('route = "text"', 'route = "switch"'),
            'airspeed.text: the route is "switch"; take it out, or change the route',
        ),
        (
            ('route = "text"', 'route = "canaerospace"'),
            "airspeed.route: the unit has no bus; add [bus], or give another",
        ),
        (('lost = "3 s"\n', ""), 'airspeed.lost: is missing; add it, such as "3 s"'),
        (
            ('highest = "350 kt"', 'highest = "150 kt"'),
            "airspeed.highest: 150 kt is not above trim-rules.slow-airspeed",
        ),
        (('lowest = "0 kt"', 'lowest = "80 kt"'), "airspeed.lowest: 80 kt is not below ratings.full-trim-airspeed"),
        (('pin = "J2-11"', 'pin = "J2-10"'), 'airspeed.text.pin: pin "J2-10" is already that of inputs.light-3-switch'),
        (('period = "200 ms"', 'period = "40 ms"'), "airspeed.text.period: a sentence lasts"),
        (
            ('"IIASP,{speed},{unit}"', '"IIASP,{speed}"'),
            "airspeed.text.other-units: the sentence names no {unit}; take it",
        ),
        (('other-units = "refused"\n', ""), 'airspeed.text.other-units: is missing; add it: "refused" or "converted"'),
        (
            ('"IIASP,{speed},{unit}"', '"IIASP,{unit}"'),
            'airspeed.text.sentence: found "IIASP,{unit}"; give what stands',
        ),
        (('"IIASP,{speed},{unit}"', '"$IIASP,{speed}*"'), 'airspeed.text.sentence: found "$IIASP,{speed}*"; give what'),
        (
            ('"IIASP,{speed},{unit}"', '"IIASP,{speed},{speed}"'),
            'airspeed.text.sentence: found "IIASP,{speed},{speed}"',
        ),
    ],
)
def test_a_fault_of_the_text_route_is_said_with_key_and_mend(edit, said, tmp_path):
    problems = problems_of(load_unit, written(tmp_path, unit_text(None, edit)))
    assert any(problem.startswith(said) for problem in problems), problems


@pytest.mark.parametrize(
    ("tables", "edit", "said"),
    [
        (
            ANALOGUE,
            ('lost-below = "0.25 V"\n', ""),
            "airspeed.analogue.lost-below: is missing; add it, or take out airsp",
        ),
        (ANALOGUE, ('lost = "3 s"\n', ""), 'airspeed.lost: is missing; add it, such as "3 s"'),
        (
            ANALOGUE,
            ('lost = "3 s"', 'lost = "3 s"\nlowest = "0 kt"'),
            "airspeed.lowest: a voltage carries no figure; take",
        ),
        (
            ANALOGUE,
            ('voltage = "4.5 V"', 'voltage = "0.5 V"'),
            "airspeed.analogue.high.voltage: both points are at 0.5 V",
        ),
        (
            ANALOGUE,
            ('airspeed = "200 kt"', 'airspeed = "0 kt"'),
            "airspeed.analogue.low.airspeed: 0 kt is not below high",
        ),
        (
            ANALOGUE,
            ('airspeed = "200 kt"', 'airspeed = "120 kt"'),
            "airspeed.analogue.high.airspeed: 120 kt is not above",
        ),
        (
            ANALOGUE,
            ('lost-below = "0.25 V"', 'lost-below = "0.5 V"'),
            "airspeed.analogue.lost-below: 0.5 V is not below",
        ),
        (
            SWITCH,
            ('route = "switch"', 'route = "switch"\nlost = "3 s"'),
            "airspeed.lost: a switch can't be lost; take it",
        ),
        (SWITCH, ('rising = "85 kt"', 'rising = "80 kt"'), "airspeed.switch.falling: 80 kt is not below rising; swap"),
        (
            SWITCH,
            ('rising = "85 kt"', 'rising = "90 kt"'),
            "trim-rules.slow-airspeed: 85 kt is not airspeed.switch.rising",
        ),
    ],
)
def test_a_fault_of_another_route_is_said_too(tables, edit, said, tmp_path):
    edits = (*(SWITCHED if tables is SWITCH else ()), edit)
    problems = problems_of(load_unit, written(tmp_path, unit_text(tables, *edits)))
    assert any(problem.startswith(said) for problem in problems), problems


def test_all_faults_of_the_table_are_reported_together(tmp_path):
    edits = (('lost = "3 s"\n', ""), ('period = "200 ms"', 'period = "40 ms"'), ('other-units = "refused"\n', ""))
    keys = [problem.partition(":")[0] for problem in problems_of(load_unit, written(tmp_path, unit_text(None, *edits)))]
    assert sorted(keys) == ["airspeed.lost", "airspeed.text.other-units", "airspeed.text.period"]


def test_a_schedule_without_a_route_is_refused_and_a_name_is_taken_once(tmp_path):
    (problem,) = problems_of(load_unit, written(tmp_path, unit_text("")))
    assert problem.startswith("airspeed: is missing; add it: the trim slows with airspeed")
    renamed = unit_text(
        ANALOGUE, ("[outputs]\n", '[outputs]\nairspeed = { title = "x", function = "lights", plus-pin = "J1-4" }\n')
    )
    assert any(
        'the name "airspeed" is already that of airspeed' in p
        for p in problems_of(load_unit, written(tmp_path, renamed))
    )


def test_an_identifier_of_airspeed_is_no_reports(tmp_path):
    unit = changed(tmp_path, "unit", ("canaerospace = { identifier = 315 }", "canaerospace = { identifier = 1801 }"))
    (problem,) = problems_of(load_unit, unit)
    assert problem.startswith(
        "bus.reports.discrete-1.identifier: 1801 is already that of airspeed.canaerospace.identifier"
    )


@pytest.mark.parametrize(
    ("edits", "said"),
    [
        (
            ((WIRED, 'text = { pin = "J2-10", monitor-input = 6 }\n'),),
            'sanderling-2.text.pin: found "J2-10"; the unit sheet',
        ),
        (
            ((WIRED, 'text = { pin = "J2-11", monitor-input = 5 }\n'),),
            "text.monitor-input: digital input 5 is already that",
        ),
        (((WIRED, ""),), 'pin "J2-11" (airspeed, RS-232 receive) is not wired'),
        ((('url = "simbench://airspeed"\n', ""),), "text-line.url: is missing"),
        (
            (("[adapters.dotterel-6]\n", "[adapters.dotterel-6]\n" + WIRED),),
            "",
        ),
        (VOLTAGE_WIRES[1:], "stimuli.airspeed: is no name of this model's stimuli"),
        (CONTACT_WIRES, "switches.airspeed: is no name of this model's switches"),
    ],
)
def test_a_fault_of_the_wiring_is_said_with_key_and_mend(edits, said, tmp_path):
    path = written(tmp_path, bench_text(*edits, wired=True), "bench")
    unit = load_unit("sanderling-2") if said else dotterel()
    problems = problems_of(load_bench, path, unit)
    assert any((said or "text: model dotterel-6 takes no text; take it out") in problem for problem in problems), (
        problems
    )


def test_a_voltage_line_is_no_contact(tmp_path):
    words = by_voltage(tmp_path)
    bench = written(tmp_path, bench_text((CONTACT, CONTACT_WIRES[0][1])), "bench")
    problems = problems_of(load_bench, bench, load_unit(words[3]))
    assert any("switches.airspeed: is no name" in problem for problem in problems)


def steps_of(words):
    checked = boxproof("check", *words, "--json").document()
    return {step["procedure"]: step for step in checked["procedures"]}


def test_the_plan_check_says_which_line_is_missing_and_what_would_do(tmp_path):
    steps = steps_of(unwired(tmp_path))
    said = steps["trim-speed"]["obstacles"][1]
    assert said["what"] == "airspeed is text, and no serial port leads to the unit"
    assert said["remedy"] == f"a serial port of 4800 bit/s, led to pin {PIN}"
    assert steps["power-up"]["ability"] == "can"
    assert steps["bench-check"]["ability"] == "can"


@pytest.mark.parametrize(
    ("route", "line", "said"),
    [
        (by_voltage, f'\nairspeed = {{ output = 4, pin = "{PIN}" }}', f"wire pin {PIN} to a free analogue output"),
        (
            by_contact,
            f'\nairspeed = {{ digital-output = 5, digital-input = 6, pin = "{PIN}" }}',
            f"wire pin {PIN} to a free digital output and input",
        ),
    ],
)
def test_an_unwired_voltage_or_contact_is_a_wire_away(route, line, said, tmp_path):
    words = route(tmp_path)
    bench = tmp_path / "bench.toml"
    text = bench.read_text(encoding="utf-8").partition('\n[[simulation.defects]]\nid = "airspeed-dead"')[0]
    signals = "[adapters.sanderling-2.signals]"
    unused = f'[adapters.sanderling-2.unused]\n{PIN} = "not wired"\n\n{signals}'
    text = text.replace(line, "").replace(
        f'"airspeed.voltage" = {{ input = 17, range = "10 V", probe = "volts", plus = "{PIN}", minus = "J1-3" }}\n', ""
    )
    bench.write_text(text.replace(signals, unused, 1), encoding="utf-8")
    steps = steps_of(words)
    assert said in [obstacle["remedy"] for obstacle in steps["trim-light"]["obstacles"]]


def test_what_a_route_can_not_show_is_said(tmp_path):
    by_switch = steps_of(by_contact(tmp_path))["trim-airspeed-lost"]
    assert by_switch["left_out"] == "model sanderling-2 has airspeed by a switch, which can't be lost"
    edits = (('lost = "3 s"\n', ""), ('lost-below = "0.25 V"\n', ""))
    blind = steps_of(by_voltage(tmp_path, *edits))["trim-airspeed-lost"]
    assert (blind["ability"], blind["untested"]) == ("not for this model", "trim speed without airspeed")
