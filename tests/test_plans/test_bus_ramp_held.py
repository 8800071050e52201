"""What an output does while its switch is held through a reset or a start: rests, drives anew, never the wrong way."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, setup_of, sheets

from analysis.judge import observe
from analysis.measurement import Doubt
from analysis.verdict import Cause, Verdict
from test_plans.bus_ramp_held_readings import read_run
from test_plans.bus_ramp_held_shots import come_on_shots, ramp_shots, untested
from test_plans.readings import Record
from test_plans.trials import Trial, tried

SETUP = setup_of("bus-ramp-held")
UNIT = sheets().unit
PITCH = next(axis for axis in UNIT.trims if axis.name == "pitch")
UP = PITCH.switches[0]


def during(times_s, start_s, stop_s):
    return (times_s >= start_s) & (times_s < stop_s)


def run(*, moves=(), before=True, again=True, closes=True, ends_v=9.5, from_dead=False):
    """Return one capture as read: pressed at 0.3 s, down and up at 5 V/s, let go at 4.5 s, anew at 4.8 s for 0.3 s.

    `moves` are (from, to, volts) besides what it should do; `from_dead` has the bus come on at 1 s instead.
    """
    scene = Scene("shot", 5.5, 2000.0)
    times_s = scene.times_s
    course = ((1.0, 1.3), (0.0, 13.8)) if from_dead else ((0.7, 1.62, 1.92, 3.02), (8.6, 4.0, 4.0, ends_v))
    volts = np.zeros(times_s.size)
    if before and not from_dead:
        volts[during(times_s, 0.325, 0.8)] = 8.4
    if again:
        volts[during(times_s, 4.825, 5.125)] = 9.4
    for start_s, stop_s, level_v in moves:
        volts[during(times_s, start_s, stop_s)] = level_v
    closed = during(times_s, 0.3, 4.5) | during(times_s, 4.8, 5.1)
    for at_s, down in ((0.3, True), (4.5, False), (4.8, True), (5.1, False)):
        scene.drive(UP.name, at_s, down)
    scene.signal("unit.voltage", np.interp(times_s, *course)).signal("unit.current", 0.2)
    scene.signal("pitch.voltage", UP.polarity * volts).line(UP.name, closed & closes)
    return read_run(Record(Shelf(scene.capture()), "shot"), SETUP, PITCH, from_dead=from_dead)


def seen(found):
    """Return what was wrong of: resting, driving anew, the right way."""
    trials = (found.rests(alive=True), found.drives_again(alive=True), found.right_way())
    return tuple(bool(trial.wrong) and not trial.doubts for trial in trials)


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({}, (False, False, False)),
        ({"from_dead": True}, (False, False, False)),
        ({"moves": ((2.6, 4.55, 9.0),)}, (True, False, False)),  # from its start on until let go
        ({"moves": ((2.6, 2.63, -9.0),)}, (True, False, True)),  # a twitch of 30 ms the wrong way
        ({"moves": ((0.1, 0.2, -8.0),)}, (False, False, True)),
        ({"again": False}, (False, True, False)),
        ({"moves": ((1.9, 2.4, 13.0),), "from_dead": True}, (True, False, False)),
        ({"moves": ((4.6, 4.7, 9.0),)}, (True, False, False)),  # nobody pressed
    ],
)
def test_what_a_held_switch_does_is_told_apart(changes, wrong):
    found = run(**changes)
    assert found.doubts == ()
    assert seen(found) == wrong


def test_a_motion_is_said_with_switch_time_and_bus():
    said = run(moves=((2.6, 4.5, 9.0),)).rests(alive=True).wrong
    assert said.startswith("shot, up, left seat: it moved for 1.90 s, first at 7.4")


@pytest.mark.parametrize("changes", [{"closes": False}, {"ends_v": 9.0}])
def test_a_line_that_stayed_open_and_a_bus_that_stayed_low_prove_nothing(changes):
    found = run(**changes, again=False)
    assert found.doubts
    assert {doubt.cause for doubt in found.doubts} <= {Cause.BENCH, Cause.UNDECIDED}


def test_a_bus_that_was_not_dead_before_it_came_on_is_the_benchs():
    scene = Scene("shot", 5.5, 2000.0).signal("unit.voltage", 13.8).signal("pitch.voltage", 0.0)
    for at_s, down in ((0.3, True), (4.5, False), (4.8, True), (5.1, False)):
        scene.drive(UP.name, at_s, down)
    scene.line(UP.name, during(scene.times_s, 0.3, 4.5) | during(scene.times_s, 4.8, 5.1))
    (doubt,) = read_run(Record(Shelf(scene.capture()), "shot"), SETUP, PITCH, from_dead=True).doubts
    assert (doubt.cause, "stood at 13.80 V before it came on" in doubt.reason) == (Cause.BENCH, True)


def test_an_output_that_never_drives_rests_for_another_reason():
    silent = run(before=False, again=False)
    (doubt,) = silent.rests(alive=False).doubts
    assert doubt.cause is Cause.UNDECIDED
    assert silent.rests(alive=True).doubts == ()


def test_every_switch_is_held_while_the_bus_comes_on_and_opposite_ones_of_either_seat_at_each_rate():
    everything = {switch.name for axis in UNIT.trims for switch in axis.switches}
    assert {switch.name for shot in come_on_shots(SETUP) for switch in shot.switches} == everything
    two = replace(SETUP, step=replace(SETUP.step, conditions={"trials": 2}))
    shots = ramp_shots(two)
    assert [shot.rate_v_per_s for shot in shots] == [0.5, 0.5, 5.0, 5.0, 50.0, 50.0]
    held = [[switch.name for switch in shot.switches if switch.axis == "pitch"] for shot in shots]
    assert held[:4] == [["pitch-left-up"], ["pitch-right-down"], ["pitch-left-down"], ["pitch-right-up"]]
    assert {switch.name for shot in shots for switch in shot.switches} == everything
    assert "2 of up to 4 of an axis at each rate" in untested(two)[0]
    whole = replace(SETUP, step=replace(SETUP.step, conditions={}))
    assert untested(whole) == ()
    assert len(ramp_shots(whole)) == 12


def verdict_of(*trials):
    found = tried(trials, id_="a.b", title="A", function="power", statement="it holds", pins=())
    finding = observe(found, procedure="a")
    return finding.verdict, finding.cause, found.trials, found.failures


UNSURE = Trial(wrong="said in doubt", doubts=(Doubt(reason="samples lost", cause=Cause.BENCH),))


def test_a_fault_in_a_sound_trial_stays_one_and_a_doubt_elsewhere_keeps_a_pass_away():
    assert verdict_of(Trial(), Trial()) == (Verdict.PASS, None, 2, 0)
    assert verdict_of(Trial(), Trial(wrong="moved"), UNSURE) == (Verdict.FAIL, Cause.UNIT, 2, 1)
    assert verdict_of(Trial(), UNSURE) == (Verdict.INCONCLUSIVE, Cause.BENCH, 1, 0)
    assert verdict_of()[:2] == (Verdict.INCONCLUSIVE, Cause.BENCH)
