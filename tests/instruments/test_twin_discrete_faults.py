"""The twin's faults of discretes: bridged pins, inverted polarity, a contact that drops out, edges lost in a scan."""

import numpy as np
import pytest
from plant_world import DISCRETE_IDENTIFIERS, DISCRETE_VOLTAGE, STIMULI, World


def running(quantities):
    world = World(quantities)
    world.power_up()
    world.plant.take_frames()
    return world


def drive(world, **levels_v):
    for name, level_v in levels_v.items():
        world.plant.set_analog_output(STIMULI[name.replace("_", "-")], level_v)
    world.wait(0.08)


def shown(world):
    """Return (state, changes) of every discrete, as last reported; a periodic report comes within the wait."""
    world.wait(1.2)
    latest = {identifier: data for _, identifier, data in world.plant.take_frames()}
    return {
        name: (bool(latest[identifier][7] & 1), int.from_bytes(latest[identifier][4:], "big") >> 1)
        for name, identifier in DISCRETE_IDENTIFIERS.items()
    }


def pin_v(world, name):
    now = np.array([world.plant.now_ns], dtype=np.int64)
    return float(world.plant.sample([DISCRETE_VOLTAGE[name]], now)[0][0])


def idle(world):
    drive(world, **{f"discrete_{number}": 5.0 for number in range(1, 7)})


def test_bridged_pins_balance_where_both_stimuli_and_both_pulls_put_them():
    world = running({"discrete-2.bridge_s": 1e3})
    idle(world)
    drive(world, discrete_2=0.0)
    # one node: 0 V and 5 V through 1 kohm each, 5 V through 4.7 kohm twice
    expected_v = (0.0 + 5.0 + 2 * 5.0 / 4.7) / (2 * (1.0 + 1.0 / 4.7))
    assert pin_v(world, "discrete-2") == pytest.approx(expected_v, abs=1e-3)
    assert pin_v(world, "discrete-3") == pytest.approx(expected_v, abs=1e-3)
    assert pin_v(world, "discrete-1") == pytest.approx(5.0)
    assert pin_v(world, "discrete-4") == pytest.approx(5.0)


def test_a_bridge_of_some_resistance_leaves_a_difference():
    world = running({"discrete-2.bridge_s": 1e-3})
    idle(world)
    drive(world, discrete_2=0.0)
    line, pull = 1e-3, 1.0 / 4700.0
    matrix = [[line + pull + 1e-3, -1e-3], [-1e-3, line + pull + 1e-3]]
    expected_v = np.linalg.solve(matrix, [5.0 * pull, 5.0 * (line + pull)])
    assert [pin_v(world, "discrete-2"), pin_v(world, "discrete-3")] == pytest.approx(list(expected_v))


def test_three_bridged_in_a_row_stand_together():
    world = running({"discrete-2.bridge_s": 1e6, "discrete-3.bridge_s": 1e6})
    idle(world)
    drive(world, discrete_3=0.0)
    levels_v = [pin_v(world, f"discrete-{number}") for number in (2, 3, 4)]
    assert levels_v == pytest.approx([levels_v[0]] * 3, abs=1e-3)


def test_a_ramp_at_one_bridged_pin_moves_the_other():
    world = running({"discrete-2.bridge_s": 1e3})
    idle(world)
    world.plant.ramp_analog_output(STIMULI["discrete-2"], 0.0, 1_000_000_000)
    world.wait(0.5)
    half_way_v = (2.5 + 5.0 + 2 * 5.0 / 4.7) / (2 * (1.0 + 1.0 / 4.7))
    assert pin_v(world, "discrete-3") == pytest.approx(half_way_v, abs=1e-3)


def test_an_inverted_input_is_active_when_open():
    world = running({"discrete-1.inverted": 1.0})
    idle(world)
    assert shown(world)["discrete-1"][0] is True
    drive(world, discrete_1=0.0)
    assert shown(world)["discrete-1"][0] is False


@pytest.mark.parametrize(("lost_s", "extra"), [(0.040, 2), (0.010, 0)])
def test_a_contact_that_drops_out_is_counted_unless_the_debounce_swallows_it(lost_s, extra):
    world = running({"discrete-8.drop_out_changes": 3.0, "discrete-8.drop_out_s": lost_s})
    for level_v in (8.0, 0.0, 8.0):
        drive(world, discrete_8=level_v)
    assert shown(world)["discrete-8"] == (True, 3 + extra)


def test_of_two_changes_in_one_scan_only_one_is_known():
    world = running({"unit.loses_edges": 1.0})
    idle(world)
    before = shown(world)
    drive(world, discrete_1=0.0, discrete_2=0.0)
    after = shown(world)
    counted = [after[name][1] - before[name][1] for name in ("discrete-1", "discrete-2")]
    assert sorted(counted) == [0, 1]
    drive(world, discrete_1=5.0)
    world.wait(0.05)
    assert sum(entry[1] for entry in shown(world).values()) == sum(entry[1] for entry in after.values()) + 1


def crept(quantities, *, seconds=9.0):  # 0.5 V/s
    """Return how often discrete 1 changed while its stimulus crept over both thresholds and back."""
    world = running(quantities)
    idle(world)
    before = shown(world)["discrete-1"][1]
    for level_v in (0.5, 5.0):
        world.plant.ramp_analog_output(STIMULI["discrete-1"], level_v, round(seconds * 1e9))
        world.wait(seconds + 0.1)
    return shown(world)["discrete-1"][1] - before


NARROW = {"discrete-1.threshold_inactive_v": 1.65}  # 50 mV of hysteresis instead of 1 V


def test_noise_chatters_a_slow_edge_where_the_hysteresis_is_too_small_for_it_and_only_there():
    assert crept({}) == 2
    assert crept(NARROW) == 2  # without noise even little hysteresis is enough
    assert crept({"discrete-1.noise_v": 0.2}) == 2  # and 1 V of it is enough for 0.2 V
    assert crept(NARROW | {"discrete-1.noise_v": 0.2}) > 2  # four equal scans hide less than that


def test_a_pin_at_rest_near_a_threshold_chatters_too():
    world = running(NARROW | {"discrete-1.noise_v": 0.03})
    idle(world)
    # 1.625 V at the pin, between the thresholds: the drive behind 1 kohm against 5 V behind 4.7 kohm
    drive(world, discrete_1=1.625 + (1.625 - 5.0) / 4.7)
    first = shown(world)["discrete-1"][1]
    world.wait(3.0)
    assert shown(world)["discrete-1"][1] > first + 2


def test_noise_belongs_to_its_instant_and_not_to_the_slices_of_time():
    quantities = NARROW | {"discrete-1.noise_v": 0.03}
    whole, sliced = running(quantities), running(quantities)
    for world, slices in ((whole, 1), (sliced, 40)):
        idle(world)
        world.plant.ramp_analog_output(STIMULI["discrete-1"], 0.5, 2_000_000_000)
        for _ in range(slices):
            world.wait(2.0 / slices)
    assert shown(whole) == shown(sliced)
