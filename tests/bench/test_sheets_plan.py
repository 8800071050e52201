import pytest
from sheet_texts import PROCEDURES, changed, dotterel, problems_of

from bench.sheets import default_aircraft, load_aircraft, load_bench, load_plan


def plan_faults(folder, *edits):
    return problems_of(load_plan, changed(folder, "plan", *edits), PROCEDURES, dotterel())


def test_the_shipped_plan_goes_from_a_dead_bench_to_a_loaded_unit_and_back():
    plan = load_plan("acceptance", PROCEDURES, dotterel())
    planned = tuple(step.procedure for step in plan.steps)
    assert planned == tuple(name for name in PROCEDURES if name in planned)
    assert planned[:5] == ("bench-check", "bench-load", "bench-dip-source", "bench-leads", "unpowered")
    assert planned[-2:] == ("final-repeat", "discharge")
    assert plan.airspeed_kt == 60.0
    assert not plan.single_function
    by_name = {step.procedure: step for step in plan.steps}
    assert by_name["power-up"].conditions == {"voltage_v": 13.8, "current_limit_a": 0.5, "ramp_rate_v_per_s": 5.0}
    assert by_name["dimming-curve"].conditions["rheostats"] == ("rheostat-1",)
    assert by_name["discrete-latency"].conditions["edges"] == 59


def test_what_powers_the_unit_waits_for_the_bench_and_what_loads_it_for_the_light_load():
    steps = {step.procedure: step for step in load_plan("acceptance", PROCEDURES).steps}
    for name in list(steps)[4:-1]:
        assert {"bench-check", "bench-leads"} <= set(steps[name].gated_by), name
    for name in ("trim-loaded", "trim-cut-off", "ground-pin", "bus-ramp"):
        assert "trim-light" in steps[name].gated_by
    for name in ("trim-drop-sweep", "trim-over-current"):
        assert {"bench-load", "trim-light"} <= set(steps[name].gated_by)
    assert steps["discharge"].gated_by == ()


