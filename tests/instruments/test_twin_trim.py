"""The twin's trim: latency, polarity, priority, pause, cut-off, lock-out, duty by airspeed, bad bridges."""

import numpy as np
import pytest
from plant_world import (
    ARM,
    AXIS_VOLTAGE,
    LOAD_1_KOHM,
    MILLISECOND,
    SECOND,
    World,
)


def running(quantities=None, voltage_v=13.8, airspeed_kt=60.0):
    world = World(quantities)
    world.power_up(voltage_v, airspeed_kt=airspeed_kt)
    if airspeed_kt is not None:
        world.keep_flying(airspeed_kt, 20.0)
    return world


def drive(world, duration_s, axis="pitch", step_ns=100_000):
    """Advance and return (times, direction of drive) of an axis at full duty."""
    start_ns = world.plant.now_ns
    world.wait(duration_s)
    times = np.arange(start_ns, world.plant.now_ns, step_ns, dtype=np.int64)
    return (times - start_ns) / SECOND, np.sign(np.round(world.plant.sample([AXIS_VOLTAGE[axis]], times)[0]))


def direction(world, axis="pitch"):
    return round(np.sign(world.plant.motor_voltage_v(axis)))


@pytest.mark.parametrize("phase_ms", [0.0, 1.1, 2.7, 4.9])
def test_on_and_off_take_20_to_27_ms_with_the_right_polarity(phase_ms):
    world = running()
    world.wait(phase_ms / 1000)
    for switch, sign in (("pitch.left.up", 1), ("pitch.right.down", -1)):
        world.press(switch)
        times, seen = drive(world, 0.1)
        assert set(seen) == {0.0, sign}
        assert 0.019 <= times[np.flatnonzero(seen)[0]] <= 0.027
        world.release(switch)
        times, seen = drive(world, 0.1)
        assert 0.019 <= times[np.flatnonzero(seen == 0.0)[0]] <= 0.027


def test_the_left_seat_takes_over_after_30_ms_without_overlap_and_gives_back():
    world = running()
    world.press("pitch.right.down")
    world.wait(0.2)
    world.press("pitch.left.up")
    times, seen = drive(world, 0.2)
    off = times[seen == 0.0]
    assert seen[0] == -1
    assert seen[-1] == 1
    assert off[-1] - off[0] == pytest.approx(0.030, abs=0.0002)
    world.release("pitch.left.up")
    world.wait(0.2)
    assert direction(world) == -1


def test_both_directions_of_one_seat_cancel_and_still_outrank_the_other_seat():
    world = running()
    world.press("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.down")
    world.wait(0.1)
    assert direction(world) == 0
    world.press("pitch.right.down")
    world.wait(0.1)
    assert direction(world) == 0
    world.release("pitch.left.down")
    world.wait(0.1)
    assert direction(world) == 1


def test_a_held_switch_is_cut_off_on_time_and_needs_a_new_press():
    world = running({"pitch.cut_off_s": 4.0})
    world.press("pitch.left.up")
    times, seen = drive(world, 5.0)
    on = times[seen == 1]
    assert on[-1] - on[0] == pytest.approx(4.0, abs=0.0051)
    assert direction(world) == 0
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert direction(world) == 1


def test_cut_off_works_per_axis_and_may_never_come():
    world = running({"pitch.cut_off_s": 1e9, "roll.cut_off_s": 1.0})
    world.press("pitch.left.up")
    world.press("roll.left.down")
    world.wait(0.5)
    assert (direction(world), direction(world, "roll")) == (1, -1)
    world.wait(9.0)
    assert (direction(world), direction(world, "roll")) == (1, 0)


def test_lock_out_stops_below_and_frees_only_above_release_and_for_a_new_press():
    world = running({"unit.lockout_v": 8.0, "unit.release_v": 8.8})
    plant = world.plant
    world.press("pitch.left.up")
    plant.supply.set_voltage(8.02)
    world.wait(0.5)
    assert direction(world) == 1
    plant.supply.set_voltage(7.98)
    world.wait(0.5)
    assert direction(world) == 0
    plant.supply.set_voltage(9.0)
    world.wait(0.5)
    assert direction(world) == 0  # still held: needs a new press
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert direction(world) == 1
    plant.supply.set_voltage(7.9)
    world.wait(0.1)
    plant.supply.set_voltage(8.78)
    world.wait(0.1)
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert direction(world) == 0  # between the two voltages it stays locked
    plant.supply.set_voltage(8.85)
    world.wait(0.2)
    assert direction(world) == 0  # pressed while locked: spent
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert direction(world) == 1


