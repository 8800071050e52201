"""The twin's discrete inputs: thresholds, debounce, latency, change counter, stuck and open."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plant_world import DISCRETE_IDENTIFIERS, DISCRETE_VOLTAGE, FEED, MILLISECOND, STIMULI, World


def reports(world, name):
    """Return (time in ns, state, changes) of what came of one discrete."""
    return [
        (time_ns, bool(data[7] & 1), int.from_bytes(data[4:], "big") >> 1)
        for time_ns, identifier, data in world.plant.take_frames()
        if identifier == DISCRETE_IDENTIFIERS[name]
    ]


def running(quantities=None, **named):
    world = World(quantities, **named)
    world.power_up()
    world.plant.take_frames()
    return world


def pulse(world, name, levels_v, duration_s, phase_s=0.0):
    """Drive a pulse and return the change counter long afterwards."""
    world.wait(phase_s)
    world.plant.set_analog_output(STIMULI[name], levels_v[0])
    world.wait(duration_s)
    world.plant.set_analog_output(STIMULI[name], levels_v[1])
    world.wait(1.3)
    return reports(world, name)[-1][2]


@settings(max_examples=20, deadline=None)
@given(phase_ms=st.floats(0.0, 5.0))
def test_25_ms_are_accepted_and_15_ms_rejected_at_any_phase(phase_ms):
    for name, levels_v in (("discrete-1", (0.0, 5.0)), ("discrete-8", (8.0, 0.0))):
        assert pulse(running(), name, levels_v, 0.025, phase_ms / 1000) == 2
        assert pulse(running(), name, levels_v, 0.015, phase_ms / 1000) == 0


def test_input_edge_to_frame_takes_20_to_27_ms_and_spreads_over_it():
    world = running({"unit.bus_wait_s": 0.002}, seed=3)
    latencies_ms = []
    for count in range(60):
        world.wait(0.1 + 0.0003337 * count)
        edge_ns = world.plant.now_ns
        world.plant.set_analog_output(STIMULI["discrete-2"], 0.0 if count % 2 == 0 else 5.0)
        world.wait(0.045)
        times = np.arange(edge_ns, world.plant.now_ns, 10_000, dtype=np.int64)
        dominant = np.flatnonzero(world.plant.sample_lines([0], times))
        changed = [changes for _, _, changes in reports(world, "discrete-2")]
        if changed and changed[-1] == count + 1 and len(dominant) < 100:  # no other frames in this stretch
            latencies_ms.append(dominant[0] / 100)
    assert len(latencies_ms) > 40
    assert min(latencies_ms) >= 20.0
    assert max(latencies_ms) <= 27.01
    assert min(latencies_ms) < 22.0
    assert max(latencies_ms) > 25.0


@pytest.mark.parametrize(
    ("name", "turns", "start_v", "first_v", "second_v"),
    [("discrete-3", (5.0, 0.0), 5.0, 1.6, 2.6), ("discrete-9", (0.0, 8.0), 0.0, 4.0, 3.0)],
)
def test_thresholds_and_hysteresis_lie_at_the_pin(name, turns, start_v, first_v, second_v):
    world = running()
    plant = world.plant
    plant.set_analog_output(STIMULI[name], start_v)
    world.wait(0.1)
    world.plant.take_frames()
    for count, turn_v, expected_v in ((1, turns[1], first_v), (2, turns[0], second_v)):
        start_ns = plant.now_ns
        plant.ramp_analog_output(STIMULI[name], turn_v, 4000 * MILLISECOND)
        world.wait(4.2)
        accepted = next(time_ns for time_ns, _, changes in reports(world, name) if changes == count)
        assert accepted > start_ns
        # From threshold to the host: four scans, one more, wait, frame, host latency: some 24 ms, up to 13 more
        # behind other reports.
        at_threshold = np.array([accepted - 24_000_000], dtype=np.int64)
        assert plant.sample([DISCRETE_VOLTAGE[name]], at_threshold)[0][0] == pytest.approx(expected_v, abs=0.03)


def test_an_input_held_between_its_thresholds_stays_as_it_was():
    world = running()
    plant = world.plant
    line_v = 2.0 * 5.7 / 4.7 - 5.0 / 4.7  # puts the pin at 2.0 V
    for approach_v, state in ((0.0, True), (5.0, False)):
        plant.set_analog_output(STIMULI["discrete-1"], approach_v)
        world.wait(0.1)
        plant.set_analog_output(STIMULI["discrete-1"], line_v)
        world.wait(1.2)
        assert reports(world, "discrete-1")[-1][1] is state


def test_a_shifted_debounce_counts_its_own_scans():
    world = running({"discrete-5.debounce_scans": 18.0})
    assert pulse(world, "discrete-5", (0.0, 5.0), 0.085) == 0
    assert pulse(world, "discrete-5", (0.0, 5.0), 0.095) == 2


@pytest.mark.parametrize(("stuck", "state"), [(1.0, False), (2.0, True), (0.5, False), (1.5, True)])
def test_a_stuck_input_never_changes_and_shows_where_it_is_stuck(stuck, state):
    world = running({"discrete-3.stuck": stuck})
    assert pulse(world, "discrete-3", (0.0, 5.0), 0.1) == 0
    world.wait(1.0)
    assert reports(world, "discrete-3")[-1][1:] == (state, 0)


def test_an_open_pull_up_leaves_the_pin_to_the_line():
    world = running({"discrete-6.pull_ohm": 1e9})
    world.plant.set_analog_output(STIMULI["discrete-6"], 0.0)
    now = np.array([world.plant.now_ns], dtype=np.int64)
    assert abs(world.plant.sample([DISCRETE_VOLTAGE["discrete-6"]], now)[0][0]) < 1e-5


def test_states_at_the_start_are_taken_without_a_change():
    world = World()
    world.plant.set_analog_output(STIMULI["discrete-10"], 8.0)
    world.power_up()
    first = reports(world, "discrete-10")[0]
    assert first[1:] == (True, 0)


def test_a_pin_fed_from_the_bus_stands_where_bus_stimulus_and_pull_balance():
    world = running()
    world.plant.supply.set_voltage(15.5)
    world.plant.set_analog_output(STIMULI["discrete-8"], 9.9)
    world.wait(0.1)
    for on, ohms_volts in ((True, ((100.0, 15.5), (1000.0, 9.9), (22e3, 0.0))), (False, ((1000.0, 9.9), (22e3, 0.0)))):
        world.plant.set_digital_output(FEED, on)
        world.wait(0.05)
        now = np.array([world.plant.now_ns], dtype=np.int64)
        pin_v = float(world.plant.sample([DISCRETE_VOLTAGE["discrete-8"]], now)[0][0])
        wanted_v = sum(volts / ohms for ohms, volts in ohms_volts) / sum(1.0 / ohms for ohms, _ in ohms_volts)
        assert pin_v == pytest.approx(wanted_v, abs=2e-3)  # and what the leads drop
