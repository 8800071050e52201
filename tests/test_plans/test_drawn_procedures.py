"""What draws by electronic load: the load itself, drop against current, over-current trip."""

import math

import numpy as np
import pytest
from synthetic_captures import Scene, judged, results_of, setup_of, sheets

from analysis.uncertainty import Estimate, bounded, combined, exact
from analysis.verdict import Cause, Verdict
from test_plans import bench_load, trim_drop_sweep, trim_over_current
from test_plans.registry import PROCEDURES
from test_plans.switch_lines import watched_lines
from test_plans.trim_drop_sweep import line_through

UNIT = sheets().unit
PITCH = UNIT.trims[0]
UP = PITCH.switches[0]
BUS_V = 13.8


def held(scene, *presses, bus_v=BUS_V):
    """Put the presses of one switch on a scene's lines; return when its output drives."""
    closed = np.zeros(scene.n, dtype=bool)
    for closed_s, opened_s in presses:
        closed |= (scene.times_s >= closed_s) & (scene.times_s < opened_s)
        scene.drive(UP.name, closed_s, True).drive(UP.name, opened_s, False)
    for line in watched_lines(UNIT):
        scene.line(line, closed if line == UP.name else False)
    scene.signal("unit.voltage", bus_v)
    return np.concatenate((np.zeros(round(0.025 * scene.rate_hz), dtype=bool), closed))[: scene.n]


def told(scene, levels):
    """Note the levels of the load; return the current it then draws, shape (n,)."""
    drawn = np.zeros(scene.n)
    for time_s, level in levels:
        if level:
            scene.event("note", time_s, drawn="current", drawn_level=level)
        else:
            scene.event("note", time_s, drawn="nothing")
        drawn[scene.times_s >= time_s - 0.003] = level
    return drawn


# --- drop against current ---------------------------------------------------------------------------


def sweep_scene(*, ohm=0.2, bend_ohm=0.0, draws=1.0, drives=1.0):
    setup = setup_of("trim-drop-sweep")
    levels = np.linspace(0.2, 1.5, 5)
    began_s = 0.35
    duration_s = trim_drop_sweep._duration_s(setup)
    scene = Scene("pitch-up", duration_s, trim_drop_sweep.RATE_HZ, set_voltage_v=BUS_V, current_limit_a=3.0)
    driving = held(scene, (0.15, began_s + 0.75)) & (drives > 0.0)
    steps = [(began_s + 0.007 + n * 0.12, level) for n, level in enumerate(levels)]
    drawn = draws * told(scene, [*steps, (began_s + 0.6, 0.0)]) * driving
    drop = drawn * (ohm + bend_ohm * np.maximum(drawn - 1.0, 0.0))
    scene.signal("pitch.voltage", driving * (BUS_V - drop)).signal("pitch.current", drawn)
    scene.signal("supply.voltage", BUS_V + 0.018 * (drawn + 0.15))
    for leg in ("unit.current", "unit.current.high", "return.current"):
        scene.signal(leg, drawn + 0.15)
    return scene


def swept(**changes):
    return judged("trim-drop-sweep", sweep_scene(**changes).capture())


def test_the_slope_of_drop_over_current_is_the_bridges_resistance():
    found = swept(ohm=0.213)
    resistance = found["pitch.left.up.bridge-resistance"]
    assert resistance.value == pytest.approx(0.213, abs=0.001)
    assert resistance.verdict is Verdict.PASS
    assert resistance.expanded_uncertainty < 0.004
    assert found["pitch.left.up.drop-linearity"].verdict is Verdict.PASS
    assert found["pitch.left.up.sweep-agreement"].verdict is Verdict.PASS


def test_a_bridge_of_high_resistance_and_one_that_bends_are_the_units():
    assert swept(ohm=0.6)["pitch.left.up.bridge-resistance"].cause is Cause.UNIT
    bent = swept(bend_ohm=0.4)["pitch.left.up.drop-linearity"]
    assert (bent.verdict, bent.cause) == (Verdict.FAIL, Cause.UNIT)