def test_every_axis_that_is_loaded_was_shown_to_obey_before():
    steps = load_plan("acceptance", PROCEDURES).steps
    light = next(step for step in steps if step.procedure == "trim-light")
    loaded = {
        axis for step in steps if step.stage in {"full load", "brownout"} for axis in step.conditions.get("axes", ())
    }
    assert loaded <= set(light.conditions["axes"])


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('procedure = "unpowered"', 'procedure = "unpowerd"'),
            'steps[4].procedure: there is no procedure "unpowerd"; did you mean "unp',
        ),
        (
            ('procedure = "bench-leads"', 'procedure = "bench-check"'),
            'steps[3].procedure: "bench-check" stands twice; take one out',
        ),
        (
            ('gated-by = ["bench-check"]', 'gated-by = ["trim-light"]'),
            'steps[1].gated-by[0]: waits for "trim-light", which comes later',
        ),
        (
            ('gated-by = ["bench-check"]', 'gated-by = ["bench-chek"]'),
            'steps[1].gated-by[0]: there is no step "bench-chek"; did you mean',
        ),
        (
            ('stage = "unpowered"', 'stage = "full load"'),
            'steps[5].stage: "unpowered" comes after "full load"; keep the order of work',
        ),
        (('stage = "unpowered"', 'stage = "cold"'), "steps[4].stage: found \"cold\"; give 'bench', 'unpowered'"),
        (('voltage = "1 V"', 'voltage = "1 A"'), 'steps[4].conditions.voltage: found "1 A"; give a voltage such as'),
        (('voltage = "1 V"', "voltage = 1"), "steps[4].conditions.voltage: found 1; give a voltage such as"),
        (('voltage = "1 V"', "voltage = 1.5"), "steps[4].conditions.voltage: found 1.5; give text with a unit"),
        (('voltage = "1 V"', 'voltage = "-1 V"'), 'steps[4].conditions.voltage: found "-1 V"; give zero or more'),
        (
            ('voltage = "1 V"', 'volts = "1 V"'),
            'steps[4].conditions.volts: no procedure knows this condition; did you mean "voltage"?',
        ),
        (("edges = 59", 'edges = "59"'), 'conditions.edges: found "59"; give a whole number'),
        (
            ('voltage = "1 V"', 'voltage = "1 V", hold = "2 s"'),
            "conditions.hold: unpowered does not use this condition; take it out; it uses: voltage, current-limit, set",
        ),
        (("edges = 59", "edges = 0"), "conditions.edges: found 0; give 1 or more"),
        (
            ('ramp-rate = "5 V/s"', 'ramp-rate = "0 V/s"'),
            'conditions.ramp-rate: found "0 V/s"; give more than zero',
        ),
        (
            ('voltage = "1 V"', 'first-rate = "5 V/s", last-rate = "2 V/s"'),
            'conditions.first-rate: "5 V/s" is not below last-rate "2 V/s"; swap the two',
        ),
        (("edges = 59", "edges = true"), "conditions.edges: found true; give a whole number"),
        (
            ('rheostats = ["rheostat-1"]', 'rheostats = ["rheostat-9"]'),
            'rheostats[0]: model dotterel-6 has no "rheostat-9"; did you',
        ),
        (
            ('rheostats = ["rheostat-1"]', 'rheostats = "rheostat-1"'),
            'rheostats: found "rheostat-1"; give a list of names',
        ),
        (('airspeed = "60 kt"', 'airspeed = "60 mph"'), 'airspeed: found "60 mph"; give an airspeed such as "60 kt"'),
        (('title = "Acceptance"', 'titel = "Acceptance"'), 'titel: unknown key; did you mean "title"?'),
        (('title = "Acceptance"', "title = 5"), "title: found 5; give a title of 1 to 120 characters"),
        (("gated-by = []", 'gated-by = "none"'), 'steps[0].gated-by: found "none"; give a list in square brackets'),
    ],
    ids=lambda value: value[-60:] if isinstance(value, str) else "",
)
def test_each_fault_of_a_plan_is_named_with_its_key_and_mend(tmp_path, edit, said):
    problems = plan_faults(tmp_path, edit)
    assert any(said in line for line in problems), problems


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('voltage = "1 V"', 'voltage = "17 V"'),
            "steps[4].conditions.voltage: 17 V is beyond the 16 V that dotterel-6 survives",
        ),
        (
            ('voltage = "1 V"', 'voltage = "40 V"'),
            "voltage: 40 V is beyond the 36 V that the supply of bench simulated gives",
        ),
        (
            ('current-limit = "7 A"', 'current-limit = "70 A"'),
            ".conditions.current-limit: 70 A is beyond the 60 A that",
        ),
    ],
    ids=["unit", "supply volts", "supply amperes"],
)
def test_volts_and_amperes_out_of_reach_are_refused(tmp_path, edit, said):
    unit = dotterel()
    bench = load_bench("simulated", unit)
    problems = problems_of(load_plan, changed(tmp_path, "plan", edit), PROCEDURES, unit, bench)
    assert any(said in line for line in problems), problems


def test_a_last_rate_beyond_the_supply_is_left_out_and_not_refused_while_a_first_one_is(tmp_path):
    unit, scanned = dotterel(), 'ramp-rate = "5 V/s"'
    bench = load_bench("simulated", unit)
    for name, refused in (("last-rate", False), ("first-rate", True)):
        plan = changed(tmp_path, "plan", (scanned, f'{name} = "150 V/s"'))
        problems = problems_of(load_plan, plan, PROCEDURES, unit, bench)
        assert any("150 V/s is beyond the 100 V/s that the supply" in line for line in problems) is refused


