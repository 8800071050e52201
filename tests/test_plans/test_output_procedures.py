"""Power-up, dimming, trim outputs, ground pin, slow bus, final repeat and discharge."""

import math
from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, judged, results_of, setup_of, sheets

from analysis.measurement import Measurement
from analysis.overall import overall
from analysis.verdict import Cause, Verdict
from test_plans.bus_ramp_readings import RampRun
from test_plans.dimming_levels import expected_level
from test_plans.discrete_pins import scan_s
from test_plans.driving import generator, spaced_instants
from test_plans.readings import Record
from test_plans.registry import PROCEDURES
from test_plans.signals import idle_outputs

UNIT = sheets().unit
PITCH = UNIT.trims[0]
ON_PITCH = {"axes": ("pitch",)}


def between(times_s, start_s, stop_s):
    return (times_s >= start_s) & (times_s < stop_s)


def idle(scene, *names):
    for name in names or idle_outputs(UNIT):
        scene.signal(f"{name}.voltage", 0.0)
    return scene


def start(*, creep_v=0.0, amps=0.15, reports=True, limit_a=0.5):
    scene = Scene("start", 5.0, set_voltage_v=0.0, current_limit_a=limit_a)
    times_s = scene.times_s
    bus = np.clip(5.0 * (times_s - 0.1), 0.0, 13.8)
    idle(scene).signal("unit.voltage", bus).signal("unit.current", amps)
    scene.signal("supply.voltage", bus + 0.018 * amps)
    scene.signal("pitch.voltage", np.where(between(times_s, 2.2, 2.7), creep_v, 0.0))
    scene.event("note", 2.86, set_voltage_v=13.8, current_limit_a=limit_a)
    if reports:
        scene.report("configuration", 2.7, count=sheets().aircraft.configuration).report("reset-count", 2.7, count=0)
        scene.report("reset-count", 4.7, count=0)
        for name, wanted in sheets().aircraft.settings.items():
            scene.report(name, 2.7, count=wanted)
    return scene


def test_a_good_start_passes_and_says_when_it_was_ready():
    found = judged("power-up", start().capture())
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["power-up.ready-time"].value == pytest.approx(2.7 - 2.1, abs=0.005)
    assert found["power-up.quiescent"].value == pytest.approx(0.15, abs=0.001)


