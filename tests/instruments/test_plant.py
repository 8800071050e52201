"""The plant as the instruments see it: what inputs and lines show, and that cutting time changes nothing."""

from itertools import pairwise

import numpy as np
import pytest
from plant_world import (
    ARM,
    AXIS_CURRENT,
    AXIS_VOLTAGE,
    BUS_RECEIVE,
    DIMMER_VOLTAGE,
    DISCRETE_VOLTAGE,
    GROUND_VOLTAGE,
    LOAD_9_OHM,
    MILLISECOND,
    PATH_20_OHM,
    PATH_RUN,
    PLUG_LOAD,
    REFERENCE,
    RETURN_CURRENT,
    STIMULI,
    SUPPLY_VOLTAGE,
    SWITCH_LINE,
    UNIT_CURRENT,
    UNIT_VOLTAGE,
    World,
    airspeed_frame,
    dotterel_bench,
    dotterel_twin,
    pin_of,
)

from instruments.simulated.can_bits import frame_bits
from instruments.simulated.parameters import AnalogInputParameters, Probe
from instruments.simulated.plant import Plant


def now_at(world, *channels):
    times = np.array([world.plant.now_ns], dtype=np.int64)
    return [float(values[0]) for values in world.plant.sample(channels, times)]


def busy_run(slice_ns):
    """Do a bit of everything in 2.6 seconds and return every channel and line of it."""
    world = World({"pitch.creep_v": 1.5, "pitch.creep_s": 0.5}, seed=5)
    plant = world.plant
    plant.plug_unit()
    plant.supply.set_current_limit(3.0)
    plant.set_digital_output(PATH_RUN, True)
    plant.supply.set_voltage(13.8)
    plant.supply.set_output(True)
    world.keep_flying(100.0, 2.6)
    times = {
        700: lambda: plant.ramp_analog_output(STIMULI["discrete-1"], 5.0, 300 * MILLISECOND),
        750: lambda: plant.ramp_analog_output(STIMULI["rheostat-1"], 4.0, 500 * MILLISECOND),
        850: lambda: world.load("pitch"),
        901: lambda: world.press("pitch.left.up"),
        1003: lambda: plant.set_analog_output(STIMULI["discrete-8"], 8.0),
        1300: lambda: world.release("pitch.left.up"),
        1400: lambda: plant.supply.set_voltage(6.0),
        1600: lambda: plant.supply.set_voltage(3.0),
        1700: lambda: plant.supply.set_voltage(12.0),
        2500: lambda: plant.set_watchdog(False),
    }
    for time_ms, action in times.items():
        plant.at(time_ms * MILLISECOND + 137, action)
    channels, lines = sorted(plant.bench.daq.inputs), sorted(plant.bench.daq.digital_inputs)
    grid, got, words, frames = world.times(0.0, 2.6, 10e3), [], [], []
    for start_ns in range(0, 2600 * MILLISECOND, slice_ns):
        plant.advance_to(start_ns + slice_ns)
        inside = grid[(grid >= start_ns) & (grid < start_ns + slice_ns)]
        got.append(np.array(plant.sample(channels, inside)))
        words.append(plant.sample_lines(lines, inside))
        frames += plant.take_frames()
        plant.forget_before(start_ns + slice_ns)
    return np.concatenate(got, axis=1), np.concatenate(words), frames


def test_samples_lines_and_frames_are_the_same_bits_however_time_is_cut():
    wanted = busy_run(2600 * MILLISECOND)
    assert len(wanted[2]) > 20
    for slice_ns in (50 * MILLISECOND, 1 * MILLISECOND):
        got = busy_run(slice_ns)
        assert np.array_equal(got[0], wanted[0])
        assert np.array_equal(got[1], wanted[1])
        assert got[2] == wanted[2]


def test_lead_check_before_the_unit_is_plugged_shows_10_amps_and_the_leads():
    world = World()
    plant = world.plant
    plant.supply.set_current_limit(13.0)
    plant.set_digital_output(PATH_RUN, True)
    plant.set_digital_output(PLUG_LOAD, True)
    plant.supply.set_voltage(14.0)
    plant.supply.set_output(True)
    world.wait(0.3)
    supply_v, unit_v, positive_a, negative_a = now_at(world, SUPPLY_VOLTAGE, UNIT_VOLTAGE, UNIT_CURRENT, RETURN_CURRENT)
    assert unit_v == pytest.approx(14.0 * 1.4 / 1.402, rel=1e-9)  # behind 2 milliohm of source
    assert positive_a == pytest.approx(unit_v / 1.4, rel=1e-9)
    assert negative_a == positive_a
    assert (supply_v - unit_v) / positive_a == pytest.approx(0.018, rel=1e-9)