def test_a_plan_without_steps_is_refused(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text('name = "x"\ntitle = "x"\nairspeed = "0 kt"\nsteps = []\n')
    assert problems_of(load_plan, str(path), PROCEDURES) == ["steps: found a list; give at least one entry"]


def test_the_default_aircraft_is_one_of_the_model():
    aircraft = default_aircraft(dotterel())
    assert (aircraft.name, aircraft.model, aircraft.axes) == ("whimbrel", "dotterel-6", ("pitch", "roll", "yaw"))
    assert aircraft.dimming_map.keys() == {output.name for output in dotterel().dimming}


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('model = "dotterel-6"', 'model = "sanderling-2"'),
            'model: is for model "sanderling-2"; name an aircraft sheet for',
        ),
        (
            ('axes = ["pitch", "roll", "yaw"]', 'axes = ["pitch", "rolls"]'),
            'axes[1]: there is no axis "rolls"; did you mean "roll"?',
        ),
        (('axes = ["pitch", "roll", "yaw"]', 'axes = ["pitch", "pitch"]'), 'axes[1]: "pitch" stands twice'),
        (('pwm-1 = "rheostat-1"', 'pwm-1 = "rheostat-7"'), 'dimming-map.pwm-1: there is no rheostat "rheostat-7"'),
        (('pwm-1 = "rheostat-1"', 'pwm-9 = "rheostat-1"'), 'dimming-map.pwm-9: there is no dimming output "pwm-9"'),
        (
            ('pwm-1 = "rheostat-1"', 'pwm-9 = "rheostat-1"'),
            "dimming-map.pwm-1: is missing; name the rheostat that sets it",
        ),
        (("configuration = 1606", "configuration = -1"), "configuration: found -1; give at least 0"),
        (("configuration = 1606", "configuration = 16.5"), "configuration: found 16.5; give a whole number"),
    ],
    ids=lambda value: value[-60:] if isinstance(value, str) else "",
)
def test_each_fault_of_an_aircraft_sheet_is_named(tmp_path, edit, said):
    problems = problems_of(load_aircraft, changed(tmp_path, "aircraft", edit), dotterel())
    assert any(said in line for line in problems), problems


def test_a_plan_of_a_record_may_give_what_nobody_reads(tmp_path):
    plan = changed(tmp_path, "plan", ('voltage = "1 V"', 'voltage = "1 V", hold = "2 s"'))
    assert load_plan(plan, PROCEDURES, dotterel(), unused=False).steps[4].conditions["hold_s"] == 2.0


LOOPED = 'procedure = "trim-loaded"\nstage = "full load"\n'


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('{ until = "event" }', "repeat: it has no end; add tries = 200, bench-time"),
        ('{ until = "never", tries = 5 }', "repeat.until: found \"never\"; give 'event' or 'end'"),
        ('{ until = "end", tries = 1 }', "repeat.tries: found 1"),
        ('{ until = "end", tries = 200001 }', "repeat.tries: found 200001"),
        ('{ until = "end", bench-time = "20 V" }', 'repeat.bench-time: found "20 V"; give a time such as'),
        ('{ until = "end", bench-time = "0 s" }', 'repeat.bench-time: found "0 s"; give more than 0 s'),
        ('{ until = "end", tries = 5, time = "1 s" }', "repeat.time: unknown key"),
        ('{ until = "end", tries = 5 }', "repeat: final-repeat comes later, and counts each step once; take it out"),
    ],
)
def test_each_fault_of_a_repetition_is_named(tmp_path, table, said):
    problems = plan_faults(tmp_path, (LOOPED, f"{LOOPED}repeat = {table}\n"))
    assert any(said in line for line in problems), problems


def test_what_looks_at_the_bench_is_taken_once(tmp_path):
    stage = 'stage = "bench"\ngated-by = []'
    problems = plan_faults(tmp_path, (stage, f'{stage}\nrepeat = {{ until = "end", tries = 5 }}'))
    assert any("steps[0].repeat: a step of stage bench is taken once; take it out" in line for line in problems)


def test_a_repetition_as_the_plan_has_it():
    repeats = {step.procedure: step.repeat for step in load_plan("intermittent", PROCEDURES).steps}
    assert repeats["power-up"] is None
    repeat = repeats["trim-loaded"]
    assert repeat is not None
    assert (repeat.tries, repeat.bench_time_s, repeat.until_event, repeat.before_event_s) == (200, 1200.0, True, 30.0)
    assert (repeat.lasts_s(2.0), repeat.lasts_s(60.0)) == (400.0, 1260.0)
