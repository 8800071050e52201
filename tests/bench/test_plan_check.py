import json
from dataclasses import replace

import pytest
from sheet_texts import changed, dotterel

from analysis.finding import LimitKind
from bench.plan_check import Ability, check_plan, check_step, setup_for
from bench.run_sheets import SheetNames, load_sheets
from bench.sheets import default_aircraft, load_bench
from test_plans.procedure import CaptureNeed, Needs
from test_plans.registry import PROCEDURES
from test_plans.sheets import Plan, Step


class Declared:
    """A procedure that only declares."""

    def __init__(self, name="made-up", functions=("power",), **needs):
        self.name = name
        self.title = name.title()
        self._functions = functions
        self._needs = Needs(**({"bench_time_s": 3.0} | needs))

    def functions(self, setup):  # noqa: ARG002
        return self._functions

    def needs(self, setup):  # noqa: ARG002
        return self._needs


@pytest.fixture(scope="module")
def bench():
    return load_bench("simulated", dotterel())


def plan_of(*names):
    steps = tuple(Step(procedure=name, stage="bench", gated_by=()) for name in names)
    return Plan(name="made-up", title="Made up", single_function=False, airspeed_kt=60.0, steps=steps)


def held(bench, unit=None, **needs):
    plan = plan_of("made-up")
    unit = unit or dotterel()
    setup = setup_for(plan.steps[0], unit=unit, aircraft=default_aircraft(unit), plan=plan, bench=bench)
    return check_step(Declared(**needs), setup, bench)


def capture(**changes):
    need = {"name": "look", "signals": ("pitch.voltage",), "sample_rate_hz": 1000.0, "duration_s": 1.0}
    return CaptureNeed(**(need | changes))


def test_a_modest_step_can_be_done(bench):
    step = held(
        bench,
        captures=(capture(lines=("pitch-left-up", "bus.receive"), highest_v={"pitch.voltage": 14.0}),),
        highest_voltage_v=13.8,
        supply_current_a=1.8,
        current_limit_a=3.0,
        loads=(("pitch", "9.0 ohm"), ("roll", "open")),
        load_current_a=1.5,
        stimuli=("discrete-1",),
        switches=("pitch-left-up",),
        paths=("run", "20 ohm", "open"),
        bus=True,
        limits=(("trim-drop", 0.014), ("quiescent-current", 0.002)),
    )
    assert (step.ability, step.obstacles, step.remarks, step.obstacle) == (Ability.CAN, (), (), "")
    # two watched signals and one more at 2 bytes each, two lines in one byte
    assert step.capture_bytes == 1000 * (3 * 2 + 1)


