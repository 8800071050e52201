"""What can be wrong with the twin's trim, each fault alone, and a model's habits: what a good unit does not do."""

import math
import struct
from dataclasses import replace

import numpy as np
import pytest
from plant_world import ARM, AXIS_VOLTAGE, LOAD_9_OHM, MILLISECOND, SECOND, World, dotterel_twin

from instruments.simulated.parameters import TrimHabits
from instruments.simulated.reports import airspeed_kt


def running(quantities=None, airspeed_kt=60.0, **unit):
    world = World(quantities, unit=unit)
    world.power_up(airspeed_kt=airspeed_kt)
    world.keep_flying(airspeed_kt, 30.0)
    return world


def direction(world, axis="pitch"):
    return round(np.sign(world.plant.motor_voltage_v(axis)))


def after(world, duration_s, axis="pitch"):
    world.wait(duration_s)
    return direction(world, axis)


def duty(world, axis="pitch"):
    start_ns = world.plant.now_ns
    world.wait(0.1)
    times = np.arange(start_ns, start_ns + 100 * MILLISECOND, 5000, dtype=np.int64)
    return float((np.abs(world.plant.sample([AXIS_VOLTAGE[axis]], times)[0]) > 7.0).mean())


def test_swapped_leads_turn_one_axis_round():
    world = running({"pitch.leads_swapped": 1.0})
    world.press("pitch.left.up")
    world.press("roll.left.up")
    assert after(world, 0.1) == -1
    assert direction(world, "roll") == 1


def test_inverted_priority_leaves_the_axis_with_the_right_seat():
    world = running({"pitch.priority_inverted": 1.0})
    world.press("pitch.right.down")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 0.2) == -1


def test_late_priority_hands_over_only_after_its_delay():
    world = running({"pitch.priority_delay_s": 0.4})
    world.press("pitch.right.down")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 0.40) == -1
    assert after(world, 0.10) == 1


def test_opposing_switches_drive():
    world = running({"pitch.opposing_drives": 1.0})
    world.press("pitch.left.up")
    world.press("pitch.left.down")
    assert after(world, 0.1) == 1


def test_a_switch_without_cut_off_drives_on_while_the_other_seats_is_cut():
    world = running({"pitch.right.up.uncut": 1.0})
    world.press("pitch.right.up")
    assert after(world, 9.0) == 1
    world.release("pitch.right.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 4.2) == 0


def taps(world, n, tap_s):
    driven = []
    for _ in range(n):
        world.press("pitch.left.up")
        driven.append(after(world, tap_s))
        world.release("pitch.left.up")
        world.wait(0.2)
    return driven


def test_taps_add_up_to_a_cut_off_only_where_that_is_the_fault():
    assert taps(running(), 4, 1.8) == [1, 1, 1, 1]
    assert taps(running({"pitch.taps_accumulate": 1.0}), 4, 1.8) == [1, 1, 0, 1]


def hold_with_gaps(world, duration_s):
    for _ in range(round(duration_s / 0.25)):
        world.press("pitch.left.up")
        world.wait(0.245)
        world.release("pitch.left.up")
        world.wait(0.0051)  # longer than a scan, so that one scan sees it
    world.press("pitch.left.up")


def test_contact_gaps_restart_the_clock_only_where_that_is_the_fault():
    for quantities, left in (({}, 0), ({"pitch.gap_restarts": 1.0}, 1)):
        world = running(quantities)
        hold_with_gaps(world, 5.0)
        assert after(world, 0.1) == left


def test_a_switch_that_never_rearms_stays_dead_and_the_other_works():
    world = running({"pitch.never_rearms": 1.0})
    world.press("pitch.left.up")
    world.wait(5.0)
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 0.1) == 0
    world.release("pitch.left.up")
    world.press("pitch.right.up")
    assert after(world, 0.1) == 1


@pytest.mark.parametrize(
    ("quantities", "habits", "opposite", "other"),
    [
        ({}, TrimHabits(), -1, 1),
        ({"pitch.stuck_blocks": 1.0}, TrimHabits(), 0, 0),
        ({}, TrimHabits(opposite_works_while_stuck=False), 0, 1),
        ({}, TrimHabits(other_seat_works_while_stuck=False), -1, 0),
    ],
)
def test_what_works_while_a_switch_is_stuck_is_the_models_habit(quantities, habits, opposite, other):
    world = running(quantities, trim_habits=habits)
    world.press("pitch.left.up")
    assert after(world, 5.0) == 0
    world.press("pitch.left.down")
    assert after(world, 0.1) == opposite
    world.release("pitch.left.down")
    world.wait(0.1)
    world.press("pitch.right.up")
    assert after(world, 0.1) == other


def test_a_model_may_want_a_new_press_of_the_seat_that_was_overridden():
    world = running(trim_habits=TrimHabits(resumes_after_hand_over=False))
    world.press("pitch.right.down")
    world.wait(0.2)
    world.press("pitch.left.up")
    assert after(world, 0.2) == 1
    world.release("pitch.left.up")
    assert after(world, 0.2) == 0
    world.release("pitch.right.down")
    world.wait(0.1)
    world.press("pitch.right.down")
    assert after(world, 0.1) == -1


def test_a_reversed_axis_drives_the_other_way_round_and_no_other_does():
    bridges = tuple(replace(bridge, reversed=bridge.name == "roll") for bridge in dotterel_twin().bridges)
    world = running(bridges=bridges)
    world.press("pitch.left.up")
    world.press("roll.left.up")
    assert after(world, 0.1) == 1
    assert direction(world, "roll") == -1


