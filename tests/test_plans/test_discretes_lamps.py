"""Discretes that only lamps show: halving against any comparator, and people who err, can't say, or see a dead lamp."""

import math
from contextlib import contextmanager

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_captures import Scene, Shelf

from analysis.measurement import Observation
from analysis.verdict import Cause
from bench.plan_check import setup_for
from bench.run_sheets import SheetNames, load_sheets
from test_plans.discrete_pins import pin_for
from test_plans.looks import looks_of, probes_of, states_of
from test_plans.readings import Record
from test_plans.registry import PROCEDURES
from test_plans.rig import NOT_SURE, SupplyReading
from test_plans.sheets import Sense

SHEETS = load_sheets(SheetNames(bench="simulated", model="sanderling-2"))
UNIT, FACTS = SHEETS.unit, SHEETS.bench.facts
LAMPS = PROCEDURES["discrete-lamps"]
STEP = next(step for step in SHEETS.plan.steps if step.procedure == LAMPS.name)
SETUP = setup_for(STEP, unit=UNIT, aircraft=SHEETS.aircraft, plan=SHEETS.plan, bench=SHEETS.bench)
LEVELS = {discrete.name: discrete for discrete in UNIT.discretes}


class Comparator:
    """A unit's discrete: thresholds at the pin, with hysteresis."""

    def __init__(self, discrete, active_v, inactive_v):
        self.discrete, self.active_v, self.inactive_v = discrete, active_v, inactive_v
        self.lit = False

    def see(self, pin_v):
        threshold_v = self.inactive_v if self.lit else self.active_v
        low = self.discrete.sense is Sense.ACTIVE_LOW
        self.lit = pin_v <= threshold_v if low else pin_v >= threshold_v


class Bench:
    """As much of a rig as the procedure uses; time passes only in `wait`. `answer` may bend what a person says."""

    def __init__(self, comparators, answer=lambda _number, lit: lit):
        self.comparators = comparators
        self.answer = answer
        self.now_s = 0.0
        self.pins_v = {}
        self.captures = []
        self.looks = 0
        self._scene = None
        self.idle_inputs()

    def idle_inputs(self):
        for name in self.comparators:
            self.drive(name, 5.0 if LEVELS[name].sense is Sense.ACTIVE_LOW else 0.0)

    def read_supply(self):
        volts = UNIT.nominal_voltage_v
        return SupplyReading(voltage_v=volts, current_a=0.1, set_voltage_v=volts, current_limit_a=1.0, limiting=False)

    def set_supply(self, voltage_v, current_limit_a):
        assert voltage_v <= UNIT.survives_voltage_v
        assert current_limit_a > 0.0

    def drive(self, name, level_v):
        self.pins_v[name] = pin_for(LEVELS[name], FACTS, level_v)
        self.comparators[name].see(self.pins_v[name])
        if self._scene is not None:
            self._scene[1].append((self.now_s, name, level_v, self.pins_v[name]))

    def wait(self, duration_s):
        self.now_s += duration_s

    def look(self, question, shown):
        assert question
        self.looks += 1
        truth = frozenset(name for name in shown if self.comparators[name].lit)
        said = self.answer(self.looks, truth)
        lit = NOT_SURE if said is None else ",".join(sorted(said))
        self._scene[2].append((self.now_s, ",".join(shown), lit))
        return said

    @contextmanager
    def capture(self, name, signals, *, sample_rate_hz):
        began_s, before = self.now_s, dict(self.pins_v)
        self._scene = (name, [], [])
        yield self
        scene = Scene(name, self.now_s - began_s + 0.05, sample_rate_hz)
        for signal in signals:
            pin = signal.removesuffix(".voltage")
            values = scene.times_s * 0.0 + before[pin]
            for time_s, line, level_v, pin_v in self._scene[1]:
                if line == pin:
                    values[round((time_s - began_s) * sample_rate_hz) :] = pin_v
                    scene.drive(line, time_s - began_s, level_v)
            scene.signal(signal, values)
        for time_s, asked, lit in self._scene[2]:
            scene.event("answer", time_s - began_s, 1.0, prompt="?", answer=lit, asked=asked, lit=lit)
        self._scene = None
        self.captures.append(scene.capture())


def good():
    return {
        name: Comparator(discrete, discrete.threshold_active_v, discrete.threshold_inactive_v)
        for name, discrete in LEVELS.items()
    }