def test_a_creep_of_half_a_second_is_not_averaged_away():
    found = judged("power-up", start(creep_v=-1.5).capture())["power-up.idle.pitch"]
    assert found.value == pytest.approx(-1.5, abs=0.01)
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_a_silent_unit_is_undecided_at_power_up():
    found = judged("power-up", start(reports=False).capture())["power-up.ready-time"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_lost_samples_spoil_the_quiescent_current():
    found = judged("power-up", start().gap(4.5, 30).capture())["power-up.quiescent"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def staircase(direction, *, duty=lambda expected: expected, frequency_hz=240.0, top_v=13.8):
    """21 points of rheostat 1; PWM outputs and the DC output follow their curves."""
    step_s = 0.1 + 52 / 240.0
    scene = Scene(f"rheostat-1.{direction}", 0.15 + 21 * step_s, 50_000.0, set_voltage_v=13.8, current_limit_a=0.5)
    levels_v = [0.25 * step for step in range(21)]
    wiper = np.zeros(scene.n)
    phase = (scene.times_s * frequency_hz) % 1.0
    outputs = [o for o in UNIT.dimming if sheets().aircraft.dimming_map[o.name] == "rheostat-1"]
    values = {output.name: np.zeros(scene.n) for output in outputs}
    for index, level_v in enumerate(levels_v if direction == "up" else levels_v[::-1]):
        at_s = 0.15 + index * step_s
        first = round(at_s * scene.rate_hz)
        scene.drive("rheostat-1", at_s, level_v)
        wiper[first:] = level_v
        for output in outputs:
            level = expected_level(output, level_v / 5.0)[0]
            if output.frequency_hz:
                values[output.name][first:] = np.where(phase[first:] < duty(level) / 100.0, top_v, 0.0)
            else:
                values[output.name][first:] = level
    scene.signal("rheostat-1.voltage", wiper).signal("unit.voltage", 13.8).signal("unit.current", 0.2)
    for name, samples in values.items():
        scene.signal(f"{name}.voltage", samples)
    return scene


@pytest.fixture(scope="module")
def curve():
    return judged("dimming-curve", staircase("up").capture(), staircase("down").capture())


def test_outputs_on_their_curve_pass_both_ways(curve):
    for output, limit in (("pwm-1", 0.5), ("dc-1", 0.03)):
        for direction in ("up", "down"):
            found = curve[f"{output}.curve-{direction}"]
            assert found.verdict is Verdict.PASS
            assert abs(found.value) < limit


def test_frequency_is_found_and_off_is_off(curve):
    assert curve["pwm-1.frequency"].value == pytest.approx(240.0, abs=0.1)
    assert curve["pwm-1.off"].verdict is Verdict.PASS
    assert curve["pwm-1.monotonic"].verdict is Verdict.PASS


def test_an_end_value_of_85_per_cent_and_a_wrong_frequency_fail():
    scene = staircase("up", duty=lambda expected: 0.85 * expected, frequency_hz=100.0)
    found = judged("dimming-curve", scene.capture())
    assert found["pwm-1.curve-up"].value == pytest.approx(-15.0, abs=0.5)
    assert found["pwm-1.curve-up"].cause is Cause.UNIT
    assert found["pwm-1.frequency"].cause is Cause.UNIT


def test_a_dead_output_is_the_units_by_its_curve_and_nothing_of_it_is_the_benchs():
    captures = (staircase(way, duty=lambda _expected: 0.0).capture() for way in ("up", "down"))
    others = idle(Scene("rheostat-1.others", 0.4), *idle_outputs(UNIT)).capture()
    found = judged("dimming-curve", *captures, others)
    assert (found["pwm-1.curve-up"].verdict, found["pwm-1.curve-up"].cause) == (Verdict.FAIL, Cause.UNIT)
    assert (found["pwm-1.frequency"].verdict, found["pwm-1.frequency"].cause) == (
        Verdict.INCONCLUSIVE,
        Cause.UNDECIDED,
    )
    assert "showed no pulses" in found["pwm-1.frequency"].reasons[0]
    decided = overall(found.values())
    assert (decided.verdict, decided.cause) == (Verdict.FAIL, Cause.UNIT)
    assert Cause.BENCH not in {finding.cause for finding in found.values()}


def test_a_clipped_dimming_channel_is_the_benchs():
    found = judged("dimming-curve", staircase("up", top_v=60.0).capture())["pwm-1.curve-up"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_the_curve_is_off_then_linear():
    output = UNIT.dimming[0]
    assert expected_level(output, 0.0) == (0.0, 0.0)
    assert expected_level(output, output.off_below)[0] == output.low_level
    assert expected_level(output, 1.0)[0] == output.high_level


def airspeed(scene, *, on_line, reports=True):
    """A frame of the bench every 100 ms, which stands on the receive line for 1 ms or doesn't; reports in between."""
    sent_s = np.arange(0.05, scene.n / scene.rate_hz, 0.1)
    line = np.zeros(scene.n, dtype=bool)
    for at_s in sent_s:
        scene.event("sent", at_s, 0.001, airspeed_kt=60.0)
        line |= between(scene.times_s, at_s, at_s + 0.001) & on_line
        if reports:
            scene.report("reset-count", at_s + 0.05, count=0)
    return scene.line("bus.receive", line)


def light(
    *,
    wrong_way=False,
    stays_on=False,
    closes=True,
    load_ohm=1000.0,
    leak_a=0.3e-3,
    zero_v=0.0,
    duty=1.0,
    stray="",
    scene=None,
):
    scene = scene or Scene("pitch", 2.65, 5000.0, set_voltage_v=13.8, current_limit_a=0.5)
    idle(scene).signal("unit.voltage", 13.8).signal("unit.current", 0.2)
    output = np.full(scene.n, min(load_ohm * leak_a, 13.8) if math.isfinite(load_ohm) else 0.0)
    pulse = (scene.times_s * 400.0) % 1.0 < duty
    for position, switch in enumerate(PITCH.switches):
        on_s = 0.65 + 0.5 * position
        off_s = on_s + 0.25
        scene.drive(switch.name, on_s, True).drive(switch.name, off_s, False)
        scene.line(switch.name, between(scene.times_s, on_s, off_s) & closes)
        held = between(scene.times_s, on_s + 0.027, off_s + (0.25 if stays_on else 0.027))
        output = np.where(held, 13.7 * pulse * switch.polarity * (-1 if wrong_way else 1), output)
    if stray:
        scene.line(stray, scene.times_s > 1.0)
    scene.signal("pitch.voltage", output + zero_v)
    return scene.signal("pitch.current", 0.002 + output / load_ohm).capture()


def test_each_switch_drives_the_right_way_and_lets_go():
    found = judged("trim-light", light())
    assert found["pitch.left.up.drives"].verdict is Verdict.PASS
    assert found["pitch.right.down.lets-go"].verdict is Verdict.PASS
    assert found["pitch.others-idle"].verdict is Verdict.PASS
    assert found["pitch.idle-current"].value == pytest.approx(0.3e-3, rel=0.05)


def test_the_wrong_way_and_an_output_that_stays_on_are_the_units():
    assert judged("trim-light", light(wrong_way=True))["pitch.left.up.drives"].cause is Cause.UNIT
    assert judged("trim-light", light(stays_on=True))["pitch.left.up.lets-go"].cause is Cause.UNIT


def test_a_switch_line_that_did_not_close_blames_nobody():
    found = judged("trim-light", light(wrong_way=True, closes=False))["pitch.left.up.drives"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


@pytest.mark.parametrize("load_ohm", [math.inf, 1200.0])
def test_a_load_that_is_not_there_or_not_the_calibrated_one_is_the_benchs_on_1_kohm(load_ohm):
    found = judged("trim-light", light(load_ohm=load_ohm, leak_a=5e-3))
    for what in ("idle-current", "left.up.drives", "right.down.lets-go"):
        assert (found[f"pitch.{what}"].verdict, found[f"pitch.{what}"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_a_leak_into_a_load_that_is_shown_to_be_there_is_the_units():
    assert judged("trim-light", light(leak_a=5e-3))["pitch.idle-current"].cause is Cause.UNIT


def test_an_output_that_reads_more_than_its_supply_has_a_channel_whose_zero_moved():
    found = judged("trim-light", light(leak_a=0.0, zero_v=0.6))
    for what in ("left.up.lets-go", "left.down.lets-go", "idle-current"):
        assert (found[f"pitch.{what}"].verdict, found[f"pitch.{what}"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@pytest.mark.parametrize(
    ("on_line", "reports", "verdict", "cause"),
    [
        (False, True, Verdict.INCONCLUSIVE, Cause.BENCH),
        (None, True, Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        (True, False, Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        (True, True, Verdict.FAIL, Cause.UNIT),
    ],
    ids=["not on the line", "line not sampled", "no reports", "on the line beside reports"],
)
def test_slow_trim_is_the_units_only_where_airspeed_stands_at_its_pins(on_line, reports, verdict, cause):
    scene = Scene("pitch", 2.65, 5000.0, set_voltage_v=13.8, current_limit_a=0.5)
    if on_line is not None:
        airspeed(scene, on_line=on_line, reports=reports)
    found = judged("trim-light", light(duty=0.45, scene=scene))["pitch.left.up.drives"]
    assert (found.verdict, found.cause) == (verdict, cause)
    assert "airspeed" in found.reasons[0]


@pytest.mark.parametrize("stray", ["yaw-left", "light-1-switch"])
def test_a_line_that_closes_while_nobody_holds_it_blames_nobody(stray):
    found = judged("trim-light", light(stays_on=True, stray=stray))
    for what in ("left.up.lets-go", "others-idle"):
        assert (found[f"pitch.{what}"].verdict, found[f"pitch.{what}"].cause) == (
            Verdict.INCONCLUSIVE,
            Cause.UNDECIDED,
        )
    assert stray in found["pitch.left.up.lets-go"].reasons[0]


def loaded(*, ohm=0.2, duty=1.0, load_ohm=9.0, bus_v=13.8, limit_a=3.0, left_v=0.0):
    scene = Scene("pitch", 3.35, 5000.0, set_voltage_v=13.8, current_limit_a=limit_a)
    airspeed(scene, on_line=False)
    idle(scene).signal("unit.voltage", bus_v).signal("supply.voltage", bus_v)
    current, phase = np.zeros(scene.n), (scene.times_s * 400.0) % 1.0
    for position, switch in enumerate(PITCH.switches):
        on_s = 0.15 + 0.8 * position
        scene.drive(switch.name, on_s, True).drive(switch.name, on_s + 0.5, False)
        scene.line(switch.name, between(scene.times_s, on_s, on_s + 0.5))
        driven = between(scene.times_s, on_s + 0.027, on_s + 0.527) & (phase < duty)
        current = np.where(driven, switch.polarity * bus_v / (load_ohm + ohm), current)
    current = np.where(scene.times_s > on_s + 0.527, left_v / load_ohm, current)
    scene.signal("unit.current", 0.15 + np.abs(current))
    return scene.signal("pitch.current", current).signal("pitch.voltage", load_ohm * current).capture()


def test_the_drop_is_unit_voltage_less_output_voltage():
    found = judged("trim-loaded", loaded(), given=ON_PITCH)
    expected_v = 13.8 * 0.2 / 9.2
    assert found["pitch.left.up.drop"].value == pytest.approx(expected_v, abs=0.002)
    assert found["pitch.left.up.drop"].standard_uncertainty == pytest.approx(0.014, abs=0.001)
    assert found["pitch.left.drop-difference"].value == pytest.approx(0.0, abs=0.002)
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}


def test_a_loaded_output_that_does_not_let_go_is_the_units():
    found = judged("trim-loaded", loaded(left_v=4.5))["pitch.loaded-lets-go"]
    assert (found.verdict, found.cause, found.failures) == (Verdict.FAIL, Cause.UNIT, 1)


def test_three_times_the_resistance_fails():
    assert judged("trim-loaded", loaded(ohm=0.6))["pitch.right.down.drop"].cause is Cause.UNIT


def test_a_pulsed_output_is_no_drop_measurement():
    found = judged("trim-loaded", loaded(duty=0.45))["pitch.left.up.drop"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "airspeed" in found.reasons[0]


def test_a_load_that_is_not_the_calibrated_one_is_the_benchs():
    found = judged("trim-loaded", loaded(load_ohm=7.0))
    assert found["pitch.left.up.load-consistency"].cause is Cause.BENCH
    assert found["pitch.left.up.drop"].cause is Cause.BENCH


def test_a_supply_limited_too_low_spoils_the_drop_as_the_benchs():
    found = judged("trim-loaded", loaded(bus_v=9.0, limit_a=1.1))["pitch.left.up.drop"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def held(cut_off_s, *, again=False, duty=1.0):
    hold_s = 1.3 * PITCH.cut_off_s
    scene = Scene("pitch", 0.15 + 4 * (hold_s + 0.4), 2000.0, set_voltage_v=13.8, current_limit_a=3.0)
    idle(scene).signal("unit.voltage", 13.8).signal("unit.current", 0.2).signal("pitch.current", 0.0)
    output = np.zeros(scene.n)
    for position, switch in enumerate(PITCH.switches):
        on_s = 0.15 + position * (hold_s + 0.4)
        off_s = on_s + hold_s
        scene.drive(switch.name, on_s, True).drive(switch.name, off_s, False)
        scene.line(switch.name, between(scene.times_s, on_s, off_s))
        driven = between(scene.times_s, on_s + 0.027, min(on_s + 0.027 + cut_off_s, off_s + 0.027))
        if again:
            driven |= between(scene.times_s, off_s - 0.5, off_s - 0.3)
        driven &= (scene.times_s * 400.0) % 1.0 < duty
        output = np.where(driven, 13.5 * switch.polarity, output)
    return scene.signal("pitch.voltage", output).capture()


def held_besides(cut_off_s):
    """The other axes, one switch each held at once."""
    scene = Scene("besides", 6.0, 2000.0, set_voltage_v=13.8, current_limit_a=3.0)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2)
    for axis in sheets().unit.trims[1:]:
        switch = axis.switches[0]
        scene.drive(switch.name, 0.15, True).drive(switch.name, 5.35, False)
        scene.line(switch.name, between(scene.times_s, 0.15, 5.35))
        driven = between(scene.times_s, 0.177, min(0.177 + cut_off_s, 5.377))
        scene.signal(f"{axis.name}.voltage", np.where(driven, 13.5 * switch.polarity, 0.0))
    return scene.capture()


@pytest.mark.parametrize(("cut_off_s", "verdict"), [(4.05, Verdict.PASS), (4.6, Verdict.FAIL), (9.0, Verdict.FAIL)])
def test_the_cut_off_of_an_axis_that_is_not_under_test_is_seen_too(cut_off_s, verdict):
    found = judged("trim-cut-off", held(4.05), held_besides(cut_off_s), given=ON_PITCH)
    for axis in sheets().unit.trims[1:]:
        switch = axis.switches[0]
        assert found[f"{axis.name}.{switch.seat}.{switch.direction}.cut-off"].verdict is verdict


def test_the_cut_off_is_timed_from_drive_on_to_drive_off():
    found = judged("trim-cut-off", held(4.05), held_besides(4.05), given=ON_PITCH)
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    for switch in ("left.up", "left.down", "right.up", "right.down"):
        value = found[f"pitch.{switch}.cut-off"].value
        assert value == pytest.approx(4.05, abs=0.0006)  # a sample of 0.5 ms at either end


def test_the_cut_off_budget_holds_one_sample_at_either_end_and_the_clock():
    found = results_of("trim-cut-off", held(4.05))["pitch.left.up.cut-off"]
    parts = (0.25e-3, 0.25e-3, 5e-5 * found.value)
    assert found.standard_uncertainty == pytest.approx(math.hypot(*parts) / math.sqrt(3.0), rel=1e-3)


def test_a_pulsed_trim_is_timed_too_and_its_last_pause_stands_in_the_budget():
    found = results_of("trim-cut-off", held(4.05, duty=0.45))["pitch.left.up.cut-off"]
    assert found.value == pytest.approx(4.05, abs=0.003)
    assert 0.0003 < found.standard_uncertainty < 0.002


def test_a_late_cut_off_and_none_at_all_are_the_units():
    assert judged("trim-cut-off", held(4.32))["pitch.left.up.cut-off"].cause is Cause.UNIT
    never = judged("trim-cut-off", held(1e6))["pitch.right.up.cut-off"]
    assert (never.verdict, never.cause) == (Verdict.FAIL, Cause.UNIT)
    assert "still driving" in never.reasons[0]


def test_an_output_that_drives_again_while_held_fails():
    assert judged("trim-cut-off", held(4.0, again=True))["pitch.left.up.stays-off"].verdict is Verdict.FAIL


def grounded(ohm, *, amps=4.5, duty=1.0, forward=1.0, drift_v=0.0, light_v=0.0):
    """All trim axes on their loads for 0.4 s; the zero of the ground channel may move, a light may come on."""
    scene = Scene("step", 1.35, 5000.0, set_voltage_v=13.8, current_limit_a=7.0)
    idle(airspeed(scene, on_line=False))
    on = between(scene.times_s, 0.577, 0.977) & ((scene.times_s * 400.0) % 1.0 < duty)
    current = np.where(on, amps, 0.15)
    zero = 0.008 + drift_v * scene.times_s / 1.35
    scene.signal("return.current", current + 0.02).signal("ground.voltage", zero - ohm * current)
    scene.signal("unit.voltage", 13.8).signal("unit.current.high", forward * current).signal("unit.current", current)
    scene.signal("supply.voltage", 13.8 + 0.018 * current).event("supply", 0.8, current_a=amps, voltage_v=13.8)
    for axis in UNIT.trims:
        switch = axis.switches[0].name
        scene.drive(switch, 0.55, True).drive(switch, 0.95, False).line(switch, between(scene.times_s, 0.55, 0.95))
        scene.signal(f"{axis.name}.voltage", np.where(on, 13.5, 0.0)).signal(f"{axis.name}.current", current / 3.0)
    scene.signal("light-1.voltage", np.where(on, light_v, 0.0))
    return scene.capture()


def ground(ohm, **bent):
    return judged("ground-pin", grounded(ohm, **bent))["ground-pin.resistance"]


def test_ground_resistance_comes_from_the_step_zero_errors_cancel():
    assert ground(0.005).value == pytest.approx(0.005, rel=0.02)
    assert ground(0.050).cause is Cause.UNIT
    assert ground(0.005, amps=1.0).cause is Cause.UNDECIDED


def test_a_ground_channel_that_shows_nothing_passes_no_unit():
    found = ground(0.0)
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "open input" in found.reasons[0]
    assert ground(0.0005).verdict is Verdict.PASS


def test_all_of_a_sound_ground_pin_passes_and_says_how_its_zeros_were_taken():
    assert {finding.verdict for finding in judged("ground-pin", grounded(0.005)).values()} == {Verdict.PASS}
    (note,) = results_of("ground-pin", grounded(0.005))["ground-pin.resistance"].notes
    assert "zeros before and after" in note


def test_how_much_must_flow_through_the_ground_pin_is_what_the_sheet_says():
    setup = setup_of("ground-pin")
    asks_more = replace(setup, unit=replace(UNIT, ground_current_a=6.0))
    (found, *_) = PROCEDURES["ground-pin"].evaluate(Shelf(grounded(0.005)), asks_more)
    assert "the limit speaks of 6 A and more" in found.doubts[0].reason


def test_a_pulsed_axis_is_no_measurement_of_the_ground_pin():
    found = ground(0.005, duty=0.95)
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "pulsed" in found.reasons[0]


def test_another_output_that_comes_on_with_all_trims_is_the_units():
    found = judged("ground-pin", grounded(0.005, light_v=2.0))["ground-pin.others-idle"]
    assert (found.function, found.pins[:2]) == ("pitch-trim", ("P1-9", "P1-10"))  # what was driven
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_legs_that_carry_different_currents_put_the_ground_pin_in_doubt_as_the_benchs():
    found = judged("ground-pin", grounded(0.005, forward=1.1))
    for what in ("ground-pin.resistance", "ground-pin.bench"):
        assert (found[what].verdict, found[what].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_a_zero_that_drifts_over_the_step_is_halved_in_the_value_and_stands_in_the_budget():
    found = results_of("ground-pin", grounded(0.005, drift_v=0.002))["ground-pin.resistance"]
    (drift,) = (line for line in found.components if line.name.startswith("ground.voltage: drift"))
    assert found.value == pytest.approx(0.005, rel=0.02)
    moved_v = 0.002 * ((1.05 + 1.35) / 2.0 - 0.54 / 2.0) / 1.35  # from the middle of one zero to that of the other
    assert drift.contribution == pytest.approx(0.5 * moved_v / math.sqrt(3.0) / 4.35, rel=0.1)


def slow_bus(*, lock_out_v=8.0, release_v=8.8, reset_v=4.5, resets=1, creep=False):
    """Fall from 9.5 V at 0.5 V/s, pressed at 8.6 V; rise with presses from 8.3 V."""
    scene = Scene("ramp", 26.0, 5000.0, set_voltage_v=9.5, current_limit_a=3.0, ramp_rate_v_per_s=0.5)
    times_s = scene.times_s
    bus = np.interp(times_s, (0.0, 1.2, 12.2, 12.5, 23.5, 26.0), (9.5, 9.5, 4.0, 4.0, 9.5, 9.5))
    idle(scene, *(axis.name for axis in UNIT.trims), "flap", "light-1", "light-2")
    pressed_s, let_go_s = 1.2 + 0.9 / 0.5, 12.5 + 3.5 / 0.5
    scene.drive("pitch-left-up", pressed_s, True).drive("pitch-left-up", let_go_s, False)
    closed = between(times_s, pressed_s, let_go_s)
    driven = between(times_s, pressed_s + 0.025, 1.2 + (9.5 - lock_out_v) / 0.5 + 0.005)
    for pulse in range(12):
        at_s = 12.5 + 4.3 / 0.5 + 0.2 * pulse
        scene.drive("pitch-left-up", at_s, True).drive("pitch-left-up", at_s + 0.1, False)
        closed |= between(times_s, at_s, at_s + 0.1)
        if 4.0 + 0.5 * (at_s + 0.025 - 12.5) >= release_v:
            driven |= between(times_s, at_s + 0.025, at_s + 0.125)
    if creep:
        driven |= between(times_s, 15.0, 15.1)
    alive = (times_s < 1.2 + (9.5 - reset_v) / 0.5) | (times_s > 16.0)
    scene.signal("pwm-1.voltage", np.where(alive & ((times_s * 240.0) % 1.0 < 0.5), bus, 0.0))
    scene.signal("pitch.voltage", np.where(driven, bus, 0.0)).signal("pitch.current", 0.0)
    scene.signal("unit.voltage", bus).signal("unit.current", 0.2).line("pitch-left-up", closed)
    scene.report("reset-count", 0.5, count=3).report("reset-count", 17.0, count=3 + resets)
    return judged("bus-ramp", scene.capture(), dip())


def dip(*, lowest_v=7.4, moves=(), again=True, closes=True):
    """Pressed at 0.15 s; down from 9.5 V at 5 V/s and back, held; let go at 2.5 s, pressed again at 2.8 s."""
    scene = Scene("held-through", 3.4, 5000.0, set_voltage_v=9.5, current_limit_a=3.0, ramp_rate_v_per_s=5.0)
    times_s = scene.times_s
    bus = np.interp(times_s, (0.55, 0.97, 1.47, 1.89), (9.5, lowest_v, lowest_v, 9.5))
    closed = between(times_s, 0.15, 2.5) | between(times_s, 2.8, 3.1)
    driven = between(times_s, 0.175, 0.86) | (between(times_s, 2.825, 3.125) & again)
    for start_s, stop_s in moves:
        driven = (driven | between(times_s, start_s, stop_s)) if start_s else (times_s < 0.0)
    for at_s, down in ((0.15, True), (2.5, False), (2.8, True), (3.1, False)):
        scene.drive("pitch-left-up", at_s, down)
    scene.signal("pitch.voltage", np.where(driven, bus, 0.0)).signal("unit.voltage", bus).signal("unit.current", 0.2)
    return scene.line("pitch-left-up", closed & closes).capture()


def dipped(**changes):
    found = judged("bus-ramp", dip(**changes))
    return [
        (found[f"bus-ramp.{what}"].verdict, found[f"bus-ramp.{what}"].cause) for what in ("held-through", "new-press")
    ]


PASSED, FAILED = (Verdict.PASS, None), (Verdict.FAIL, Cause.UNIT)


def test_a_held_switch_must_rest_after_a_dip_and_drive_when_pressed_anew():
    assert dipped() == [PASSED, PASSED]
    assert dipped(moves=((1.80, 2.525),)) == [FAILED, PASSED]
    assert dipped(again=False) == [PASSED, FAILED]


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({"lowest_v": 7.9}, Cause.BENCH),  # a unit may lock out below that
        ({"moves": ((0.86, 2.525),)}, Cause.UNDECIDED),  # it drove through the dip: where it locks out is not known
        ({"moves": ((0.0, 0.0),)}, Cause.UNDECIDED),  # it never drove
        ({"closes": False}, Cause.UNDECIDED),
    ],
)
def test_a_dip_that_proves_nothing_blames_no_unit(changes, cause):
    assert dipped(**changes)[0] == (Verdict.INCONCLUSIVE, cause)


def test_all_three_voltages_are_found_on_a_slow_bus():
    found = slow_bus(lock_out_v=7.95, release_v=8.85, reset_v=4.55)
    assert found["bus-ramp.lock-out"].value == pytest.approx(7.95, abs=0.005)
    assert found["bus-ramp.reset"].value == pytest.approx(4.55, abs=0.005)
    assert found["bus-ramp.release"].value == pytest.approx(8.85, abs=0.055)
    # a press every 0.2 s at 0.5 V/s is 0.1 V / sqrt(12); the channel's bound comes on top
    assert 0.1 / math.sqrt(12.0) < found["bus-ramp.release"].standard_uncertainty < 0.032
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}


def test_a_low_lock_out_and_a_high_reset_are_the_units():
    assert slow_bus(lock_out_v=7.1)["bus-ramp.lock-out"].cause is Cause.UNIT
    assert slow_bus(reset_v=6.5)["bus-ramp.reset"].cause is Cause.UNIT


def test_a_unit_that_neither_locks_out_nor_resets_nor_releases_fails():
    found = slow_bus(lock_out_v=0.0, reset_v=0.0, release_v=99.0, resets=0)
    for what in ("lock-out", "reset", "release", "one-reset"):
        assert (found[f"bus-ramp.{what}"].verdict, found[f"bus-ramp.{what}"].cause) == (Verdict.FAIL, Cause.UNIT)


def test_the_reaction_on_the_ramp_is_two_scans_of_the_sheets_debounce():
    assert scan_s(UNIT) == pytest.approx(0.005)
    slower = replace(UNIT, debounce_accepts_s=0.055)
    setup = replace(setup_of("bus-ramp"), unit=slower)
    run = RampRun.of(Record(Shelf(), "ramp"), setup, PITCH, condition="ramp", low_v=4.0)
    assert (run.reaction.mean_s, run.reaction.bound_s) == (pytest.approx(0.020), pytest.approx(0.020))


def test_a_silent_output_without_a_counted_reset_is_undecided():
    found = slow_bus(resets=0)["bus-ramp.reset"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_motion_without_a_command_fails_at_any_level():
    found = slow_bus(creep=True)["bus-ramp.no-uncommanded-motion"]
    assert found.verdict is Verdict.FAIL
    assert "pitch at 5.2" in found.reasons[0]


def a_measurement(id_, value, unit, u):
    return Measurement(id=id_, limit="", title="", function="", value=value, quantity_unit=unit, standard_uncertainty=u)


@pytest.mark.parametrize(("first_a", "verdict"), [(0.150, Verdict.PASS), (0.190, Verdict.INCONCLUSIVE)])
def test_a_final_value_that_has_moved_is_undecided(first_a, verdict):
    scene = Scene("quiescent", 1.3, set_voltage_v=13.8, current_limit_a=3.0)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.150)
    earlier = a_measurement("power-up.quiescent", first_a, "A", 0.002)
    found = judged("final-repeat", scene.capture(), earlier=[earlier])["final-repeat.quiescent.agrees"]
    assert found.verdict is verdict


@pytest.mark.parametrize(("procedure", "capture"), [("power-up", "start"), ("final-repeat", "quiescent")])
def test_a_configuration_that_is_not_reported_is_undecided_first_and_last(procedure, capture):
    scene = Scene(capture, 5.0, set_voltage_v=13.8, current_limit_a=3.0)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.150)
    found = judged(procedure, scene.capture())[f"{procedure}.configuration"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert found.next_step


@pytest.mark.parametrize(("counted", "verdict"), [(0, Verdict.PASS), (99, Verdict.FAIL)])
def test_the_configuration_as_left_is_held_against_the_aircraft_sheet(counted, verdict):
    scene = Scene("quiescent", 1.3, set_voltage_v=13.8, current_limit_a=3.0)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.150)
    scene.report("configuration", 0.5, count=sheets().aircraft.configuration + counted)
    assert judged("final-repeat", scene.capture())["final-repeat.configuration"].verdict is verdict


def test_discharge_shows_what_is_left():
    found = judged("discharge", Scene("discharged", 0.3).signal("unit.voltage", 0.2).capture())["discharge.voltage"]
    assert (found.value, found.verdict) == (pytest.approx(0.2, abs=0.01), Verdict.PASS)


def test_random_instants_depend_on_their_key_alone():
    one = spaced_instants(20, first_s=0.2, shortest_s=0.1, longest_s=0.12, key="a")
    generator("something else").random(10)
    assert np.array_equal(one, spaced_instants(20, first_s=0.2, shortest_s=0.1, longest_s=0.12, key="a"))
    assert not np.array_equal(one, spaced_instants(20, first_s=0.2, shortest_s=0.1, longest_s=0.12, key="b"))
    assert np.all((np.diff(one) >= 0.1) & (np.diff(one) <= 0.12))


def test_the_power_up_curve_is_decimated_for_a_page():
    shown = results_of("power-up", start().capture())["power-up.start"]
    assert len(shown.series["voltage"][0]) <= 1000
    assert setup_of("power-up").step.procedure == "power-up"