def test_a_fixed_duty_ignores_airspeed_in_its_direction_only():
    world = running({"pitch.negative_duty_fixed": 100.0}, airspeed_kt=150.0)
    world.press("pitch.left.down")
    world.wait(0.1)
    assert duty(world) == 1.0
    world.release("pitch.left.down")
    world.wait(0.1)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert duty(world) == pytest.approx(0.45, abs=0.003)


def test_airspeed_in_the_wrong_unit_slows_the_trim_too_early():
    world = running({"unit.airspeed_scale": 1.1508}, airspeed_kt=70.0)
    world.press("pitch.left.up")
    world.wait(0.1)
    assert duty(world) == pytest.approx(1.0 - 0.55 * (70.0 * 0.1508) / 70.0, abs=0.003)


def test_a_payload_that_is_no_number_is_no_airspeed():
    head = bytes((100, 2, 0, 0))
    assert airspeed_kt(head + struct.pack(">f", math.nan)) is None
    assert airspeed_kt(head + struct.pack(">f", math.inf)) is None
    assert airspeed_kt(head + struct.pack(">f", 30.8667)) == pytest.approx(60.0, abs=1e-3)


def loaded_a(world, axes):
    for axis in axes:
        world.plant.set_digital_output(LOAD_9_OHM[axis], True)
    world.plant.set_digital_output(ARM, True)
    for axis in axes:
        world.press(f"{axis}.left.up")
    world.wait(0.2)
    return world.plant.motor_current_a(axes[0])


def test_a_shared_feed_costs_each_axis_more_when_others_drive():
    # three branches of 9.2 ohm behind 0.15 ohm: I = V / (9.2 + 3 * 0.15)
    volts = 13.8
    for axes in (("pitch",), ("pitch", "roll", "yaw")):
        amps = loaded_a(running({"unit.trim_feed_ohm": 0.15}), axes)
        assert amps == pytest.approx(volts / (9.2 + len(axes) * 0.15), rel=0.01)
    assert loaded_a(running(), ("pitch", "roll", "yaw")) == pytest.approx(volts / 9.2, rel=0.01)


def test_a_weak_gate_supply_shows_on_a_low_bus_only():
    world = running({"pitch.low_bus_ohm": 0.3})
    assert loaded_a(world, ("pitch",)) == pytest.approx(13.8 / 9.2, rel=0.01)
    world.release("pitch.left.up")
    world.plant.supply.set_voltage(10.0)
    world.wait(0.2)
    world.press("pitch.left.up")
    world.wait(0.2)
    assert world.plant.motor_current_a("pitch") == pytest.approx(10.0 / 9.5, rel=0.01)
    assert world.plant.now_ns < 30 * SECOND


def test_a_welded_relay_goes_on_whatever_the_switches_do_and_is_never_cut_off():
    world = running({"pitch.latches": 1.0})
    world.press("pitch.left.up")
    assert after(world, 0.1) == 1
    world.release("pitch.left.up")
    assert after(world, 0.2) == 1
    assert after(world, 5.0) == 1
    assert direction(world, "roll") == 0


def test_a_short_is_let_flow_as_long_as_its_trip_takes_and_then_it_stays_off_until_a_new_press():
    world = running({"pitch.peak_trip_a": 1.0, "pitch.peak_trip_s": 0.0003})  # 9 ohm draw 1.5 A
    world.load("pitch")
    begin_ns = world.plant.now_ns
    world.press("pitch.left.up")
    world.wait(0.1)
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(0.0, abs=0.01)
    times_ns = np.arange(begin_ns, world.plant.now_ns, SECOND // 50_000, dtype=np.int64)
    drove = np.count_nonzero(world.plant.sample([AXIS_VOLTAGE["pitch"]], times_ns)[0] > 6.0)
    assert drove / 50_000 == pytest.approx(0.0003, abs=2e-5)
    world.release("pitch.left.up")
    world.plant.set_digital_output(LOAD_9_OHM["pitch"], False)
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 0.1) == 1


@pytest.mark.parametrize(("honoured", "drives"), [(0.0, 0), (1.0, 1)])
def test_a_switch_held_through_a_lock_out_drives_afterwards_only_where_that_is_the_fault(honoured, drives):
    world = running({"pitch.honours_held": honoured})
    world.press("pitch.left.up")
    assert after(world, 0.1) == 1
    world.plant.supply.set_voltage(7.0)
    assert after(world, 0.3) == 0
    world.plant.supply.set_voltage(13.8)
    assert after(world, 0.3) == drives
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert after(world, 0.1) == 1


@pytest.mark.parametrize(("honoured", "drives"), [(0.0, 0), (1.0, 1)])
def test_a_switch_held_through_a_start_drives_at_once_only_where_that_is_the_fault(honoured, drives):
    world = running({"pitch.honours_at_start": honoured})
    world.press("pitch.left.up")
    for low_v, driving in ((7.0, 0), (4.0, drives)):  # locked out, and reset
        world.plant.supply.set_voltage(low_v)
        world.wait(0.3)
        world.plant.supply.set_voltage(13.8)
        assert after(world, 1.0) == driving


@pytest.mark.parametrize(("gain", "locked_v", "free_v"), [(106.0, 7.50, 7.60), (92.0, 8.65, 8.75)])
def test_a_wrong_gain_of_the_bus_sense_moves_the_lock_out(gain, locked_v, free_v):
    world = running({"unit.sense_gain": gain})
    world.press("pitch.left.up")
    world.plant.supply.set_voltage(free_v)  # 8.0 V over the gain lies between the two
    assert after(world, 0.3) == 1
    world.plant.supply.set_voltage(locked_v)
    assert after(world, 0.3) == 0
