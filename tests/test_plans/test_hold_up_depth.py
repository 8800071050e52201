"""Hold-up output at steps, overloaded, rippling and fed from outside: whose fault is what the captures show."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, judged, setup_of

from analysis.verdict import Cause, Verdict
from test_plans import hold_up_back_feed, hold_up_load_step, hold_up_overload, hold_up_ripple
from test_plans.registry import PROCEDURES

BUS_V = 13.8


def scene_of(name, duration_s, rate_hz, *, volts, amps, bus_v=BUS_V, bus_a=4.0):
    scene = Scene(name, duration_s, rate_hz, set_voltage_v=bus_v, current_limit_a=16.0)
    scene.signal("unit.voltage", bus_v).signal("unit.current.high", bus_a)
    return scene.signal("hold-up.voltage", volts).signal("hold-up.current", amps)


def said(finding):
    return finding.verdict, finding.cause


UNIT_FAIL, BENCH, UNDECIDED = (
    (Verdict.FAIL, Cause.UNIT),
    (Verdict.INCONCLUSIVE, Cause.BENCH),
    (Verdict.INCONCLUSIVE, Cause.UNDECIDED),
)


# --- steps of the load ------------------------------------------------------------------------------


def steps(*, dip_v=0.3, tau_s=0.0003, lasts_s=0.0, drawn=1.0, lost=False, held_v=12.5):
    duration_s, rate_hz = hold_up_load_step._duration_s(), hold_up_load_step.RATE_HZ
    times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    volts, amps = np.full(times_s.size, held_v), np.full(times_s.size, 0.4)
    told = []
    for place in range(2 * hold_up_load_step.TRIALS):
        at_s = hold_up_load_step.FIRST_S + place * hold_up_load_step.APART_S + 0.004
        since_s, up = times_s - at_s, place % 2 == 0
        after = since_s >= 0.0
        goes_a = np.clip(since_s / max(lasts_s, 1e-9), 0.0, 1.0) * 3.2
        amps = np.where(after, 0.4 + goes_a if up else 3.6 - goes_a, amps)
        away_v = dip_v * np.exp(-np.maximum(since_s, 0.0) / tau_s)
        volts = np.where(after, held_v - away_v if up else held_v + away_v, volts)
        if lost and up:
            volts, amps = np.where(after, 0.0, volts), np.where(after, 0.0, amps)
        told.append((at_s + 0.004, 3.6 if up else 0.4, "on" if up else "off"))
    scene = scene_of("steps", duration_s, rate_hz, volts=volts, amps=drawn * amps)
    scene.event("note", 0.0, drawn="current", drawn_level=0.4)
    for told_s, level_a, way in told:
        scene.event("note", told_s, drawn="current", drawn_level=level_a).event("note", told_s, step=way)
    return judged("hold-up-load-step", scene.capture())


def test_sound_steps_pass_each_way():
    found = steps()
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["hold-up.step-on"].value == pytest.approx(0.3, abs=0.03)
    assert found["hold-up.step-off-recovery"].value == pytest.approx(0.0003 * np.log(0.3 / 0.125), abs=6e-5)


@pytest.mark.parametrize(
    ("how", "failed"),
    [
        ({"dip_v": 0.8}, {"hold-up.step-on", "hold-up.step-off"}),
        ({"tau_s": 0.004}, {"hold-up.step-on-recovery", "hold-up.step-off-recovery"}),
        ({"lost": True}, {"hold-up.step-on", "hold-up.step-on-recovery"}),
    ],
)
def test_a_deep_or_long_dip_and_an_output_lost_at_the_step_are_the_units(how, failed):
    found = steps(**how)
    assert failed <= {name for name, finding in found.items() if said(finding) == UNIT_FAIL}


@pytest.mark.parametrize("how", [{"drawn": 0.8}, {"drawn": 0.0}, {"lasts_s": 0.001}, {"drawn": 0.8, "dip_v": 0.8}])
def test_a_load_that_draws_wrongly_or_slowly_is_the_benchs(how):
    assert {said(finding) for finding in steps(**how).values()} == {BENCH}


def test_an_output_that_was_never_there_is_left_to_the_procedure_that_says_so():
    assert {said(finding) for finding in steps(held_v=0.0, dip_v=0.0).values()} == {UNDECIDED}


def without_load(setup):
    return replace(setup, bench=replace(setup.bench, electronic_load=None))


@pytest.mark.parametrize("change", ["none", "slow"])
def test_without_a_fast_electronic_load_resistors_step_it_and_that_is_said(change):
    setup = setup_of("hold-up-load-step")
    slow = replace(setup.bench.electronic_load, slew_a_per_s=10e3)
    spared = (
        without_load(setup) if change == "none" else replace(setup, bench=replace(setup.bench, electronic_load=slow))
    )
    needs = PROCEDURES["hold-up-load-step"].needs(spared)
    assert needs.drawn_from == ()
    assert needs.loads == (("hold-up", "3.125 ohm"),)
    assert any("resistors step it" in words for words in needs.untested)
    assert not any("resistors" in words for words in PROCEDURES["hold-up-load-step"].needs(setup).untested)


# --- overload ---------------------------------------------------------------------------------------


def overloaded(*, limit_a=5.5, back_s=0.05, drawn=1.0, tripped=False):
    setup = setup_of("hold-up-overload")
    duration_s, rate_hz = hold_up_overload._duration_s(setup), hold_up_overload.RATE_HZ
    times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    levels = hold_up_overload._levels_a(setup)
    amps, told, relieved = np.zeros(times_s.size), [], []
    at_s = hold_up_overload.FIRST_S
    for level_a in levels:
        told.append((at_s, level_a))
        at_s += hold_up_overload.DWELL_S
    for place in range(1 + hold_up_overload.REPEATS):
        told.append((at_s, levels[-1]))
        at_s += hold_up_overload.OVER_S + place * hold_up_overload.OTHER_PHASE_S
        told.append((at_s, 2.0))
        relieved.append(at_s)
        at_s += hold_up_overload.BACK_S
    for told_s, level_a in told:
        amps = np.where(times_s >= told_s, level_a, amps)
    stands = amps <= limit_a
    for told_s in relieved:
        stands &= ~((times_s >= told_s) & (times_s < told_s + back_s))
    scene = scene_of("overload", duration_s, rate_hz, volts=12.4 * stands, amps=drawn * amps * stands)
    for told_s, level_a in told:
        scene.event("note", told_s + 0.004, drawn="current", drawn_level=level_a)
    for told_s in relieved:
        scene.event("note", told_s + 0.004, relieved=0)
    if tripped:
        scene.event("electronic-load", duration_s - 0.01, tripped=True)
    return judged("hold-up-overload", scene.capture())


def test_the_limit_lies_between_what_was_carried_and_what_was_not():
    found = overloaded()
    assert found["hold-up.limit-current"].value == pytest.approx(5.5, abs=0.11)
    assert found["hold-up.overload-recovery"].value == pytest.approx(0.053, abs=0.008)
    assert (found["hold-up.limit-current"].verdict, found["hold-up.overload-recovery"].verdict) == (Verdict.PASS,) * 2


@pytest.mark.parametrize(
    ("how", "failed"),
    [
        ({"limit_a": 99.0}, "hold-up.limit-current"),
        ({"limit_a": 4.1}, "hold-up.limit-current"),
        ({"back_s": 0.6}, "hold-up.overload-recovery"),
    ],
)
def test_no_limit_one_too_low_and_one_that_holds_on_are_the_units(how, failed):
    assert said(overloaded(**how)[failed]) == UNIT_FAIL


@pytest.mark.parametrize("how", [{"drawn": 0.9}, {"tripped": True}])
def test_a_load_that_draws_too_little_or_trips_is_the_benchs(how):
    found = overloaded(**how)
    assert said(found["hold-up.limit-current"]) == BENCH
    assert said(found["hold-up.overload-recovery"]) == BENCH


def shorted(*, bus_a=0.3, there_v=0.05, back=True):
    duration_s, rate_hz = hold_up_overload._shorted_s(), hold_up_overload.RATE_HZ
    times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    first_s, last_s = hold_up_overload.FIRST_S, hold_up_overload.FIRST_S + hold_up_overload.SHORT_S
    inside = (times_s >= first_s) & (times_s < last_s)
    volts = np.where(inside, there_v, np.where((times_s > last_s) & (not back), 0.0, 12.5))
    scene = scene_of("shorted", duration_s, rate_hz, volts=volts, amps=0.0, bus_a=np.where(inside, bus_a, 0.2))
    scene.event("note", first_s, shorted=True).event("note", last_s, relieved=0)
    return judged("hold-up-overload", scene.capture())


def test_a_short_that_is_limited_and_over_at_once_passes():
    found = shorted()
    assert (found["hold-up.short-is-limited"].verdict, found["hold-up.shorted-recovery"].verdict) == (Verdict.PASS,) * 2


@pytest.mark.parametrize(
    ("how", "name", "wanted"),
    [
        ({"bus_a": 9.0}, "hold-up.short-is-limited", UNIT_FAIL),
        ({"back": False}, "hold-up.shorted-recovery", UNIT_FAIL),
        ({"there_v": 12.5}, "hold-up.short-is-limited", BENCH),
        ({"bus_a": 16.0, "there_v": 0.05}, "hold-up.short-is-limited", UNIT_FAIL),
    ],
)
def test_a_short_that_is_fed_or_holds_on_is_the_units_and_one_that_never_was_is_the_benchs(how, name, wanted):
    assert said(shorted(**how)[name]) == wanted


def test_a_bench_without_a_short_says_what_goes_untested():
    setup = setup_of("hold-up-overload")
    loads = {**setup.bench.loads, "hold-up": {"3.125 ohm": setup.bench.loads["hold-up"]["3.125 ohm"]}}
    needs = PROCEDURES["hold-up-overload"].needs(replace(setup, bench=replace(setup.bench, loads=loads)))
    assert [need.name for need in needs.captures] == ["overload"]
    assert any("no resistor of 0.25 ohm or less" in words for words in needs.untested)


# --- ripple -----------------------------------------------------------------------------------------


def rippling(ripple_v=0.04, hz=9000.0, *, bus_ripple_v=0.0, held_v=12.5, amps=True):
    captures = []
    for bus_v in hold_up_ripple._levels_v(setup_of("hold-up-ripple")):
        duration_s, rate_hz = hold_up_ripple._duration_s(), hold_up_ripple.RATE_HZ
        times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
        sine = 0.5 * np.sin(2.0 * np.pi * hz * times_s)
        loaded = np.where(times_s < hold_up_ripple._begin_s(1), 0.4, 4.0) if amps else 0.4
        scene = scene_of(
            f"at-{bus_v:g}-v", duration_s, rate_hz, volts=held_v + ripple_v * sine, amps=loaded, bus_v=bus_v
        )
        scene.signal("unit.voltage", bus_v + bus_ripple_v * sine)
        captures.append(scene.capture())
    return judged("hold-up-ripple", *captures)


def test_ripple_is_read_at_every_bus_and_load_with_its_component_told():
    found = rippling()
    assert len(found) == 6
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["hold-up.ripple-at-8-v-full"].value == pytest.approx(0.04, abs=0.006)
    assert any("at 9000 Hz" in note for note in found["hold-up.ripple-at-8-v-full"].notes)


def test_too_much_ripple_is_the_units_and_with_the_bus_rippling_as_much_undecided():
    assert {said(finding) for finding in rippling(0.25, 1200.0).values()} == {UNIT_FAIL}
    assert {said(finding) for finding in rippling(0.25, 1200.0, bus_ripple_v=0.2).values()} == {UNDECIDED}


def test_a_load_that_never_came_on_proves_nothing_at_full_load():
    found = rippling(amps=False)
    assert {said(one) for name, one in found.items() if name.endswith("full")} == {BENCH}


# --- back-feed --------------------------------------------------------------------------------------


def fed(*, pin_v=11.36, flowing_a=0.0114, bus_v=0.0, stood_v=0.0):
    scenes = [
        scene_of(
            name, hold_up_back_feed.READ_S, hold_up_back_feed.RATE_HZ, volts=volts, amps=amps, bus_v=on_bus, bus_a=0.0
        )
        for name, volts, amps, on_bus in (("before", 0.0, 0.0, stood_v), ("fed", pin_v, -flowing_a, bus_v))
    ]
    return judged("hold-up-back-feed", *(scene.capture() for scene in scenes))


def test_a_sound_output_takes_little_and_leaves_the_bus_dead():
    found = fed()
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["hold-up.reverse-current"].value == pytest.approx(0.0114, abs=2e-4)


def test_a_bus_that_is_fed_is_the_units():
    found = fed(pin_v=6.6, flowing_a=0.059, bus_v=5.9)
    assert {said(finding) for finding in found.values()} == {UNIT_FAIL}


@pytest.mark.parametrize(
    "how",
    [
        {"pin_v": 0.0, "flowing_a": 0.0},  # source dead, or its relay
        {"pin_v": 11.36, "flowing_a": 0.08},
        {"bus_v": 3.0, "stood_v": 3.0},  # something else holds the bus
    ],
)
def test_a_feed_that_does_not_come_and_a_bus_that_never_was_dead_are_the_benchs(how):
    assert {said(finding) for finding in fed(**how).values()} == {BENCH}