def run(comparators, answer=lambda _number, lit: lit):
    """Take and evaluate the procedure without its pull-up part, which the plant proves end to end."""
    bench = Bench(comparators, answer)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("test_plans.discretes_lamps.load_pull_ups", lambda *_: None)
        LAMPS.stimulate(bench, SETUP)
    shelf = Shelf(*bench.captures)
    return bench, {result.id: result for result in LAMPS.evaluate(shelf, SETUP)}, shelf


@settings(max_examples=15, deadline=None)
@given(st.floats(0.7, 2.0), st.floats(0.05, 1.3))
def test_any_thresholds_are_found_within_their_uncertainty(active_v, hysteresis_v):
    comparators = good()
    name = "discrete-1"
    comparators[name] = Comparator(LEVELS[name], active_v, active_v + hysteresis_v)
    _, results, _ = run(comparators)
    for what, value_v in (("threshold-active", active_v), ("threshold-inactive", active_v + hysteresis_v)):
        found = results[f"{name}.{what}"]
        assert not found.doubts
        assert abs(found.value - value_v) <= 2.0 * found.standard_uncertainty
        assert found.standard_uncertainty < 0.015


def test_a_good_unit_takes_as_many_looks_as_were_announced():
    bench, results, _ = run(good())
    assert bench.looks == 1 + 2 * 2 * 3 + 2 * 9 * 3
    assert all(results[f"{name}.truth"].failures == 0 for name in LEVELS)
    assert results["discretes.independence"].trials == 12


@pytest.mark.parametrize("slip", range(1, 68))
def test_one_wrong_answer_anywhere_never_blames_the_unit_nor_shifts_a_threshold(slip):
    _, results, _ = run(good(), lambda number, lit: lit ^ {"discrete-1"} if number == slip else lit)
    for result in results.values():
        assert not [doubt for doubt in result.doubts if doubt.cause is Cause.UNIT]
        if isinstance(result, Observation):
            assert result.failures == 0 or result.doubts
        elif not result.doubts and ".threshold" in result.id:
            name, what = result.id.split(".")
            wanted = LEVELS[name].threshold_active_v if what.endswith("-active") else LEVELS[name].threshold_inactive_v
            assert abs(result.value - wanted) < 0.05, result.id


def test_a_person_who_never_can_say_leaves_everything_undecided_after_few_looks():
    bench, results, _ = run(good(), lambda *_: None)
    assert bench.looks < 40
    doubted = [result for result in results.values() if not result.id.endswith("pull-current")]
    assert {doubt.cause for result in doubted for doubt in result.doubts} == {Cause.UNDECIDED}
    assert all(result.doubts for result in doubted)


def test_a_lamp_that_never_lights_is_the_units():
    comparators = good()
    comparators["discrete-2"] = Comparator(LEVELS["discrete-2"], -9.0, -9.0)
    _, results, _ = run(comparators)
    assert results["discrete-2.truth"].failures == 2
    found = results["discrete-2.threshold-active"]
    assert math.isnan(found.value)
    assert Cause.UNIT in {doubt.cause for doubt in found.doubts}
    assert "stayed dark" in found.doubts[0].reason


def test_lamps_that_light_together_are_not_independent():
    comparators = good()
    _, results, _ = run(comparators, lambda _, lit: lit | {"discrete-3"} if "discrete-1" in lit else lit)
    independence = results["discretes.independence"]
    assert independence.failures == 4
    assert independence.detail == "Discrete 3 with Discrete 1"


def test_without_captures_only_the_bench_is_blamed():
    for result in LAMPS.evaluate(Shelf(), SETUP):
        assert {doubt.cause for doubt in result.doubts} == {Cause.BENCH}


def test_states_join_the_looks_between_two_drivings_and_differing_answers_are_none():
    scene = Scene("truth", 2.0).signal("discrete-1.voltage", 5.0)
    for time_s, lit in ((0.1, ""), (0.5, "discrete-1"), (0.6, ""), (1.1, "discrete-1")):
        scene.event("answer", time_s, 1.0, asked="discrete-1", lit=lit, prompt="?", answer=lit)
    scene.drive("discrete-1", 0.3, 0.0).drive("discrete-1", 1.0, 1.5)
    record = Record(Shelf(scene.capture()), "truth")
    states = states_of(record, [LEVELS["discrete-1"]])
    assert [(state.driven, state.lit) for state in states] == [
        ("", frozenset()),
        ("discrete-1", None),
        ("discrete-1", frozenset({"discrete-1"})),
    ]
    assert len(looks_of(record)) == 4
    (probe,) = probes_of(record, "discrete-1")
    assert (probe.level_v, probe.from_v, probe.driven_s, probe.looked_s, probe.lit) == (1.5, 0.0, 1.0, 1.1, True)
