"""What a held trim and the lights show around a break of the bus, from synthetic samples."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, setup_in, shipped_plans

from test_plans.interruption import State, breaks_of
from test_plans.interruption_states import courses_of, held_axis
from test_plans.interruption_working import working_in
from test_plans.profile import Behaviour
from test_plans.readings import Record
from test_plans.switch_lines import trim_lines

SHEET = setup_in(shipped_plans()["brownout"], "bus-interruptions-trim")
SETUP = replace(SHEET, step=replace(SHEET.step, conditions={"short_s": 0.1, "long_s": 0.1, "trials": 1}))
KEPT, RECOVERED, LOST = Behaviour.KEPT_WORKING, Behaviour.RECOVERED, Behaviour.POWER_CYCLE


def between(scene, *spans):
    inside = np.zeros(scene.n, dtype=bool)
    for from_s, to_s in spans:
        inside |= (scene.times_s >= from_s) & (scene.times_s < to_s)
    return inside


def scene_in(state):
    (one,) = breaks_of(SETUP, state)
    (course,) = courses_of(SETUP, one)
    scene = Scene(one.name, course.end_s, 1000.0)
    for line in trim_lines(SETUP.unit):
        scene.line(line, False)
    return scene.signal("unit.voltage", 13.8), one, course


def seen(scene, one, course):
    return working_in(Record(Shelf(scene.capture()), scene.name), SETUP, one, course)


def trim(*drives, again_v=13.5):
    """Return what is seen of a trim that drives in these stretches, relative to the break, and when pressed anew."""
    scene, one, course = scene_in(State.TRIM)
    switch = held_axis(SETUP).switches[0].name
    scene.line(switch, between(scene, (course.pressed_s, course.released_s), (course.again_s, course.let_go_s)))
    for at_s, closed in zip(
        (course.pressed_s, course.released_s, course.again_s, course.let_go_s), (1, 0, 1, 0), strict=True
    ):
        scene.drive(switch, at_s, closed)
    volts = 13.5 * between(scene, *((course.open_s + from_s, course.open_s + to_s) for from_s, to_s in drives))
    volts[between(scene, (course.again_s + 0.03, course.let_go_s + 0.03))] = again_v
    return seen(scene.signal("pitch.voltage", volts), one, course)


def held_s():
    _, _, course = scene_in(State.TRIM)
    return course.released_s - course.open_s + 0.03


def test_a_drive_that_goes_on_under_its_held_switch_is_kept():
    found = trim((-0.27, held_s()))
    assert (found.observed, found.moved, found.wrong, found.doubts) == (KEPT, (), (), ())


def test_a_drive_that_stops_and_comes_with_a_new_press_is_recovered():
    found = trim((-0.27, 0.01))
    assert (found.observed, found.moved, found.doubts) == (RECOVERED, (), ())


def test_a_drive_that_begins_anew_under_the_held_switch_is_motion_by_itself():
    found = trim((-0.27, 0.01), (0.7, 1.0))
    assert found.observed is RECOVERED
    assert found.moved == ("Pitch trim, its switch held, drove again 0.70 s after",)


def test_a_drive_after_its_switch_was_let_go_is_motion_by_itself():
    found = trim((-0.27, 0.01), (held_s() + 0.1, held_s() + 0.15))
    assert found.moved[0].startswith("Pitch trim drove 0.1")


@pytest.mark.parametrize(("again_v", "observed", "wrong"), [(0.0, LOST, 0), (-13.5, RECOVERED, 1)])
def test_a_new_press_that_drives_nothing_or_the_other_way_is_told(again_v, observed, wrong):
    found = trim((-0.27, 0.01), again_v=again_v)
    assert (found.observed, len(found.wrong)) == (observed, wrong)


def test_a_drive_that_did_not_run_ahead_of_the_break_shows_nothing():
    assert [doubt.cause.value for doubt in trim().doubts] == ["undecided"]


@pytest.mark.parametrize(
    ("during_v", "after_v", "observed", "wrong"),
    [(6.0, 6.0, KEPT, 0), (0.0, 6.0, RECOVERED, 0), (0.0, 12.0, RECOVERED, 1), (0.0, 0.0, LOST, 1)],
)
def test_lights_go_on_go_dark_come_back_otherwise_or_not(during_v, after_v, observed, wrong):
    scene, one, course = scene_in(State.DIMMING)
    for output in SETUP.unit.dimming:
        scene.signal(f"{output.name}.voltage", 6.0)
    volts = np.full(scene.n, 6.0)
    volts[between(scene, (course.open_s + 0.01, course.close_s))] = during_v
    volts[between(scene, (course.close_s, scene.times_s[-1] + 1.0))] = after_v
    found = seen(scene.signal("dc-1.voltage", volts), one, course)
    assert (found.observed, len(found.wrong), found.doubts) == (observed, wrong, ())