@pytest.mark.parametrize("draws", [0.0, 1.1])
def test_another_current_than_was_set_with_voltage_at_the_output_is_the_benchs(draws):
    found = swept(draws=draws)["pitch.left.up.bridge-resistance"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_an_output_that_stands_at_nothing_blames_nobody():
    found = swept(drives=0.0)["pitch.left.up.bridge-resistance"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_a_capture_without_the_loads_notes_blames_the_bench():
    scene = sweep_scene()
    scene.events = [event for event in scene.events if event.kind != "note"]
    found = judged("trim-drop-sweep", scene.capture())["pitch.left.up.bridge-resistance"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_the_line_is_that_of_least_squares_and_its_offset_costs_nothing():
    amps = np.array([0.2, 0.5, 0.9, 1.4])
    volts = 0.05 + 0.21 * amps + np.array([0.001, -0.002, 0.002, -0.001])
    offset = bounded(0.0, 0.1, "offset of the channel")
    slope, furthest = line_through(
        [exact(float(value)) for value in amps],
        [combined(float(value), ((exact(float(value)), 1.0), (offset, 1.0))) for value in volts],
    )
    ohm, start_v = np.polyfit(amps, volts, 1)
    assert slope.value == pytest.approx(ohm)
    assert furthest.value == pytest.approx(np.abs(volts - ohm * amps - start_v).max())
    assert slope.standard_uncertainty == pytest.approx(0.0, abs=1e-12)
    assert furthest.standard_uncertainty == pytest.approx(0.0, abs=1e-12)


def test_what_each_drop_is_off_by_goes_into_the_slope_as_least_squares_has_it():
    amps = np.array([0.2, 0.6, 1.0, 1.4])
    drops = [bounded(0.2 * float(value), math.sqrt(3.0) * 0.001, f"drop at {value}") for value in amps]
    slope, _ = line_through([exact(float(value)) for value in amps], drops)
    # u(b) = s / sqrt(Sxx): NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.3
    assert slope.standard_uncertainty == pytest.approx(0.001 / math.sqrt(np.sum((amps - amps.mean()) ** 2)))


@pytest.mark.parametrize("amps", [[], [1.0, 1.2], [1.0, 1.0, 1.0]])
def test_no_line_goes_through_too_little(amps):
    slope, furthest = line_through([exact(value) for value in amps], [Estimate(value=0.2) for _ in amps])
    assert math.isnan(slope.value)
    assert math.isnan(furthest.value)


# --- over-current trip ------------------------------------------------------------------------------


def tripping(drawn, driving, rate_hz, trip_a, trip_s):
    """Return how the output drives if it trips: off from then on until the switch opens."""
    out = driving.copy()
    over = (drawn >= trip_a) & driving
    needed = max(1, round(trip_s * rate_hz))
    run = 0
    for index, is_over in enumerate(over):
        run = run + 1 if is_over else 0
        if run >= needed:
            end = index + int(np.argmin(np.append(driving[index:], False)))
            out[index:end] = False
            return out
    return out


def over_current_scenes(*, trip_a=3.0, trip_s=0.1, draws=1.0, retries=False, dead_after=False):
    setup = setup_of("trim-over-current")
    rate_hz = trim_over_current.RATE_HZ
    step = Scene(
        "pitch-up-time", trim_over_current._time_duration_s(), rate_hz, set_voltage_v=BUS_V, current_limit_a=6.0
    )
    driving = held(step, (0.15, 1.6), (1.8, 2.1))
    top_a = trim_over_current._step_a(setup)
    drawn = draws * told(step, [(0.357, 1.0), (0.507, top_a), (1.3, 0.0)])
    drives = tripping(drawn, driving, rate_hz, trip_a, trip_s)
    if retries:
        drives |= driving & (step.times_s > 1.2) & (step.times_s < 1.35)
    if dead_after:
        drives &= step.times_s < 1.7
    climb = Scene(
        "pitch-up-current",
        trim_over_current._staircase_duration_s(setup),
        rate_hz,
        set_voltage_v=BUS_V,
        current_limit_a=6.0,
    )
    dwell_s = trim_over_current._dwell_s(setup)
    levels = trim_over_current._staircase_a(setup)
    end_s = 0.5 + len(levels) * dwell_s
    held_climb = held(climb, (0.15, end_s + 0.15))
    stairs = [(0.507 + n * dwell_s, level) for n, level in enumerate(levels)]
    climbing = draws * told(climb, [(0.357, 1.0), *stairs, (end_s, 0.0)])
    climbs = tripping(climbing, held_climb, rate_hz, trip_a, trip_s)
    for scene, amps, on in ((step, drawn, drives), (climb, climbing, climbs)):
        flows = amps * on
        scene.signal("pitch.voltage", on * (BUS_V - 0.2 * flows)).signal("pitch.current", flows)
        scene.signal("unit.current", np.minimum(flows + 0.15, 2.5)).signal("unit.current.high", flows + 0.15)
    return step.capture(), climb.capture()


def tripped(**changes):
    found = judged("trim-over-current", *over_current_scenes(**changes))
    return {name.removeprefix("pitch.left.up."): finding for name, finding in found.items() if ".up." in name}


def test_a_good_trip_passes_with_its_current_and_time():
    found = tripped()
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["trip-time"].value == pytest.approx(0.1, abs=1e-3)
    assert found["trip-current"].value == pytest.approx(3.0, abs=0.06)
    assert found["trip-current"].expanded_uncertainty < 0.1


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"trip_a": 3.75}, ["trip-current"]),
        ({"trip_a": 2.1}, ["trip-current"]),
        ({"trip_a": 1.5}, ["trip-current"]),
        ({"trip_s": 0.3}, ["trip-time"]),
        ({"trip_s": 0.02}, ["trip-time"]),
        ({"trip_a": 99.0}, ["trip-current", "trip-time", "trip-holds-off"]),
        ({"retries": True}, ["trip-holds-off"]),
        ({"dead_after": True}, ["trip-lets-go"]),
    ],
    ids=str,
)
def test_a_trip_that_is_off_is_the_units_and_only_that_is(changes, wrong):
    found = tripped(**changes)
    assert {name for name, finding in found.items() if finding.verdict is Verdict.FAIL} == set(wrong)
    assert {finding.cause for finding in found.values() if finding.verdict is Verdict.FAIL} == {Cause.UNIT}
    assert all(finding.verdict is Verdict.PASS for name, finding in found.items() if name not in wrong)