def test_an_unpowered_unit_draws_a_tenth_of_a_milliamp_at_1_volt_through_20_ohm():
    world = World()
    plant = world.plant
    plant.plug_unit()
    plant.supply.set_current_limit(0.05)
    plant.set_digital_output(PATH_20_OHM, True)
    plant.supply.set_voltage(1.0)
    plant.supply.set_output(True)
    world.wait(0.5)
    assert now_at(world, UNIT_CURRENT)[0] == pytest.approx(1e-4, rel=0.02)


def test_contactor_needs_watchdog_and_path_and_bleeds_when_open():
    world = World()
    world.power_up()
    plant = world.plant
    assert plant.contactor_closed
    plant.set_watchdog(False)
    assert not plant.contactor_closed
    assert now_at(world, UNIT_CURRENT) == [0.0]
    world.wait(3.0)
    assert plant.unit_voltage_v() < 0.01
    plant.set_watchdog(True)
    assert plant.contactor_closed
    plant.set_digital_output(PATH_RUN, False)
    assert not plant.contactor_closed


def test_ground_pin_shows_the_return_current_times_its_resistance():
    world = World({"unit.ground_ohm": 0.05})
    world.power_up()
    for axis in ("pitch", "roll", "yaw"):
        world.load(axis)
        world.press(f"{axis}.left.up")
    world.wait(0.1)
    ground_v, unit_a = now_at(world, GROUND_VOLTAGE, UNIT_CURRENT)
    assert unit_a > 4.4
    assert ground_v == pytest.approx(-0.05 * unit_a, rel=1e-9)  # the power ground pin lies below signal ground


def test_motor_voltage_and_current_obey_bridge_and_load():
    world = World({"pitch.positive_ohm": 0.6})
    world.power_up()
    world.load("pitch")
    world.press("pitch.left.up")
    world.wait(0.1)
    unit_v, unit_a, motor_v, motor_a = now_at(
        world, UNIT_VOLTAGE, UNIT_CURRENT, AXIS_VOLTAGE["pitch"], AXIS_CURRENT["pitch"]
    )
    inside_v = unit_v - 0.005 * unit_a
    assert motor_a == pytest.approx(inside_v / 9.6, rel=1e-9)
    assert motor_v == pytest.approx(9.0 * motor_a, rel=1e-9)
    assert unit_a == pytest.approx(0.15 + motor_a, rel=1e-6)
    world.plant.set_digital_output(ARM, False)
    assert now_at(world, AXIS_CURRENT["pitch"]) == [0.0]
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(world.plant.unit_voltage_v(), abs=0.01)
    assert not world.plant.arm_closed


def test_input_errors_are_those_of_the_quantity_at_the_input():
    bench, twin = dotterel_bench(), dotterel_twin()
    bench.daq.inputs[REFERENCE] = AnalogInputParameters(  # the helper's dict is our own
        probe=Probe(kind="voltage", plus="reference"), volts_per_unit=2.0, gain_error=0.01, offset_units=0.003
    )
    plant = Plant(bench, twin, 1)
    values = plant.sample([REFERENCE], np.zeros(4, dtype=np.int64))[0]
    assert values == pytest.approx([2.0 * (5.0 * 1.01 + 0.003)] * 4, rel=1e-12)
    assert values.dtype == np.float64


def test_a_stimulus_pin_balances_line_and_pull_and_loops_back_unplugged():
    world = World()
    plant = world.plant
    plant.set_analog_output(STIMULI["discrete-1"], 3.0)
    assert now_at(world, DISCRETE_VOLTAGE["discrete-1"]) == [3.0]
    world.power_up()
    plant.set_analog_output(STIMULI["discrete-1"], 0.0)
    plant.set_analog_output(STIMULI["discrete-7"], 8.0)
    low_v, high_v = now_at(world, DISCRETE_VOLTAGE["discrete-1"], DISCRETE_VOLTAGE["discrete-7"])
    assert low_v == pytest.approx(5.0 / 5.7, rel=1e-12)
    assert high_v == pytest.approx(8.0 * 22.0 / 23.0, rel=1e-12)


