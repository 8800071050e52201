"""The dimming procedures on captures made of arrays: good units pass, and every wrong is put down to whose it is."""

from itertools import accumulate

import numpy as np
import pytest
from synthetic_captures import Scene, judged, results_of, setup_in, setup_of, sheets, shipped_plans

from analysis.verdict import Cause, Verdict
from test_plans.dimming_bench import sample_rate_hz
from test_plans.dimming_levels import expected_level
from test_plans.dimming_load import PHASE_NOTE, phases_s
from test_plans.dimming_map import _windows
from test_plans.registry import PROCEDURES

UNIT = sheets().unit
MAP = sheets().aircraft.dimming_map
RATE_HZ = 50_000.0
BUS_V = 13.8
LASTS_S = phases_s(setup_of("dimming-load"))
FREQUENCIES_HZ = {"pwm-1": 237.53, "pwm-2": 244.94, "pwm-3": 237.7, "pwm-4": 236.69}


def shown(scene, output, level, *, bus_v=BUS_V, hertz=None):
    """An output's volts for a level, constant or an array over the scene; `hertz` in place of its own frequency."""
    if not output.frequency_hz:
        return np.broadcast_to(level, scene.n)
    phase = (scene.times_s * (FREQUENCIES_HZ | (hertz or {}))[output.name]) % 1.0
    return np.where(phase < np.asarray(level) / 100.0, bus_v, 0.0)


def steady(name, duration_s, rate_hz=RATE_HZ, *, bus_v=BUS_V, limit_a=0.5, amps=0.2):
    scene = Scene(name, duration_s, rate_hz, set_voltage_v=bus_v, current_limit_a=limit_a)
    return scene.signal("unit.voltage", bus_v).signal("unit.current", amps)


def wipers(scene, levels_v):
    for rheostat in UNIT.rheostats:
        scene.signal(f"{rheostat.name}.voltage", levels_v.get(rheostat.name, 0.0))
    return scene


def at_travel(scene, travel, *, bus_v=BUS_V, factor=None):
    """All outputs on their curve at one travel; `factor` multiplies single ones."""
    wipers(scene, {rheostat.name: travel * rheostat.full_travel_v for rheostat in UNIT.rheostats})
    for output in UNIT.dimming:
        level = expected_level(output, travel)[0] * (factor or {}).get(output.name, 1.0)
        scene.signal(f"{output.name}.voltage", shown(scene, output, level, bus_v=bus_v))
    return scene


# The map


def turned(rheostat, *, crossed=False, leak=None, wiper_dead=False, hertz=None):
    setup = setup_of("dimming-map")
    (_, zero_to), (_, full_to) = _windows(setup)
    scene = steady(rheostat, full_to + 0.01)
    moved = (scene.times_s >= zero_to).astype(float)
    own = np.zeros(scene.n) if wiper_dead else 5.0 * moved
    wipers(scene, {entry.name: own if entry.name == rheostat else 2.5 for entry in UNIT.rheostats})
    for output in UNIT.dimming:
        follows = (MAP[output.name] == rheostat) is not crossed
        if follows:
            level = 0.0 if wiper_dead else output.high_level * moved
        else:
            level = expected_level(output, 0.5)[0] + (leak or {}).get(output.name, 0.0) * moved
        scene.signal(f"{output.name}.voltage", shown(scene, output, level, hertz=hertz))
    return scene.capture()


@pytest.fixture(scope="module")
def mapped():
    return judged("dimming-map", *(turned(entry.name) for entry in UNIT.rheostats))


def test_every_output_follows_the_rheostat_the_aircraft_sheet_gives_it_and_no_other(mapped):
    for output in UNIT.dimming:
        other = next(entry.name for entry in UNIT.rheostats if entry.name != MAP[output.name])
        assert mapped[f"{MAP[output.name]}.{output.name}.follows"].verdict is Verdict.PASS
        assert mapped[f"{other}.{output.name}.cross-talk"].verdict is Verdict.PASS


def test_crossed_rheostats_are_the_units():
    found = judged("dimming-map", *(turned(entry.name, crossed=True) for entry in UNIT.rheostats))
    assert found["rheostat-1.pwm-1.follows"].cause is Cause.UNIT
    assert found["rheostat-1.dc-2.cross-talk"].value == pytest.approx(100.0, abs=0.5)