def test_a_drive_that_stops_before_anything_is_drawn_blames_nobody():
    found = tripped(trip_a=-1.0, trip_s=0.05)
    assert {finding.cause for finding in found.values() if finding.verdict is not Verdict.PASS} == {Cause.UNDECIDED}
    assert found["trip-current"].verdict is Verdict.INCONCLUSIVE


def test_a_load_that_draws_nothing_is_the_benchs_and_no_trip_too_low():
    found = tripped(draws=0.0, trip_a=99.0)
    assert {(finding.verdict, finding.cause) for finding in found.values()} == {(Verdict.INCONCLUSIVE, Cause.BENCH)}


def test_a_missing_capture_is_the_benchs():
    found = judged("trim-over-current")
    assert {(finding.verdict, finding.cause) for finding in found.values()} == {(Verdict.INCONCLUSIVE, Cause.BENCH)}


# --- the load itself --------------------------------------------------------------------------------


def load_scenes(*, draws=1.0, zero_a=0.0, shows=1.0, reversed_a=0.0, says_reversed=True, power_part=1.0, swings=0.0):
    duration_s = bench_load._drawn_s()
    drawn = Scene("drawn", duration_s, bench_load.RATE_HZ, set_voltage_v=BUS_V, current_limit_a=8.0)
    amps = np.full(drawn.n, zero_a)
    for number, (kind, level) in enumerate(bench_load._levels()):
        begun_s = bench_load.ZERO_S + number * bench_load.STEP_S + 0.007
        wanted_a = {"current": level, "power": level / BUS_V, "resistance": BUS_V / level}[kind.value] * draws
        after = drawn.times_s >= begun_s - 0.002
        amps[after] = wanted_a * (1.0 + swings * np.sign(np.sin(2.0 * np.pi * 200.0 * drawn.times_s[after]))) + zero_a
        drawn.event("note", begun_s, drawn=kind.value, drawn_level=level)
        drawn.event(
            "electronic-load",
            begun_s + 0.1,
            voltage_v=BUS_V,
            current_a=wanted_a * shows,
            power_w=BUS_V * wanted_a * shows * power_part,
            drawing=True,
            tripped=False,
            reversed=False,
        )
    drawn.event("note", duration_s - 0.05, drawn="nothing")
    amps[drawn.times_s >= duration_s - 0.053] = zero_a
    other = Scene("reversed", bench_load.STEP_S, bench_load.RATE_HZ, set_voltage_v=BUS_V, current_limit_a=8.0)
    other.event("note", 0.007, drawn="current", drawn_level=1.5)
    meters = dict.fromkeys(("voltage_v", "current_a", "power_w"), 0.0)
    other.event("electronic-load", 0.1, **meters, drawing=True, tripped=False, reversed=says_reversed)
    for scene, flows in ((drawn, amps), (other, np.full(other.n, reversed_a))):
        scene.signal("unit.voltage", BUS_V)
        scene.signal("unit.current", np.minimum(flows, 2.49999)).signal("unit.current.high", flows)
    return drawn.capture(), other.capture()