def test_a_switch_held_over_a_reset_or_a_start_needs_a_new_press():
    world = running()
    world.press("roll.right.up")
    world.wait(0.1)
    assert direction(world, "roll") == 1
    world.plant.supply.set_voltage(3.5)
    world.wait(0.3)
    assert world.plant.motor_voltage_v("roll") == 0.0
    world.plant.supply.set_voltage(13.8)
    world.wait(1.5)
    assert direction(world, "roll") == 0
    world.release("roll.right.up")
    world.wait(0.1)
    world.press("roll.right.up")
    world.wait(0.1)
    assert direction(world, "roll") == 1


@pytest.mark.parametrize(
    ("airspeed_kt", "duty"), [(60.0, 1.0), (70.0, 1.0), (105.0, 0.725), (140.0, 0.45), (200.0, 0.45), (None, 0.45)]
)
def test_duty_follows_airspeed_at_400_hz(airspeed_kt, duty):
    world = running(airspeed_kt=airspeed_kt)
    world.press("pitch.left.up")
    world.wait(0.1)
    times = np.arange(world.plant.now_ns, world.plant.now_ns + 100 * MILLISECOND, 1000, dtype=np.int64)
    world.wait(0.1)
    high = world.plant.sample([AXIS_VOLTAGE["pitch"]], times)[0] > 7.0
    assert high.mean() == pytest.approx(duty, abs=0.0005)
    if duty < 1.0:
        rises = np.flatnonzero(high[1:] & ~high[:-1])
        assert np.diff(rises) == pytest.approx(2500, abs=1)


def test_a_new_airspeed_changes_the_duty_of_every_driving_axis():
    world = World()
    world.power_up(airspeed_kt=60.0)
    world.press("pitch.left.up")
    world.press("yaw.left.up")
    world.wait(0.1)
    world.fly(105.0)
    world.wait(0.02)
    times = np.arange(world.plant.now_ns, world.plant.now_ns + 100 * MILLISECOND, 10_000, dtype=np.int64)
    world.wait(0.1)
    for axis in ("pitch", "yaw"):
        high = world.plant.sample([AXIS_VOLTAGE[axis]], times)[0] > 7.0
        assert high.mean() == pytest.approx(0.725, abs=0.003)


def test_airspeed_lost_for_3_seconds_gives_the_slow_duty():
    world = World()
    world.power_up(airspeed_kt=60.0)
    world.press("pitch.left.up")
    received_ns = world.plant.now_ns - 20 * MILLISECOND
    times, _ = drive(world, 3.5)
    volts = world.plant.sample([AXIS_VOLTAGE["pitch"]], np.rint(times * SECOND).astype(np.int64) + received_ns)[0]
    first_low = times[np.flatnonzero((volts < 1.0) & (times > 0.1))[0]]
    assert first_low == pytest.approx(3.0, abs=0.01)


def test_a_dead_direction_stays_at_rest_and_the_other_works():
    world = running({"pitch.positive_dead": 1.0})
    world.press("pitch.left.up")
    world.wait(0.1)
    assert direction(world) == 0
    world.release("pitch.left.up")
    world.press("pitch.left.down")
    world.wait(0.2)
    assert direction(world) == -1


def test_directions_have_their_own_resistance():
    world = running({"pitch.positive_ohm": 0.2, "pitch.negative_ohm": 0.6})
    world.load("pitch")
    for switch, bridge_ohm in (("pitch.left.up", 0.2), ("pitch.left.down", 0.6)):
        world.press(switch)
        world.wait(0.2)
        expected_a = world.plant.unit_voltage_v() / (9.0 + bridge_ohm)
        assert abs(world.plant.motor_current_a("pitch")) == pytest.approx(expected_a, rel=0.001)
        world.release(switch)
        world.wait(0.2)


def test_an_idle_output_leaks_through_its_load():
    world = running({"yaw.leakage_a": 3e-4})
    world.plant.set_digital_output(ARM, True)
    world.plant.set_digital_output(LOAD_1_KOHM["yaw"], True)
    assert world.plant.motor_voltage_v("yaw") == pytest.approx(0.3, rel=1e-12)
    assert world.plant.motor_current_a("yaw") == pytest.approx(3e-4, rel=1e-12)


def test_a_tap_shorter_than_the_debounce_drives_nothing():
    world = running()
    world.press("pitch.left.up")
    world.wait(0.014)
    world.release("pitch.left.up")
    _, seen = drive(world, 0.2)
    assert not seen.any()
