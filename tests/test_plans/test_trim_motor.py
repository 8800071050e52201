"""Motors and legs: what a synthetic motor shows, and whom it is put down to when something is not right."""

import numpy as np
import pytest
from scipy.linalg import expm
from synthetic_captures import Scene, judged, results_of, setup_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans import trim_motor_held
from test_plans.registry import PROCEDURES
from test_plans.switch_lines import watched_lines

UNIT = sheets().unit
PITCH = UNIT.trims[0]
RATE_HZ = 20_000.0
MOTOR, LEGS = PROCEDURES["trim-motor"], PROCEDURES["trim-legs"]
LATENCY_S = 0.025


def steps(ohm, back):
    """Entries of the matrix that takes (current, speed) one sample on, and what one volt adds."""
    matrix = np.array([[-ohm / 2e-3, -back / 2e-3], [back / 2e-6, -0.5]])
    step, final = expm(matrix / RATE_HZ), -np.linalg.inv(matrix) @ np.array([1 / 2e-3, 0.0])
    return step.ravel().tolist(), (final - step @ final).tolist()


def driven_ways(wanted, pause_s, stops_after_s):
    """Which way the bridge drives at each sample: after a pause upon the other way, and until it trips."""
    ways = wanted.copy()
    edges = [0, *(np.flatnonzero(np.diff(wanted)) + 1).tolist(), wanted.size]
    for before, first, last in zip([0, *edges], edges, edges[1:], strict=False):
        if first > before and wanted[first] and wanted[first - 1]:
            ways[first : first + round(pause_s * RATE_HZ)] = 0
        ways[min(last, first + round(stops_after_s * RATE_HZ)) : last] = 0
    return ways


def motor_scene(name, duration_s, touches, *, ohm=4.0, turns=True, brake_ohm=0.2, pause_s=0.030, stops_after_s=9.0):
    """One capture: the bridge follows its lines late, the motor by its own equations sample for sample."""
    scene = Scene(name, duration_s, RATE_HZ, set_voltage_v=13.8, current_limit_a=7.0)
    closed = {switch.name: np.zeros(scene.n, dtype=bool) for switch in PITCH.switches}
    for touch in touches:
        closed[touch.switch] |= (scene.times_s >= touch.closed_s) & (scene.times_s < touch.opened_s)
        scene.drive(touch.switch, touch.closed_s, True).drive(touch.switch, touch.opened_s, False)
    wanted = np.sum([closed[switch.name].astype(int) * switch.polarity for switch in PITCH.switches], axis=0)
    late = round(LATENCY_S * RATE_HZ)
    ways = driven_ways(np.concatenate((np.zeros(late, dtype=int), wanted[:-late])), pause_s, stops_after_s)
    back = 0.02 if turns else 0.0
    drive, brake = (steps(ohm + series, back) for series in (0.2, brake_ohm))
    amps, current_a, speed = np.zeros(scene.n), 0.0, 0.0
    for k, way in enumerate(ways.tolist()):
        amps[k] = current_a
        (a, b, c, d), (e, f) = drive if way else brake
        current_a, speed = a * current_a + b * speed + e * 13.8 * way, c * current_a + d * speed + f * 13.8 * way
    volts = ways * 13.8 - np.where(ways != 0, 0.2, brake_ohm) * amps
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2)
    scene.signal("unit.current.high", 0.15 + np.abs(amps) * (np.abs(volts) > 6.9))
    scene.signal("pitch.voltage", volts).signal("pitch.current", amps)
    for line in watched_lines(UNIT):
        scene.line(line, closed.get(line, False))
    return scene


def on_motor(**motor):
    import test_plans.trim_motor as module

    scenes = (
        motor_scene("pitch", module._duration_s(PITCH), module._presses(PITCH), **motor),
        motor_scene("pitch.reversal", module._REVERSAL_S, module._reversals(PITCH), **motor),
    )
    return judged("trim-motor", *(scene.capture() for scene in scenes))


def of_pitch(found, what=""):
    return {name: finding for name, finding in found.items() if name.startswith("pitch.") and what in name}


