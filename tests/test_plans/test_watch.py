"""What holds for every procedure: the bus stands, the unit is not reset by itself, and who is blamed if not."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, judged, setup_of

from analysis.judge import observe
from analysis.measurement import Doubt, Measurement, Observation
from analysis.verdict import Cause, Verdict
from test_plans.bus_standing import bus_doubts
from test_plans.readings import Record
from test_plans.registry import PROCEDURES
from test_plans.reset_counts import left
from test_plans.watch import watched

STEP = "discrete-levels"
SETUP = setup_of(STEP)


@dataclass
class Plain:
    """A procedure, as far as it is watched."""

    name: str = STEP
    title: str = "Levels"
    functions: Callable[[object], tuple[str, ...]] = lambda _: ()  # it touches none: no output is watched beside it


@dataclass
class Disturbs(Plain):
    """One that moves the bus on purpose."""

    disturbs_bus: bool = True


def kept(id_, value):
    return Measurement(
        id=id_, limit="", title=id_, function="power", value=value, quantity_unit="", standard_uncertainty=0.0
    )


POWERED = (kept("power-up.quiescent", 0.15), left("power-up", 2, SETUP))


def scene(name="truth", volts=13.8, amps=0.15, counts=((0.5, 2), (1.5, 2), (2.5, 2))):
    taken = Scene(name, 3.0, set_voltage_v=13.8, current_limit_a=0.5)
    taken.signal("unit.voltage", volts).signal("unit.current", amps)
    for time_s, count in counts:
        taken.report("reset-count", time_s, count=count)
    return taken


def cut(at_s=1.0, for_s=0.1, down_to_v=5.0):
    """Return volts of a bus that was cut and came back."""
    times_s = np.arange(3000) / 1000.0
    return np.where((times_s >= at_s) & (times_s < at_s + for_s), down_to_v, 13.8)


def result(*doubts, captures=("truth",)):
    return Observation(
        id="a.result",
        title="a",
        function="discretes",
        statement="holds",
        trials=1,
        failures=1,
        doubts=doubts,
        captures=captures,
    )


def seen(*scenes, results=(), procedure=None, earlier=POWERED):
    shelf = Shelf(*(one.capture() for one in scenes), earlier=earlier)
    return {one.id: one for one in watched(procedure or Plain(), results, shelf, SETUP)}


def test_a_bus_that_stands_and_a_count_that_stays_add_nothing_but_the_count():
    assert seen(scene(), results=(result(),)) == {"a.result": result(), f"{STEP}.reset-count": left(STEP, 2, SETUP)}


def test_before_the_unit_is_powered_nothing_is_watched():
    assert seen(scene(volts=0.0), results=(result(),), earlier=()) == {"a.result": result()}


def test_a_reset_while_the_bus_stood_is_the_units_fail():
    found = seen(scene(counts=((0.5, 2), (1.5, 3))))[f"{STEP}.no-reset"]
    assert (found.failures, found.cause_if_failed, found.doubts) == (1, Cause.UNIT, ())


def test_a_reset_while_the_bus_was_cut_is_undecided_and_spoils_what_was_captured():
    found = seen(scene(volts=cut(), counts=((0.5, 2), (1.5, 3))), results=(result(),))
    assert [doubt.cause for doubt in found[f"{STEP}.no-reset"].doubts] == [Cause.UNDECIDED]
    assert {doubt.cause for doubt in found["a.result"].doubts} == {Cause.BENCH, Cause.UNDECIDED}


def test_a_reset_between_two_captures_is_undecided_as_nobody_looked_at_the_bus():
    found = seen(scene(), scene("ramps-low", counts=((0.5, 3),)), results=(result(captures=("ramps-low",)),))
    assert [doubt.cause for doubt in found[f"{STEP}.no-reset"].doubts] == [Cause.UNDECIDED]
    assert "not sampled" in found["a.result"].doubts[0].reason


def test_a_reset_since_the_procedure_before_is_seen():
    assert f"{STEP}.no-reset" in seen(scene(counts=((0.5, 3), (1.5, 3))))


def test_a_count_that_was_forgotten_without_power_is_no_reset():
    assert f"{STEP}.no-reset" not in seen(scene(counts=((0.5, 0), (1.5, 0))))


def test_a_procedure_that_moves_the_bus_on_purpose_judges_both_itself():
    moved = scene(volts=cut(for_s=1.0), counts=((0.5, 2), (2.5, 3)))
    found = seen(moved, results=(result(),), procedure=Disturbs())
    assert found == {"a.result": result(), f"{STEP}.reset-count": left(STEP, 3, SETUP)}


@pytest.mark.parametrize("volts", [cut(for_s=0.05, down_to_v=8.0), 13.0, 14.6], ids=["dip", "low", "high"])
def test_a_fault_proved_on_a_bus_that_was_off_its_setting_is_not_proved(volts):
    proved = Doubt(reason="it does not follow", cause=Cause.UNIT)
    doubts = seen(scene(volts=volts), results=(result(proved, captures=()),))["a.result"].doubts
    assert {doubt.cause for doubt in doubts} == {Cause.BENCH, Cause.UNDECIDED}


def test_a_bus_that_falls_because_the_supply_limits_is_not_put_down_to_the_bench_here():
    limiting = np.where(cut() < 13.0, 0.5, 0.15)
    assert bus_doubts(Record(Shelf(scene(volts=cut(), amps=limiting).capture()), "truth"), SETUP) == ()


def test_where_the_supplys_terminals_stand_the_contactor_the_leads_or_the_channel_are_named():
    taken = scene(volts=13.0).signal("supply.voltage", 13.8)
    (doubt,) = bus_doubts(Record(Shelf(taken.capture()), "truth"), SETUP)
    assert doubt.cause is Cause.BENCH
    assert "supply's terminals stand at 13.80 V" in doubt.reason


def test_samples_that_were_lost_are_no_dip():
    taken = scene(volts=cut(for_s=0.02, down_to_v=0.0))
    taken.gap(1.0, 20)
    assert bus_doubts(Record(Shelf(taken.capture()), "truth"), SETUP) == ()


WATCHED = "light-1.voltage,light-2.voltage,flap.voltage,yaw.voltage,rheostat-1.voltage,rheostat-2.voltage"
LEVELS = PROCEDURES[STEP]


def beside(name="truth", **volts):
    """A capture to which the bench has added outputs, rheostats and lines; what is not named stands at 0 V."""
    taken = Scene(name, 3.0, set_voltage_v=13.8, current_limit_a=0.5, watched_signals=WATCHED)
    taken.signal("unit.voltage", 13.8).signal("unit.current", 0.15)
    for signal in WATCHED.split(","):
        taken.signal(signal, volts.get(signal.partition(".")[0].replace("-", "_"), 0.0))
    return taken


def idle(*scenes):
    found = seen(*scenes, procedure=LEVELS)[f"{STEP}.untouched-idle"]
    return observe(found, procedure=STEP)


def test_outputs_that_a_procedure_does_not_touch_stay_idle():
    assert idle(beside()).verdict is Verdict.PASS


def test_an_output_that_no_procedure_touches_and_that_comes_on_is_the_units():
    found = idle(beside(), beside("ramps", light_1=13.0))
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)
    assert "ramps: Light 1 at 13.00 V" in found.reasons[0]


def test_an_output_that_moved_with_a_line_closed_that_nobody_held_is_nobodys():
    taken = beside(yaw=13.0).line("yaw-left", np.ones(3000, dtype=bool))
    found = idle(taken)
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "yaw-left" in found.reasons[0]


def test_a_lamp_lit_by_a_rheostat_line_that_is_not_at_rest_is_nobodys():
    power_up = Scene("start", 5.0, set_voltage_v=13.8, current_limit_a=0.5)
    power_up.signal("pwm-1.voltage", 5.5).signal("rheostat-1.voltage", 0.26).signal("rheostat-2.voltage", 0.03)
    found = judged("power-up", power_up.capture())["power-up.idle.pwm-1"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "rheostat-1" in found.next_step


def test_a_lamp_lit_with_its_rheostat_at_rest_is_the_units():
    power_up = Scene("start", 5.0, set_voltage_v=13.8, current_limit_a=0.5)
    power_up.signal("pwm-1.voltage", 5.5).signal("rheostat-1.voltage", 0.03).signal("rheostat-2.voltage", 0.03)
    found = judged("power-up", power_up.capture())["power-up.idle.pwm-1"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def told(taken, **fields):
    """Have an event say what was seen before a capture."""
    return taken.event("between", 0.0, 0.002, duration_s=1.0, **{"lowest_v": 13.7, "closed": "", **fields})


def test_an_output_that_moved_between_captures_is_the_units():
    found = idle(beside(), told(beside("ramps"), **{"light-2.voltage": 13.0}))
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)
    assert "before ramps: Light 2" in found.reasons[0]


def test_an_output_that_moved_between_captures_with_a_line_closed_is_nobodys():
    found = idle(told(beside(), **{"yaw.voltage": 13.0, "closed": "yaw-left"}))
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_a_bus_cut_between_captures_is_the_benchs_and_spoils_what_came_after():
    results = (result(captures=("before",)), result(captures=("after",)))
    scenes = (scene("before"), told(scene("after"), lowest_v=1.0, fell_to_v=1.0, set_v=13.8))
    shelf = Shelf(*(one.capture() for one in scenes), earlier=POWERED)
    before, after, *others = watched(Plain(), results, shelf, SETUP)
    assert before.doubts == ()
    assert [doubt.cause for doubt in after.doubts] == [Cause.BENCH]
    (bus,) = [one for one in others if one.id == f"{STEP}.bus-between"]
    assert observe(bus, procedure=STEP).cause is Cause.BENCH


@pytest.mark.parametrize(("lowest_v", "fails"), [(13.7, True), (3.0, False)])
def test_a_reset_between_captures_is_the_units_where_the_bus_is_known_to_have_stood(lowest_v, fails):
    scenes = (scene("truth"), told(scene("ramps", counts=((0.5, 3),)), lowest_v=lowest_v))
    found = seen(*scenes, procedure=Plain())[f"{STEP}.no-reset"]
    assert (observe(found, procedure=STEP).verdict is Verdict.FAIL) is fails
