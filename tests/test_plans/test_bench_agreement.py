"""The bench's own figures held against each other while a unit is on it, and what is in doubt where they contradict."""

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, judged, results_of, setup_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans.bench_agreement import agreement_in, agreement_observation
from test_plans.bus_ramp_readings import RampRun, set_voltage
from test_plans.bus_standing import supply_doubts
from test_plans.readings import Record
from test_plans.signals import idle_outputs

UNIT = sheets().unit
SETUP = setup_of("trim-loaded")
PITCH = UNIT.trims[0]
LEADS_OHM = 0.018


def steady(*, amps=1.65, back_a=None, shown_a=None, supply_v=None, rise_v_per_s=0.0, without=()):
    """A unit that draws `amps` at 13.8 V; every figure of the bench can be bent."""
    scene = Scene("look", 1.0, 5000.0, set_voltage_v=13.8, current_limit_a=3.0)
    values = {
        "unit.voltage": 13.8 + rise_v_per_s * scene.times_s,
        "supply.voltage": 13.8 + LEADS_OHM * amps if supply_v is None else supply_v,
        "unit.current": amps,
        "unit.current.high": amps,
        "return.current": amps if back_a is None else back_a,
    }
    for name, value in values.items():
        if name not in without:
            scene.signal(name, value)
    if "read-back" not in without:
        shown = amps if shown_a is None else shown_a
        scene.event("supply", 0.5, voltage_v=13.8, current_a=shown, set_v=13.8, limit_a=3.0)
    return Record(Shelf(scene.capture()), "look")


def agreement(**bent):
    return agreement_in(steady(**bent), SETUP, 0.1, 0.9)


def test_a_sound_bench_agrees_in_three_ways_with_nothing_left_unchecked():
    found = agreement()
    assert [check.agrees for check in found.checks] == [True, True, True]
    assert (found.doubts, found.notes) == ((), ())


@pytest.mark.parametrize(
    ("bent", "named"),
    [
        ({"back_a": 1.50}, "negative leg"),
        ({"shown_a": 1.50}, "read-back"),
        ({"supply_v": 13.95}, "lead drop"),
        ({"supply_v": 13.70}, "lead drop"),
    ],
)
def test_each_contradiction_is_the_benchs_and_named(bent, named):
    (doubt,) = agreement(**bent).doubts
    assert doubt.cause is Cause.BENCH
    assert named in doubt.reason


@pytest.mark.parametrize("bent", [{"back_a": 1.62}, {"shown_a": 1.60}, {"supply_v": 13.81}])
def test_a_residue_within_three_u_is_no_contradiction(bent):
    assert agreement(**bent).doubts == ()


def test_a_moving_bus_is_not_compared_and_that_is_said():
    found = agreement(rise_v_per_s=0.5, back_a=1.0)
    assert (found.checks, found.doubts) == ((), ())
    assert "stand still" in found.notes[0]


@pytest.mark.parametrize(
    ("without", "said"),
    [("supply.voltage", "leads"), ("return.current", "legs"), ("read-back", "read-back")],
)
def test_what_cannot_be_checked_is_said_and_nobody_is_blamed(without, said):
    found = agreement(without=(without,))
    assert len(found.checks) == 2
    assert found.doubts == ()
    assert said in found.notes[0]


def test_a_read_back_outside_the_stretch_is_not_of_it():
    found = agreement_in(steady(shown_a=0.0), SETUP, 0.6, 0.9)
    assert found.doubts == ()
    assert "read-back" in found.notes[0]


def test_the_wide_channel_serves_where_the_narrow_one_is_out_of_its_range():
    assert agreement(amps=4.6).doubts == ()
    (doubt,) = agreement(amps=4.6, back_a=4.2).doubts
    assert "negative leg" in doubt.reason


def test_with_nothing_to_check_there_is_no_observation_about_the_bench():
    bare = steady(without=("supply.voltage", "return.current", "read-back"))
    assert list(agreement_observation(bare, "a", "Bench", [agreement_in(bare, SETUP, 0.1, 0.9)])) == []
    (shown,) = agreement_observation(steady(), "a", "Bench", [agreement(), agreement(back_a=1.0)])
    assert (shown.trials, shown.failures, shown.cause_if_failed) == (1, 1, Cause.BENCH)


def between(times_s, start_s, stop_s):
    return (times_s >= start_s) & (times_s < stop_s)


def loaded(*, back=1.0, shown_a=None):
    """Pitch on 9.0 ohm; `back` is what the negative leg shows of what it carries."""
    scene = Scene("pitch", 3.35, 5000.0, set_voltage_v=13.8, current_limit_a=3.0)
    for name in idle_outputs(UNIT):
        scene.signal(f"{name}.voltage", 0.0)
    current = np.zeros(scene.n)
    for position, switch in enumerate(PITCH.switches):
        on_s = 0.15 + 0.8 * position
        scene.drive(switch.name, on_s, True).drive(switch.name, on_s + 0.5, False)
        scene.line(switch.name, between(scene.times_s, on_s, on_s + 0.5))
        driven = between(scene.times_s, on_s + 0.027, on_s + 0.527)
        current = np.where(driven, switch.polarity * 1.5, current)
        scene.event("supply", on_s + 0.3, current_a=1.65 if shown_a is None else shown_a, voltage_v=13.8)
    drawn = 0.15 + np.abs(current)
    scene.signal("unit.voltage", 13.8).signal("supply.voltage", 13.8 + LEADS_OHM * drawn)
    scene.signal("unit.current", drawn).signal("unit.current.high", drawn).signal("return.current", back * drawn)
    return scene.signal("pitch.current", current).signal("pitch.voltage", 9.0 * current).capture()