def test_three_per_cent_of_cross_talk_fails_and_a_third_passes():
    found = judged("dimming-map", turned("rheostat-1", leak={"dc-2": 0.36, "pwm-3": 0.3}))
    assert found["rheostat-1.dc-2.cross-talk"].cause is Cause.UNIT
    assert found["rheostat-1.pwm-3.cross-talk"].verdict is Verdict.PASS


def test_a_wiper_line_that_does_not_move_blames_nobody():
    found = judged("dimming-map", turned("rheostat-1", wiper_dead=True))["rheostat-1.pwm-1.follows"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_the_frequency_of_every_output_is_judged_at_half_while_another_rheostat_turns(mapped):
    pulsed = [output for output in UNIT.dimming if output.frequency_hz]
    assert len(pulsed) == 4
    for output in pulsed:
        other = next(entry.name for entry in UNIT.rheostats if entry.name != MAP[output.name])
        found = mapped[f"{other}.{output.name}.frequency"]
        assert found.verdict is Verdict.PASS
        assert abs(found.value - FREQUENCIES_HZ[output.name]) < 3.0 * found.standard_uncertainty


def test_a_frequency_of_200_hz_is_the_units_and_no_pulses_at_all_are_nobodys():
    found = judged("dimming-map", turned("rheostat-1", hertz={"pwm-3": 200.0}))
    assert found["rheostat-1.pwm-3.frequency"].value == pytest.approx(200.0, abs=0.5)
    assert found["rheostat-1.pwm-3.frequency"].cause is Cause.UNIT
    assert found["rheostat-1.pwm-4.frequency"].verdict is Verdict.PASS
    dark = judged("dimming-map", turned("rheostat-1", leak={"pwm-3": -100.0, "pwm-4": -100.0}, hertz={"pwm-3": 0.0}))
    assert (dark["rheostat-1.pwm-3.frequency"].verdict, dark["rheostat-1.pwm-3.frequency"].cause) == (
        Verdict.INCONCLUSIVE,
        Cause.UNDECIDED,
    )


# Bus


def buses(factor=None):
    volts = {"nominal-bus": 13.8, "low-bus": 10.0, "high-bus": 15.0}
    return [
        at_travel(steady(name, 0.4, bus_v=bus_v), 0.5, bus_v=bus_v, factor=(factor or {}).get(name)).capture()
        for name, bus_v in volts.items()
    ]


def test_a_duty_that_stays_while_its_pulses_grow_with_the_bus_passes():
    assert {finding.verdict for finding in judged("dimming-bus", *buses()).values()} == {Verdict.PASS}


def test_a_quarter_less_at_ten_volts_fails_at_ten_volts_only():
    found = judged("dimming-bus", *buses({"low-bus": {"pwm-1": 0.75, "dc-2": 0.75}}))
    assert found["pwm-1.low-bus"].value == pytest.approx(-25.0, abs=1.0)
    assert found["dc-2.low-bus"].cause is Cause.UNIT
    assert found["pwm-1.high-bus"].verdict is Verdict.PASS


def test_a_supply_that_does_not_hold_the_low_bus_is_the_benchs():
    sunk = [capture for capture in buses() if capture.name != "low-bus"]
    low = at_travel(steady("low-bus", 0.4, bus_v=10.0), 0.5, bus_v=10.0).signal("unit.voltage", 9.0).capture()
    found = judged("dimming-bus", *sunk, low)["dc-1.low-bus"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


# Flicker


def flickering(amplitude):
    scene = steady("at-50", 4.54)
    wave = amplitude * np.sin(2.0 * np.pi * 5.0 * scene.times_s)
    at_travel(scene, 0.5)
    for name, scale in (("pwm-1", 1.0), ("dc-1", 0.12)):
        output = next(entry for entry in UNIT.dimming if entry.name == name)
        level = expected_level(output, 0.5)[0] + scale * wave
        scene.signal(f"{name}.voltage", shown(scene, output, level))
    return scene.capture()


@pytest.fixture(scope="module")
def flicker():
    return judged("dimming-flicker", flickering(3.0))


def test_three_per_cent_at_five_hertz_is_found_on_both_kinds_and_nowhere_else(flicker):
    for name in ("pwm-1", "dc-1"):
        found = flicker[f"{name}.modulation.50"]
        assert found.value == pytest.approx(3.0, abs=0.1)
        assert found.cause is Cause.UNIT
    assert flicker["pwm-2.modulation.50"].verdict is Verdict.PASS
    assert flicker["dc-2.modulation.50"].verdict is Verdict.PASS


def test_rounding_of_edges_that_beats_slowly_is_within_the_stated_uncertainty(flicker):
    for name in ("pwm-2", "pwm-3", "pwm-4"):
        found = flicker[f"{name}.modulation.50"]
        assert found.value <= 2.0 * found.standard_uncertainty


# Loads and shorts


def loaded(name, *, ohm=0.1, short_a=1.2, after=1.0, sister=1.0, ripple_v=0.06, sunk=False):
    """The phases of one output at full travel; pulses are left out: at full a good PWM stands at the bus."""
    begins_s = dict(zip(LASTS_S, accumulate(LASTS_S.values(), initial=0.0), strict=False))
    scene = steady(name, sum(LASTS_S.values()), RATE_HZ, limit_a=6.0)
    scene.signal("unit.current.high", 0.3)
    wipers(scene, {entry.name: 5.0 for entry in UNIT.rheostats})
    phase = np.searchsorted(list(begins_s.values()), scene.times_s, side="right") - 1
    for entry, begins in begins_s.items():
        scene.event("note", begins, 0.005, **{PHASE_NOTE: entry})
    for output in UNIT.dimming:
        full_v = BUS_V if output.frequency_hz else 12.0
        volts = np.full(scene.n, full_v)
        if output.name == name:
            parts = {"rated": 18.5 / (18.5 + ohm), "short": 0.5 * short_a / full_v, "after": after}
            volts = full_v * np.array([parts.get(entry, 1.0) for entry in LASTS_S])[phase]
        elif output.name == "dc-2":
            volts = np.where(phase == list(LASTS_S).index("short"), sister * full_v, full_v)
        if not output.frequency_hz:
            volts = volts + 0.5 * ripple_v * np.sin(2.0 * np.pi * 2000.0 * scene.times_s)
        scene.signal(f"{output.name}.voltage", volts)
    if sunk:
        scene.signal("unit.voltage", np.where(phase == list(LASTS_S).index("short"), 9.0, BUS_V))
    return scene.capture()


def test_a_good_output_carries_its_load_limits_its_short_and_comes_back():
    for name in ("pwm-1", "dc-1"):
        found = {key: entry for key, entry in judged("dimming-load", loaded(name)).items() if key.startswith(name)}
        assert {entry.verdict for entry in found.values()} == {Verdict.PASS}
        assert found[f"{name}.short-current"].value == pytest.approx(1.2, abs=0.01)
        assert found[f"{name}.regulation"].value == pytest.approx(0.07, abs=0.01)


@pytest.mark.parametrize(("plan", "short_s"), [("acceptance", 1.0), ("quick", 0.25)])
def test_a_short_is_held_for_a_second_and_in_the_quick_plan_only_until_it_is_read(plan, short_s):
    setup = setup_in(shipped_plans()[plan], "dimming-load")
    assert phases_s(setup)["short"] == short_s
    needs = PROCEDURES["dimming-load"].needs(setup)
    assert [capture.duration_s for capture in needs.captures] == pytest.approx([1.0 + short_s] * len(UNIT.dimming))


def test_ripple_is_read_within_its_uncertainty_in_spite_of_noise():
    for asked_v, verdict in ((0.06, Verdict.PASS), (0.3, Verdict.FAIL)):
        found = judged("dimming-load", loaded("dc-1", ripple_v=asked_v))["dc-1.ripple"]
        assert abs(found.value - asked_v) <= 2.0 * found.standard_uncertainty
        assert found.verdict is verdict


@pytest.mark.parametrize(
    ("wrong", "what"),
    [
        ({"short_a": 4.2}, "short-current"),
        ({"after": 0.0}, "recovery"),
        ({"sister": 0.9}, "sister-change"),
        ({"ohm": 2.5}, "regulation"),
    ],
)
def test_what_is_wrong_under_load_is_the_units(wrong, what):
    assert judged("dimming-load", loaded("dc-1", **wrong))[f"dc-1.{what}"].cause is Cause.UNIT


def test_a_bus_that_fell_with_the_short_says_nothing_of_the_output():
    found = judged("dimming-load", loaded("dc-1", short_a=0.0, sunk=True))["dc-1.short-current"]
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.cause is not Cause.UNIT


def test_a_capture_that_was_cut_short_is_the_benchs():
    scene = steady("dc-1", 0.6, RATE_HZ).signal("unit.current.high", 0.3)
    for output in UNIT.dimming:
        scene.signal(f"{output.name}.voltage", 12.0)
    scene.event("note", 0.0, 0.005, **{PHASE_NOTE: "before"}).event("note", 0.25, 0.005, **{PHASE_NOTE: "rated"})
    found = judged("dimming-load", scene.capture())["dc-1.recovery"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


# Off


def test_what_an_output_takes_when_off_is_told_from_what_is_missing_at_its_pin():
    scene = steady("fed", 0.4, 5000.0)
    for output in UNIT.dimming:
        scene.signal(f"{output.name}.voltage", 0.833 if output.name == "dc-1" else 4.545)
    found = judged("dimming-off-state", scene.capture())
    assert found["dc-1.off-current"].value == pytest.approx(417e-6, rel=0.01)
    assert found["dc-1.off-current"].cause is Cause.UNIT
    assert found["pwm-1.off-current"].verdict is Verdict.PASS


# Open wiper


def opened(*, dark=False, pull_v=0.0249, ground_level=0.0):
    captures = []
    for name, pin_v in (("without-power", 0.004), ("with-power", 0.004 + pull_v)):
        captures.append(wipers(steady(name, 0.5, 1000.0), dict.fromkeys(("rheostat-1", "rheostat-2"), pin_v)).capture())
    for state, pin_v, travel in (("open", 5.5, 0.6), ("top", 5.0, 1.0), ("ground", 0.02, 0.0)):
        scene = wipers(steady(state, 0.17), dict.fromkeys(("rheostat-1", "rheostat-2"), pin_v))
        for output in UNIT.dimming:
            level = expected_level(output, travel)[0] * (0.0 if dark and state == "open" else 1.0)
            if state == "ground" and output.name == "pwm-1":
                level = ground_level
            scene.signal(f"{output.name}.voltage", shown(scene, output, level))
        captures.append(scene.capture())
    return captures


def test_a_good_unit_lights_with_an_open_wiper_and_goes_from_off_to_full_with_its_ends():
    found = judged("dimming-open-wiper", *opened())
    assert {entry.verdict for entry in found.values()} == {Verdict.PASS}
    assert found["rheostat-1.pull-current"].value == pytest.approx(24.9e-6, rel=0.01)


def test_dark_with_an_open_wiper_and_a_pull_that_is_gone_are_the_units():
    found = judged("dimming-open-wiper", *opened(dark=True, pull_v=0.0003))
    assert found["pwm-1.wiper-open"].cause is Cause.UNIT
    assert found["rheostat-2.pull-current"].cause is Cause.UNIT


def test_a_remainder_of_one_and_a_half_per_cent_is_found_in_the_mean():
    found = judged("dimming-open-wiper", *opened(ground_level=1.5))["pwm-1.wiper-ground"]
    assert abs(found.value - 1.5) <= 2.0 * found.standard_uncertainty
    assert found.cause is Cause.UNIT


# What holds for all of them


@pytest.mark.parametrize("name", ["dimming-map", "dimming-bus", "dimming-flicker", "dimming-sweep"])
def test_the_sample_rate_is_no_small_ratio_of_the_sheets_frequency(name):
    setup = setup_of(name)
    captures = [need for need in _needs(name) if any(signal.startswith("pwm") for signal in need.signals)]
    assert captures
    for need in captures:
        ratio = need.sample_rate_hz / 240.0
        assert all(abs(ratio * q - round(ratio * q)) > 0.02 for q in (1, 2, 3, 4, 5))
    assert sample_rate_hz(setup, 72) <= RATE_HZ


def _needs(name):
    return PROCEDURES[name].needs(setup_of(name)).captures


def test_results_say_that_an_open_wiper_was_only_emulated():
    found = results_of("dimming-open-wiper", *opened())["pwm-1.wiper-open"]
    assert "emulated" in found.notes[0]