def test_a_stimulus_ramp_is_straight_and_ends_exactly():
    world = World()
    plant = world.plant
    plant.ramp_analog_output(STIMULI["rheostat-1"], 5.0, 100 * MILLISECOND)
    world.wait(0.04)
    plant.ramp_analog_output(STIMULI["rheostat-1"], 1.0, 50 * MILLISECOND)
    world.wait(0.06)
    grid = world.times(0.0, 0.1, 1e3)
    values = plant.sample([36], grid)[0]
    expected = np.where(grid <= 40 * MILLISECOND, grid / 20e6, np.maximum(2.0 - (grid / 1e6 - 40.0) * 0.02, 1.0))
    assert values == pytest.approx(expected, abs=1e-12)


def test_a_short_inside_the_unit_pulls_the_line_only_while_it_is_plugged():
    world = World({"discrete-4.ground_short_s": 1.0})
    world.power_up()
    assert now_at(world, DISCRETE_VOLTAGE["discrete-4"])[0] < 0.01
    world.plant.unplug_unit()
    assert now_at(world, DISCRETE_VOLTAGE["discrete-4"]) == [5.0]


def test_a_pressed_line_reads_back_at_ground_also_unplugged():
    world = World()
    lines = [SWITCH_LINE["roll.left.up"], SWITCH_LINE["pitch.left.up"]]
    world.wait(0.01)
    world.press("pitch.left.up")
    world.wait(0.01)
    words = world.plant.sample_lines(lines, world.times(0.0, 0.02, 1e3))
    assert words.tolist() == [0] * 10 + [2] * 10
    assert words.dtype == np.uint64


def test_a_contact_holds_its_pin_at_ground_against_the_pull():
    world = World()
    world.power_up()
    pin = pin_of("pitch.left.up")
    assert world.plant.pin_voltage_v(pin) == 5.0
    world.press("pitch.left.up")
    assert world.plant.pin_voltage_v(pin) == 0.0
    world.release("pitch.left.up")
    assert world.plant.pin_voltage_v(pin) == 5.0


def test_the_receive_line_shows_every_bit_of_a_frame():
    world = World()
    world.wait(0.001)
    data = airspeed_frame(60.0, 5)
    world.plant.send_frame(315, data)
    world.wait(0.002)
    bits = frame_bits(315, data)
    middles = np.int64(MILLISECOND) + 4000 + 8000 * np.arange(len(bits), dtype=np.int64)
    words = world.plant.sample_lines([BUS_RECEIVE], middles)
    assert "".join(str(1 - word) for word in words) == bits
    assert world.plant.take_frames() == []


def test_waiting_frames_go_by_identifier_with_three_bits_between():
    world = World()
    world.power_up(airspeed_kt=None)
    world.plant.advance_to(1_640_000_000)  # before the reports at ready + 1 s
    world.plant.take_frames()
    frames = [(0x700, b"\x55" * 8), (0x100, b"\x55" * 8), (0x200, b"\x55" * 8)]
    start_ns = world.plant.now_ns
    for identifier, data in frames:
        world.plant.send_frame(identifier, data)
    world.wait(0.005)
    middles = start_ns + 4000 + 8000 * np.arange(500, dtype=np.int64)
    line = "".join(str(1 - word) for word in world.plant.sample_lines([BUS_RECEIVE], middles))
    expected = "".join(frame_bits(identifier, data) + "111" for identifier, data in sorted(frames))
    assert line == expected.ljust(500, "1")


def test_the_host_has_a_frame_within_its_latency_after_the_end():
    world = World(seed=9)
    world.power_up(airspeed_kt=None)
    world.wait(5.0)
    frames = world.plant.take_frames()
    assert len({time_ns for time_ns, _, _ in frames}) == len(frames)
    plant = World(seed=9).plant
    assert plant.bench.host_latency_s == (0.0002, 0.002)
    first_ns = frames[0][0]
    line = world.plant.sample_lines([BUS_RECEIVE], np.arange(600_000_000, first_ns, 1000, dtype=np.int64))
    start_ns = 600_000_000 + 1000 * int(np.flatnonzero(line)[0])
    bits = len(frame_bits(frames[0][1], frames[0][2]))
    assert 0.0002e9 <= first_ns - start_ns - 8000 * bits + 1000 <= 0.002e9 + 2000


def test_supply_readings_carry_their_own_errors():
    world = World(voltage_reading_gain_error=0.001, current_reading_offset_a=0.02, set_offset_v=0.01)
    world.power_up(10.5)
    assert world.plant.unit_voltage_v() == pytest.approx(10.51 - 0.15 * 0.002, abs=1e-9)
    assert world.plant.supply.read_voltage_v() == pytest.approx(world.plant.unit_voltage_v() * 1.001, rel=1e-12)
    assert world.plant.supply.read_current_a() == pytest.approx(0.17, abs=1e-9)