def test_a_loaded_trim_is_judged_on_a_bench_that_agrees():
    found = judged("trim-loaded", loaded(), given={"axes": ("pitch",)})
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert "12 checks" in found["pitch.loaded-bench"].notes[0]
    assert not any("not checked" in note for note in results_of("trim-loaded", loaded())["pitch.left.up.drop"].notes)


@pytest.mark.parametrize("bent", [{"back": 0.9}, {"shown_a": 1.2}])
def test_drop_and_current_of_a_bench_that_contradicts_itself_are_in_doubt_as_the_benchs(bent):
    found = judged("trim-loaded", loaded(**bent))
    for what in ("pitch.left.up.drop", "pitch.loaded-bench"):
        assert (found[what].verdict, found[what].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert results_of("trim-loaded", loaded(**bent))["pitch.left.up.current"].doubts


@pytest.mark.parametrize(("back_a", "verdict"), [(0.150, Verdict.PASS), (0.30, Verdict.INCONCLUSIVE)])
def test_the_last_quiescent_current_rests_on_both_legs(back_a, verdict):
    scene = Scene("quiescent", 1.3, set_voltage_v=13.8, current_limit_a=3.0)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.150).signal("return.current", back_a)
    found = judged("final-repeat", scene.capture())["final-repeat.quiescent"]
    assert found.verdict is verdict
    assert found.cause is (None if verdict is Verdict.PASS else Cause.BENCH)


def limited(*, from_s, to_s, amps=3.0, volts=9.0, limit_a=3.0):
    """A supply that limits for a moment in a stretch of a second."""
    scene = Scene("a", 1.0, 5000.0, set_voltage_v=13.8, current_limit_a=limit_a)
    hit = between(scene.times_s, from_s, to_s)
    scene.signal("unit.voltage", np.where(hit, volts, 13.8)).signal("unit.current.high", np.where(hit, amps, 1.6))
    return Record(Shelf(scene.signal("unit.current", 1.6).capture()), "a")


def test_limiting_for_two_milliseconds_is_read_from_samples_though_no_mean_shows_it():
    (doubt,) = supply_doubts(limited(from_s=0.5, to_s=0.502), SETUP, "loaded")
    assert doubt.cause is Cause.UNDECIDED  # 3 A is ample: whose draw it is takes the contactor open
    (doubt,) = supply_doubts(limited(from_s=0.5, to_s=0.502, limit_a=2.0, amps=2.0), SETUP, "loaded")
    assert doubt.cause is Cause.BENCH


@pytest.mark.parametrize("kept", [{"volts": 13.8}, {"amps": 2.8, "volts": 13.4}])
def test_the_limit_reached_with_the_voltage_kept_or_the_other_way_round_is_no_limiting(kept):
    assert supply_doubts(limited(from_s=0.5, to_s=0.502, **kept), SETUP, "loaded") == ()


def ramp(*, limiting=False):
    scene = Scene("ramp", 6.0, 5000.0, set_voltage_v=9.5, current_limit_a=2.5, ramp_rate_v_per_s=0.5)
    bus = np.interp(scene.times_s, (0.0, 1.0, 3.0, 4.0, 6.0), (9.5, 9.5, 8.5, 8.5, 9.5))
    scene.event("note", 3.0, set_voltage_v=8.5, current_limit_a=2.5).event("note", 6.0, set_voltage_v=9.5)
    hit = between(scene.times_s, 2.0, 2.01)
    scene.signal("unit.voltage", np.where(hit & limiting, bus - 0.5, bus))
    return scene.signal("unit.current.high", np.where(hit, 2.5, 0.2)).signal("pitch.voltage", 0.0)


def test_what_a_ramp_was_set_to_follows_from_its_notes_and_its_rate():
    found = set_voltage(Record(Shelf(ramp().capture()), "ramp"))
    at = [round(time_s * 5000) for time_s in (0.5, 1.0, 2.0, 3.0, 3.5, 4.0, 5.0)]
    assert found[at] == pytest.approx([9.5, 9.5, 9.0, 8.5, 8.5, 8.5, 9.0], abs=1e-3)


def test_a_ramp_limits_only_where_the_bus_also_falls_behind_what_was_set():
    runs = [
        RampRun.of(
            Record(Shelf(ramp(limiting=limiting).capture()), "ramp"),
            setup_of("bus-ramp"),
            PITCH,
            condition="ramp",
            low_v=8.5,
        )
        for limiting in (False, True)
    ]
    assert runs[0].doubts == ()
    assert [doubt.cause for doubt in runs[1].doubts] == [Cause.UNDECIDED]