@pytest.mark.parametrize(
    ("needs", "what", "missing"),
    [
        (
            {"captures": (capture(signals=("flap.current",)),)},
            "signal flap.current is not wired",
            "wire flap.current to a free",
        ),
        (
            {"captures": (capture(lines=("gear-down",)),)},
            "line gear-down is not wired",
            "wire gear-down to a free digital",
        ),
        (
            {"captures": (capture(sample_rate_hz=60e3),)},
            "wants 60000 S/s, the DAQ does 50000 S/s",
            "a DAQ that samples",
        ),
        (
            {"captures": (capture(highest_v={"pitch.voltage": 45.0}),)},
            "pitch.voltage reaches 45 V, its input ends at 40 V",
            "a divider or another shunt for pitch.voltage",
        ),
        (
            {"captures": (capture(highest_v={"discrete-1.voltage": 12.0}),)},
            "discrete-1.voltage reaches 12 V, its input ends at 10 V",
            "the 40 V range for discrete-1.voltage",
        ),
        (
            {"captures": (capture(highest_v={"pitch.current": 5.5}),)},
            "reaches 5.5 A, its input ends at 5 A",
            "the 40 V range for",
        ),
        ({"captures": (capture(duration_s=6000.0),)}, "takes 36 MB, at most 32 MB", "a shorter or slower capture look"),
        ({"highest_voltage_v": 40.0}, "wants 40 V at the supply, which does 36 V", "a supply of at least 40 V"),
        ({"supply_current_a": 50.0}, "wants 65 A of the supply, which does 60 A", "a supply of at least 65 A"),
        (
            {"supply_current_a": 1.8, "current_limit_a": 2.0},
            "the current limit of 2 A is below 1.3 times the 1.8 A",
            "current-limit of at least 2.34 A in the plan",
        ),
        ({"paths": ("half ohm",)}, "the bus switch has no position half ohm", "position half ohm of the bus switch"),
        (
            {"stimuli": ("discrete-11",)},
            "stimulus discrete-11 is not wired",
            "wire discrete-11 to a free analogue output",
        ),
        ({"switches": ("gear-up",)}, "switch gear-up is not wired", "wire gear-up to a free digital output"),
        ({"loads": (("flap", "0.5 ohm"),)}, "flap has no load 0.5 ohm", "a resistor of 0.5 ohm on a relay for flap"),
        ({"loads": (("flap", "motor"),)}, "flap has no load motor", "a brushed motor of [motors] on a relay for flap"),
        (
            {"loads": (("pitch", "1 kohm"),), "load_current_a": 1.5},
            "the load 1 kohm of pitch gets 1.5 A, it is rated 0.02 A",
            "a resistor of 1 kohm rated 1.5 A for pitch",
        ),
        (
            {"drawn_from": ("light-1",), "drawn_a": 1.0},
            "the electronic load does not reach light-1",
            "a relay from the electronic load to light-1",
        ),
        (
            {"drawn_from": ("pitch",), "drawn_a": 31.0},
            "wants 31 A of the electronic load, which is rated 30 A",
            "an electronic load of at least 31 A",
        ),
        (
            {"drawn_from": ("pitch",), "drawn_w": 200.0},
            "wants 200 W of the electronic load, which is rated 150 W",
            "an electronic load of at least 200 W",
        ),
        (
            {"limits": (("flap-drop", 0.01),)},
            "the unit sheet has no limit flap-drop",
            "limit flap-drop in the unit sheet",
        ),
        (
            {"limits": (("quiescent-current", 0.030),)},
            "quiescent-current: U = 60 mA against +/- 60 mA: no reading could pass",
            "a measurement of quiescent-current with U below 60 mA",
        ),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)
def test_what_a_step_lacks_is_named_with_the_cheapest_remedy(bench, needs, what, missing):
    step = held(bench, **needs)
    assert step.ability is Ability.CANT
    assert any(what in obstacle.what for obstacle in step.obstacles), step.obstacles
    assert missing in step.cheapest_missing
    assert what in step.obstacle
    assert missing in step.obstacle


def test_channels_times_rate_and_the_link_are_both_counted(bench):
    signals = tuple(bench.signals)  # 42 channels at 50 kS/s are 2.1 MS/s and 4.2 MB/s
    slow_link = replace(bench, daq=replace(bench.daq, link_bytes_per_s=3.4e6))
    step = held(slow_link, captures=(capture(signals=signals, sample_rate_hz=50e3, duration_s=0.1),))
    assert [obstacle.what for obstacle in step.obstacles] == [
        "capture look wants 42 channels at 50000 S/s, the DAQ does 800000 S/s in all",
        "capture look sends 4.2e+06 B/s, the link carries 3.4e+06 B/s",
    ]


def test_the_cheapest_of_several_remedies_comes_first(bench):
    step = held(bench, highest_voltage_v=50.0, paths=("half ohm",), stimuli=("discrete-11",))
    assert len(step.obstacles) == 3
    assert step.cheapest_missing == "wire discrete-11 to a free analogue output"


def test_a_bench_without_bus_can_do_what_needs_none(bench):
    deaf = replace(bench, bus=None)
    assert held(deaf).ability is Ability.CAN
    assert held(deaf, bus=True).cheapest_missing == "a bus interface"


def test_a_bench_without_an_electronic_load_says_what_then_goes_untested_and_what_would_do(bench):
    without = replace(bench, electronic_load=None, load_outputs={})
    plan = load_sheets(SheetNames(bench="simulated", plan="trim", model="dotterel-6")).plan
    checked = check_plan(plan, PROCEDURES, unit=dotterel(), aircraft=default_aircraft(dotterel()), bench=without)
    cant = {step.procedure: step.cheapest_missing for step in checked.steps if step.ability is Ability.CANT}
    assert cant.keys() == {"bench-load", "trim-drop-sweep", "trim-over-current"}
    assert all(missing.startswith("an electronic load of at least") for missing in cant.values())
    assert held(without, loads=(("pitch", "9.0 ohm"),)).ability is Ability.CAN  # resistors serve as far as they go


def test_a_motor_that_nothing_holds_still_leaves_its_stall_current_to_arithmetic(tmp_path):
    sheet = changed(tmp_path, "bench", (", brake-output = 71", ""))
    loaded = load_sheets(SheetNames(bench=sheet, plan="trim", model="dotterel-6"))
    checked = check_plan(loaded.plan, PROCEDURES, unit=loaded.unit, aircraft=loaded.aircraft, bench=loaded.bench)
    steps = {step.procedure: step for step in checked.steps}
    held = steps["trim-motor-held"]
    assert held.ability is Ability.CANT
    assert [obstacle.what for obstacle in held.obstacles] == ["nothing holds the motor of pitch still"]
    assert any(
        "Pitch trim: current of its motor held still: worked out" in s for s in steps["trim-motor"].leaves_untested
    )
    assert not any("Roll trim" in s for s in steps["trim-motor"].leaves_untested)


def test_an_axis_that_the_load_does_not_reach_is_left_untested_and_said_so(tmp_path):
    sheet = changed(tmp_path, "bench", ('yaw = { digital-output = 67, plus = "P1-13", minus = "P1-14" }\n', ""))
    loaded = load_sheets(SheetNames(bench=sheet, plan="trim", model="dotterel-6"))
    checked = check_plan(loaded.plan, PROCEDURES, unit=loaded.unit, aircraft=loaded.aircraft, bench=loaded.bench)
    steps = {step.procedure: step for step in checked.steps}
    for name in ("trim-drop-sweep", "trim-over-current"):
        assert steps[name].functions == ("pitch-trim", "roll-trim")
        assert steps[name].leaves_untested == ("Yaw trim: the electronic load does not reach it",)
        assert steps[name].ability is not Ability.CANT


def test_a_load_that_can_not_be_reversed_lacks_a_relay(bench):
    assert bench.electronic_load is not None
    stiff = replace(bench, electronic_load=replace(bench.electronic_load, reverse_output=None))
    step = held(stiff, drawn_from=("pitch",), drawn_reversed=True)
    assert step.cheapest_missing == "a relay that exchanges the electronic load's leads"
    assert held(stiff, drawn_from=("pitch",)).ability is Ability.CAN


def test_little_to_spare_is_said_but_does_not_forbid(bench):
    # +/- 0.06 A against U = 0.03 A: 2:1
    step = held(bench, limits=(("quiescent-current", 0.015),))
    assert step.ability is Ability.WITH_LARGER_UNCERTAINTY
    assert step.remarks == ("quiescent-current: U = 30 mA against +/- 60 mA: 2.0:1, under 3:1",)


def test_a_ratio_of_just_three_to_one_is_comfortable(bench):
    assert held(bench, limits=(("quiescent-current", 0.0099),)).remarks == ()


def test_a_test_limit_needs_four_to_one(bench):
    unit = dotterel()
    limit = replace(unit.limits["quiescent-current"], kind=LimitKind.TEST_LIMIT)
    strict = replace(unit, limits={**unit.limits, "quiescent-current": limit})
    step = held(bench, unit=strict, limits=(("quiescent-current", 0.009),))
    assert step.ability is Ability.CANT
    assert "3.3:1 where a test limit needs 4:1" in step.obstacle


@pytest.mark.parametrize(
    ("u", "ability", "said"),
    [
        # up to 0.6 V, nominal 0.3 V: 0.3 V of room
        (0.049, Ability.CAN, ""),
        (
            0.060,
            Ability.WITH_LARGER_UNCERTAINTY,
            "U = 0.12 V against 0.3 V from nominal to the limit: 2.5:1, under 3:1",
        ),
        (0.150, Ability.CANT, "U = 0.3 V against 0.3 V from nominal to the limit: no reading could pass"),
    ],
)
def test_a_limit_on_one_side_leaves_room_from_the_nominal_value_to_it(bench, u, ability, said):
    step = held(bench, limits=(("trim-drop", u),))
    assert step.ability is ability
    assert "".join((*step.remarks, step.obstacle)).count(said) >= bool(said)


@pytest.mark.parametrize(("u", "ability"), [(0.8, Ability.CAN), (1.0, Ability.WITH_LARGER_UNCERTAINTY)])
def test_without_a_nominal_value_the_room_is_from_zero(bench, u, ability):
    step = held(bench, limits=(("dimming-dead-travel", u),))  # up to 5 %
    assert step.ability is ability
    assert all("from zero to the limit" in remark for remark in step.remarks)


def test_a_nominal_value_that_stands_on_its_limit_is_no_room(bench):
    unit = dotterel()
    assert unit.limits["shortest-accepted"].nominal == unit.limits["shortest-accepted"].low == 0.015
    assert held(bench, limits=(("shortest-accepted", 2e-3),)).ability is Ability.CAN


def test_a_test_limit_on_one_side_needs_four_to_one_as_well(bench):
    unit = dotterel()
    limit = replace(unit.limits["trim-drop"], kind=LimitKind.TEST_LIMIT)
    strict = replace(unit, limits={**unit.limits, "trim-drop": limit})
    step = held(bench, unit=strict, limits=(("trim-drop", 0.045),))
    assert "3.3:1 where a test limit needs 4:1" in step.obstacle
    assert step.cheapest_missing == "a measurement of trim-drop with U below 75 mV"


def test_the_tightest_limit_and_every_expected_uncertainty_are_told(bench):
    step = held(bench, limits=(("quiescent-current", 0.002), ("trim-drop", 0.05)))
    assert step.tightest is not None
    assert (step.tightest.limit.id, step.tightest.ratio) == ("trim-drop", pytest.approx(3.0))
    assert [entry["limit"] for entry in step.to_json()["expected_uncertainties"]] == ["quiescent-current", "trim-drop"]
    assert step.to_json()["expected_uncertainties"][1]["expanded_uncertainty"] == pytest.approx(0.1)


def test_a_level_beyond_the_stimuli_is_refused_by_the_figure_that_forbids_it(bench):
    assert held(bench, stimulus_v=10.0).ability is Ability.CAN
    (obstacle,) = held(bench, stimulus_v=16.0).obstacles
    assert (obstacle.what, obstacle.key) == ("wants 16 V of its stimuli, which end at 10 V", "daq.output-max")


def test_what_a_step_leaves_untested_is_said_and_it_can_be_done_all_the_same(bench):
    step = held(bench, untested=("drift of an open line",))
    assert (step.ability, step.leaves_untested) == (Ability.CAN, ("drift of an open line",))
    assert step.to_json()["leaves_untested"] == ["drift of an open line"]


def test_a_plan_adds_up_its_time_and_names_what_it_leaves_untested(bench):
    procedures = {
        "one": Declared("one", functions=("power",), bench_time_s=2.5),
        "two": Declared("two", functions=("dimming",), bench_time_s=4.0),
        "three": Declared("three", functions=("flaps",), bench_time_s=100.0, paths=("dip",)),
    }
    unit = dotterel()
    checked = check_plan(plan_of(*procedures), procedures, unit=unit, aircraft=default_aircraft(unit), bench=bench)
    assert checked.bench_time_s == 6.5
    assert "power" not in checked.not_tested
    assert "flaps" in checked.not_tested  # this bench can't do what would touch it
    written = json.loads(json.dumps(checked.to_json(), allow_nan=False))
    assert [step["ability"] for step in written["procedures"]] == ["can", "can", "can't"]
    assert written["procedures"][2]["cheapest_missing"] == "position dip of the bus switch"
    assert written["bench_time_s"] == 6.5


def test_captures_of_a_whole_plan_are_bounded(bench):
    procedures = {f"p{n}": Declared(f"p{n}", captures=(capture(duration_s=5000.0),)) for n in range(14)}  # 30 MB each
    unit = dotterel()
    checked = check_plan(plan_of(*procedures), procedures, unit=unit, aircraft=default_aircraft(unit), bench=bench)
    assert [step.procedure for step in checked.steps if step.obstacles] == ["p13"]
    assert "420 MB" in checked.steps[13].obstacle
