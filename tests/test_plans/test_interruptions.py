"""Breaks of the bus: what is asked of the bench, and what a synthetic break shows of the unit."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_captures import Scene, Shelf, setup_in, shipped_plans

from analysis.measurement import Measurement, Observation
from test_plans.interruption import DURATIONS_S, Break, State, breaks_of, required_of
from test_plans.interruption_states import courses_of, signals_of
from test_plans.interruptions import BusInterruptions
from test_plans.profile import Behaviour
from test_plans.profile_shot import Side
from test_plans.reported_settings import settings_of
from test_plans.switch_lines import trim_lines

IDLE = BusInterruptions(State.IDLE)
SHEET = setup_in(shipped_plans()["brownout"], IDLE.name)
KEPT, LOST = Behaviour.KEPT_WORKING, Behaviour.LOST_AND_RECOVERED


def setup_of(length_s, trials=2):
    conditions = {"short_s": length_s, "long_s": length_s, "trials": trials, "current_limit_a": 16.0}
    return replace(SHEET, step=replace(SHEET.step, conditions=conditions))


def scene_of(
    setup, *, told_s=None, resets=False, silent=False, side=Side.HARD, configuration=(42, 42), volts_back=13.8
):
    """Return the capture of breaks of one length, `told_s` longer than they were played, and how the unit took them."""
    one = replace(breaks_of(setup, State.IDLE)[0], side=side)
    courses = courses_of(setup, one)
    scene = Scene(one.name, courses[-1].end_s + 0.001, one.rate_hz, set_voltage_v=13.8, current_limit_a=16.0)
    volts, amps = np.full(scene.n, 13.8), np.full(scene.n, 0.15)
    counted = 0
    ahead_s = courses[0].open_s - 0.4
    scene.report("reset-count", ahead_s, count=0).report("configuration", ahead_s, count=configuration[0])
    for setting in settings_of(setup.unit):
        scene.report(setting, ahead_s, count=7)
    for course in courses:
        away = (scene.times_s >= course.open_s) & (scene.times_s < course.close_s + (told_s or 0.0))
        amps[away] = 0.0
        volts[away] -= 68.0 * (scene.times_s[away] - course.open_s)
        volts[scene.times_s >= course.close_s + 0.1] = volts_back
        counted += resets
        if not silent:
            back_s = course.close_s + (0.6 if resets else 0.3)
            scene.report("reset-count", back_s, count=counted)
            scene.report("configuration", back_s, count=configuration[1])
            for setting in settings_of(setup.unit):
                scene.report(setting, back_s, count=7)
            scene.report("reset-count", course.end_s - 0.1, count=counted)
    for signal in signals_of(setup, State.IDLE):
        scene.signal(signal, 0.0)
    scene.signal("unit.voltage", volts).signal("unit.current", amps)
    for line in trim_lines(setup.unit):
        scene.line(line, False)
    sent_s = np.arange(0.05, scene.n / scene.rate_hz, 0.1)
    for at_s in sent_s:
        scene.event("sent", float(at_s), airspeed_kt=60.0)
    near = np.zeros(scene.n, dtype=bool)
    for at_s in sent_s:
        near |= (scene.times_s >= at_s) & (scene.times_s < at_s + 0.001)
    return scene.line("bus.receive", near)


def results(setup, *scenes):
    return {
        result.id.rpartition(".")[2]: result for result in IDLE.evaluate(Shelf(*[s.capture() for s in scenes]), setup)
    }


def judged(result):
    assert isinstance(result, Observation)
    return result.trials, result.failures, [doubt.cause.value for doubt in result.doubts]


def test_the_series_of_lengths_is_cut_by_the_steps_conditions():
    assert [one.duration_s for one in breaks_of(SHEET, State.IDLE)] == list(DURATIONS_S)
    assert [one.duration_s for one in breaks_of(setup_of(0.010), State.IDLE)] == [0.010]


@pytest.mark.parametrize(
    ("length_s", "required"), [(0.001, KEPT), (0.050, KEPT), (0.0501, LOST), (0.500, LOST), (0.501, None)]
)
def test_a_length_asks_for_the_first_behaviour_that_reaches_to_it(length_s, required):
    assert required_of({KEPT: 0.050, LOST: 0.500}, length_s) is required


@settings(max_examples=40)
@given(length_s=st.sampled_from(DURATIONS_S), late_s=st.floats(0.0, 90e-6), phase=st.floats(0.0, 1.0))
def test_a_hard_break_reads_at_least_as_long_and_a_soft_one_at_most_whatever_switch_and_samples_do(
    length_s, late_s, phase
):
    for side in Side:
        one = Break(state=State.IDLE, duration_s=length_s, required=KEPT, side=side)
        read_s = np.floor((one.open_s + late_s) * one.rate_hz + phase) / one.rate_hz
        if side is Side.HARD:
            assert read_s - one.unsure_s >= length_s - 1e-12
        else:
            assert read_s + one.unsure_s <= length_s + 1e-12


def test_a_unit_that_works_on_through_a_break_passes():
    setup = setup_of(0.010)
    found = results(setup, scene_of(setup))
    assert judged(found["10ms"]) == (2, 0, [])
    assert judged(found["no-motion"]) == (2, 0, [])
    assert judged(found["configuration"]) == (2, 0, [])
    assert "no reset" in found["10ms"].notes


def test_a_reset_where_it_must_work_on_is_its_fail_only_in_a_break_no_longer_than_asked():
    setup = setup_of(0.010)
    hard, soft = scene_of(setup, resets=True), scene_of(setup, resets=True, side=Side.SOFT)
    assert judged(results(setup, hard)["10ms"]) == (0, 0, ["bench"])
    assert judged(results(setup, hard, soft)["10ms"]) == (2, 2, [])


def test_a_reset_where_one_is_allowed_is_timed_from_the_bus_being_back():
    setup = setup_of(0.200)
    found = results(setup, scene_of(setup, resets=True))
    assert judged(found["200ms"]) == (2, 0, [])
    duration = found["reset-duration"]
    assert isinstance(duration, Measurement)
    assert duration.value == pytest.approx(0.6, abs=0.11)
    assert duration.trials == 2
    # the host's time of a report, the sample next to the crossing and the sample clock, rectangular (JCGM 100, 4.3.7)
    parts = (setup.bench.report_time_bound_s, 0.5 / 5000.0, 5e-5 * duration.value)
    assert duration.standard_uncertainty == pytest.approx(float(np.hypot.reduce(np.array(parts))) / np.sqrt(3.0))


def test_silence_after_a_break_fails_where_the_line_shows_no_frame_of_the_unit():
    setup = setup_of(0.200)
    assert judged(results(setup, scene_of(setup, silent=True, side=Side.SOFT))["200ms"]) == (2, 2, [])


def test_silence_is_the_benchs_where_the_line_shows_frames_that_the_host_never_had():
    setup = setup_of(0.200)
    scene = scene_of(setup, silent=True, side=Side.SOFT)
    heard = scene.lines["bus.receive"].copy()
    for course in courses_of(setup, replace(breaks_of(setup, State.IDLE)[0], side=Side.SOFT)):
        at_s = np.ceil(course.close_s * 10.0) / 10.0  # between two frames of the bench's own
        heard |= (scene.times_s >= at_s + 0.1) & (scene.times_s < at_s + 0.101)
    assert set(judged(results(setup, scene.line("bus.receive", heard))["200ms"])[2]) == {"bench"}


def test_a_break_that_nobody_saw_proves_nothing_at_all():
    setup = setup_of(0.010)
    scene = scene_of(setup)
    found = results(setup, scene.signal("unit.current", 0.15))
    for name in ("10ms", "no-motion", "configuration"):
        assert judged(found[name])[2] == ["bench"]


def test_a_bus_that_does_not_come_back_spoils_the_break():
    setup = setup_of(0.010)
    found = results(setup, scene_of(setup, volts_back=9.0, resets=True, side=Side.SOFT))
    assert judged(found["10ms"])[2] == ["bench"]


def test_motion_fails_however_long_the_break_was():
    setup = setup_of(0.010)
    scene = scene_of(setup, told_s=0.005)  # harder than asked
    course = courses_of(setup, breaks_of(setup, State.IDLE)[0])[1]
    pulse = (scene.times_s >= course.close_s + 0.1) & (scene.times_s < course.close_s + 0.12)
    found = results(setup, scene.signal("pitch.voltage", np.where(pulse, 13.0, 0.0)))
    assert judged(found["no-motion"]) == (2, 1, [])
    assert "Pitch trim at 13" in found["no-motion"].detail


def test_a_configuration_that_reads_otherwise_after_a_break_is_the_units_fail():
    setup = setup_of(0.010)
    found = results(setup, scene_of(setup, configuration=(42, 43)))
    assert judged(found["configuration"]) == (2, 1, [])
    assert "configuration 42 before, 43 after" in found["configuration"].detail


def test_without_its_capture_every_result_is_there_and_in_doubt():
    found = results(setup_of(0.200))
    assert set(found) >= {"200ms", "no-motion", "configuration", "reset-duration"}
    assert all(found[name].doubts for name in ("200ms", "no-motion", "configuration", "reset-duration"))