def test_the_hold_up_output_is_held_only_while_the_bus_is_there():
    world = World()
    world.power_up()
    assert now_at(world, 38)[0] == pytest.approx(12.5, abs=0.001)
    world.plant.set_watchdog(False)
    world.wait(5.0)
    assert now_at(world, 38)[0] == pytest.approx(0.0, abs=0.001)  # emptied by its own bleed


def test_unplugging_takes_outputs_and_charge_away():
    world = World()
    world.power_up()
    world.plant.set_analog_output(STIMULI["rheostat-2"], 5.0)
    world.wait(0.1)
    assert now_at(world, DIMMER_VOLTAGE["dimmer-6"])[0] > 10.0
    world.plant.unplug_unit()
    assert not world.plant.plugged
    assert now_at(world, DIMMER_VOLTAGE["dimmer-6"]) == [0.0]
    world.wait(0.01)
    assert world.plant.unit_voltage_v() == pytest.approx(13.8)  # the plug still stands on the supply
    assert world.plant.supply_current_a() == pytest.approx(0.0, abs=1e-9)


def test_wrong_wiring_and_wrong_times_are_refused_with_what_to_do():
    world = World()
    with pytest.raises(ValueError, match="no analogue input 99"):
        world.plant.sample([99], np.zeros(1, dtype=np.int64))
    with pytest.raises(ValueError, match="still to come"):
        world.plant.sample([0], np.array([1], dtype=np.int64))
    with pytest.raises(ValueError, match="no digital input 99"):
        world.plant.sample_lines([99], np.zeros(1, dtype=np.int64))
    with pytest.raises(ValueError, match="no digital output 99"):
        world.plant.set_digital_output(99, True)
    with pytest.raises(ValueError, match="no analogue output 99"):
        world.plant.set_analog_output(99, 1.0)
    world.wait(0.1)
    with pytest.raises(ValueError, match="is past"):
        world.plant.at(0, lambda: None)
    bench = dotterel_bench()
    bench.daq.inputs[7] = AnalogInputParameters(probe=Probe(kind="voltage", plus="P9-9"))
    with pytest.raises(ValueError, match="P9-9"):
        Plant(bench, dotterel_twin(), 1)
    with pytest.raises(ValueError, match=r"unit\.quiescence_a"):
        Plant(dotterel_bench(), dotterel_twin({"unit.quiescence_a": 1.0}), 1)


def test_a_dead_stimulus_line_and_a_dead_contact_do_nothing():
    from dataclasses import replace

    bench = dotterel_bench()
    bench.daq.outputs[0] = replace(bench.daq.outputs[0], dead=True)
    bench.daq.digital_outputs[10] = replace(bench.daq.digital_outputs[10], dead=True)
    plant = Plant(bench, dotterel_twin(), 1)
    plant.set_analog_output(0, 5.0)
    plant.set_digital_output(10, True)
    zero = np.zeros(1, dtype=np.int64)
    assert plant.sample([DISCRETE_VOLTAGE["discrete-1"]], zero)[0][0] == 0.0
    assert plant.sample_lines([1], zero)[0] == 0


def test_loads_switched_together_stand_in_parallel():
    world = World()
    world.power_up()
    world.load("pitch")
    world.plant.set_digital_output(33, True)  # 1 kohm beside the 9 ohm
    world.press("pitch.left.up")
    world.wait(0.1)
    motor_v, motor_a = world.plant.motor_voltage_v("pitch"), world.plant.motor_current_a("pitch")
    assert motor_v / motor_a == pytest.approx(9.0 * 1000.0 / 1009.0, rel=1e-9)
    world.plant.set_digital_output(LOAD_9_OHM["pitch"], False)
    assert world.plant.motor_current_a("pitch") < 0.014


def test_the_host_has_the_units_frames_in_the_order_they_were_sent():
    world = World()
    world.power_up()
    world.wait(10.0)
    frames = world.plant.take_frames()
    per_burst = len({identifier for _, identifier, _ in frames})
    assert len(frames) >= 10 * per_burst
    for first in range(0, len(frames) - per_burst, per_burst):
        burst = frames[first : first + per_burst]
        assert burst == sorted(burst, key=lambda frame: frame[1])  # as arbitration put them on the line
        assert all(earlier[0] < later[0] for earlier, later in pairwise(burst))