def test_a_sound_motor_on_a_sound_bridge_passes_everything():
    found = of_pitch(on_motor())
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert set(found) >= {"pitch.motor", "pitch.left.up.motor-starts", "pitch.left.down.reversal-gap"}
    assert found["pitch.left.up.stop-time"].value == pytest.approx(0.048, abs=0.003)
    assert found["pitch.left.down.reversal-gap"].value == pytest.approx(0.030, abs=2e-4)


@pytest.mark.parametrize(
    ("motor", "said"),
    [
        ({"ohm": 8.0}, "resistance 7.998 ohm where 4 ohm"),
        ({"turns": False}, "it does not turn"),
        ({"ohm": 1e5}, "no motor takes current"),
    ],
    ids=["wrong", "seized", "open"],
)
def test_a_motor_that_is_not_the_bench_sheets_is_the_benchs_and_nothing_on_it_the_units(motor, said):
    found = of_pitch(on_motor(**motor))
    assert (found["pitch.motor"].verdict, found["pitch.motor"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert said in " ".join(found["pitch.motor"].reasons)
    assert {finding.cause for finding in found.values()} == {Cause.BENCH}


def test_no_pause_and_no_brake_are_the_units():
    fails = {name for name, finding in of_pitch(on_motor(pause_s=0.0)).items() if finding.verdict is Verdict.FAIL}
    assert fails >= {"pitch.left.down.reversal-gap", "pitch.left.up.reversal-gap", "pitch.left.down.reversal-current"}
    found = of_pitch(on_motor(brake_ohm=60.0), "stop-time")
    assert {finding.verdict for finding in found.values()} == {Verdict.FAIL}
    assert Cause.BENCH not in {finding.cause for finding in found.values()}


def test_a_start_that_is_tripped_inside_its_ratings_is_the_units_whatever_motor_stands_there():
    found = of_pitch(on_motor(stops_after_s=0.002))
    starts = of_pitch(found, "motor-starts")
    assert {(finding.verdict, finding.cause) for finding in starts.values()} == {(Verdict.FAIL, Cause.UNIT)}
    assert found["pitch.motor"].cause is Cause.UNDECIDED
    assert Cause.BENCH not in {finding.cause for finding in found.values()}


def test_a_start_that_is_tripped_beyond_its_ratings_is_not_put_down_to_the_unit():
    starts = of_pitch(on_motor(ohm=0.5, stops_after_s=0.02), "motor-starts")
    assert Verdict.PASS not in {finding.verdict for finding in starts.values()}
    assert Cause.UNIT not in {finding.cause for finding in starts.values()}


def test_a_missing_capture_passes_nothing():
    found = of_pitch(judged("trim-motor"))
    assert found
    assert Verdict.PASS not in {finding.verdict for finding in found.values()}


def leg_scenes(*, high_ohm=0.10, low_ohm=0.10, loads=(1000.0, 9.0), zero_v=0.0):
    import test_plans.trim_legs as module

    for kind, load_ohm in zip((module.LIGHT, module.LOADED), loads, strict=True):
        scene = Scene(f"pitch.{kind}", module._duration_s(PITCH), 5000.0, set_voltage_v=13.8, current_limit_a=3.0)
        way = np.zeros(scene.n)
        for position, switch in enumerate(PITCH.switches[:2]):
            at_s = module.LEAD_S + position * (module.HOLD_S + module.PAUSE_S)
            scene.drive(switch.name, at_s, True).drive(switch.name, at_s + module.HOLD_S, False)
            held = (scene.times_s >= at_s) & (scene.times_s < at_s + module.HOLD_S)
            way[(scene.times_s >= at_s + LATENCY_S) & (scene.times_s < at_s + module.HOLD_S + LATENCY_S)] = (
                switch.polarity
            )
            scene.line(switch.name, held)
        for line in watched_lines(UNIT):
            if line not in scene.lines:
                scene.line(line, False)
        amps = 13.8 / (load_ohm + high_ohm + low_ohm)
        up, down = 13.8 - amps * high_ohm, amps * low_ohm
        scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2).signal(
            "unit.current.high", 0.15 + np.abs(way) * amps
        )
        scene.signal("pitch.plus.voltage", zero_v + np.select([way > 0, way < 0], [up, down], 0.0))
        scene.signal("pitch.minus.voltage", np.select([way > 0, way < 0], [down, up], 0.0))
        scene.signal("pitch.voltage", way * (up - down)).signal("pitch.current", way * amps)
        yield scene.capture()


def test_drops_of_both_legs_are_told_at_the_rated_current_and_no_zero_moves_them():
    for zero_v in (0.0, 0.009):
        found = of_pitch(judged("trim-legs", *leg_scenes(zero_v=zero_v)))
        assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
        assert found["pitch.left.up.high-leg-drop"].value == pytest.approx(0.150, abs=0.001)
        assert found["pitch.left.down.low-leg-drop"].value == pytest.approx(0.150, abs=0.001)
        assert found["pitch.left.up.leg-difference"].value == pytest.approx(0.0, abs=0.001)


def test_a_leg_at_twice_its_resistance_fails_though_the_drop_of_both_is_within_its_limit():
    found = of_pitch(judged("trim-legs", *leg_scenes(high_ohm=0.20)))
    fails = {name for name, finding in found.items() if finding.verdict is Verdict.FAIL}
    assert {"pitch.left.up.high-leg-drop", "pitch.left.up.leg-difference"} <= fails
    assert UNIT.limits["trim-drop"].high > (0.20 + 0.10) * 1.5


def test_a_load_that_is_not_there_is_no_drop_of_the_unit():
    found = of_pitch(judged("trim-legs", *leg_scenes(loads=(1000.0, 1000.0))))
    assert Verdict.PASS not in {finding.verdict for finding in found.values()}
    assert Verdict.FAIL not in {finding.verdict for finding in found.values()}


@pytest.mark.parametrize("procedure", [MOTOR, LEGS], ids=["motor", "legs"])
def test_what_it_needs_is_told_and_short(procedure):
    needs = procedure.needs(setup_of(procedure.name))
    assert needs.bench_time_s < 20.0
    assert {output for output, _ in needs.loads} == {axis.name for axis in UNIT.trims}


# --- held still -------------------------------------------------------------------------------------


def held_still(**motor):
    touches = trim_motor_held._presses(PITCH)
    scene = motor_scene("pitch.held", trim_motor_held._duration_s(PITCH), touches, **{"turns": False, **motor})
    return judged("trim-motor-held", scene.capture())


def test_the_stall_current_of_a_motor_held_still_is_measured():
    touches = trim_motor_held._presses(PITCH)
    scene = motor_scene("pitch.held", trim_motor_held._duration_s(PITCH), touches, turns=False)
    found = results_of("trim-motor-held", scene.capture())
    for name in ("pitch.left.up", "pitch.left.down"):
        assert found[f"{name}.held-current"].value == pytest.approx(13.8 / 4.2, abs=0.01)
        assert found[f"{name}.held-current"].doubts == ()
    assert {finding.verdict for name, finding in held_still().items() if "pitch" in name} == {Verdict.PASS}


def test_a_unit_that_lets_go_of_it_within_what_a_start_may_take_fails_whatever_the_motor():
    for ohm in (4.0, 5.0):
        found = held_still(stops_after_s=0.030, ohm=ohm)
        finding = found["pitch.left.up.held-carried"]
        assert (finding.verdict, finding.cause) == (Verdict.FAIL, Cause.UNIT)


@pytest.mark.parametrize("motor", [{"turns": True}, {"ohm": 5.0}])
def test_a_brake_that_slips_and_another_motor_are_the_benchs(motor):
    found = held_still(**motor)
    assert (found["pitch.motor-held"].verdict, found["pitch.motor-held"].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert found["pitch.left.up.held-carried"].cause is Cause.BENCH


def test_a_unit_that_stops_it_as_an_over_current_after_a_start_is_sound():
    found = held_still(stops_after_s=0.1)
    assert {finding.verdict for name, finding in found.items() if "pitch" in name} == {Verdict.PASS}


def test_an_output_that_does_not_drive_is_left_to_the_procedure_that_says_so():
    found = held_still(stops_after_s=0.0)
    assert found["pitch.left.up.held-carried"].cause is Cause.UNDECIDED