def test_a_load_that_draws_what_it_is_told_passes():
    found = judged("bench-load", *load_scenes())
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert len(found) == 5


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"draws": 1.05}, ["settings"]),
        ({"draws": 0.0}, ["settings"]),
        ({"shows": 1.05}, ["meters"]),
        ({"power_part": 1.1}, ["meters"]),
        ({"zero_a": 0.05}, ["zero", "settings"]),
        ({"reversed_a": 1.5}, ["reversed"]),
        ({"says_reversed": False}, ["reversed"]),
        ({"swings": 0.1}, ["steady"]),
    ],
    ids=str,
)
def test_what_is_wrong_with_the_load_is_the_benchs(changes, wrong):
    found = judged("bench-load", *load_scenes(**changes))
    bad = {name.removeprefix("bench-load."): f for name, f in found.items() if f.verdict is not Verdict.PASS}
    assert set(wrong) <= bad.keys()
    assert {(finding.verdict, finding.cause) for finding in bad.values()} == {(Verdict.INCONCLUSIVE, Cause.BENCH)}


def test_a_load_that_nobody_looked_at_is_not_proved():
    found = judged("bench-load")
    assert {finding.cause for finding in found.values()} == {Cause.BENCH}
    assert Verdict.PASS not in {finding.verdict for finding in found.values()}


@pytest.mark.parametrize("name", ["trim-drop-sweep", "trim-over-current"])
def test_every_result_is_given_for_both_ways_even_without_captures(name):
    given = results_of(name)
    switches = {".".join(id_.split(".")[:3]) for id_ in given}
    setup = setup_of(name)
    assert {f"{s.axis}.{s.seat}.{s.direction}" for s in trim_drop_sweep.first_seat(PITCH)} <= switches
    limits = {key for key, _ in PROCEDURES[name].needs(setup).limits}
    assert {result.limit for result in given.values() if hasattr(result, "limit")} == limits
