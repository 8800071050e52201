"""The twin's power states: cold and warm start, reset, discharge, creep, quiescent current."""

import numpy as np
import pytest
from plant_world import (
    CONFIGURATION_IDENTIFIER,
    MILLISECOND,
    PATH_RUN,
    RESET_COUNT_IDENTIFIER,
    SECOND,
    STIMULI,
    World,
)

from instruments.simulated.twin import PowerState


def ramp(world, to_v, rate_v_per_s):
    """Move the set point in stairs of 10 mV, as the bench does."""
    plant = world.plant
    start_v, start_ns = plant.supply.voltage_setting_v, plant.now_ns
    steps = round(abs(to_v - start_v) / 0.01)
    for step in range(1, steps + 1):
        level_v = start_v + (to_v - start_v) * step / steps
        plant.at(start_ns + round(step * 0.01 / rate_v_per_s * SECOND), lambda v=level_v: plant.supply.set_voltage(v))
    world.wait(steps * 0.01 / rate_v_per_s + 0.01)


def reset_count(world):
    """Return the last reset count reported."""
    counts = [data for _, identifier, data in world.plant.take_frames() if identifier == RESET_COUNT_IDENTIFIER]
    return int.from_bytes(counts[-1][4:], "big") if counts else None


def test_the_first_frame_comes_a_ready_time_after_the_cold_start_voltage():
    world = World({"unit.ready_s": 0.6, "unit.cold_start_v": 10.0})
    plant = world.plant
    plant.plug_unit()
    plant.supply.set_current_limit(0.5)
    plant.set_digital_output(PATH_RUN, True)
    plant.supply.set_output(True)
    ramp(world, 13.8, 5.0)
    world.wait(1.0)
    times = world.times(1.9, 3.7, 10e3)
    first = times[np.flatnonzero(plant.sample_lines([0], times))[0]]
    reached = times[np.flatnonzero(plant.sample([1], times)[0] >= 10.0)[0]]
    assert first - reached == pytest.approx(0.6 * SECOND, abs=0.2 * MILLISECOND)
    assert plant.take_frames()[0][1] == 1800


def test_a_bus_that_stops_short_of_the_cold_start_voltage_starts_nothing():
    world = World()
    world.power_up(9.9)
    assert world.plant.twin.state is PowerState.UNPOWERED
    assert world.plant.supply_current_a() == pytest.approx(9.9e-4, rel=1e-3)


def test_quiescent_current_is_constant_down_to_the_reset_and_gone_below():
    world = World({"unit.quiescent_a": 0.16})
    world.power_up()
    ramp(world, 4.6, 10.0)
    world.wait(0.1)
    assert world.plant.supply_current_a() == pytest.approx(0.16, abs=1e-9)
    ramp(world, 4.0, 10.0)
    world.wait(0.1)
    assert world.plant.supply_current_a() == pytest.approx(4.0e-4, rel=1e-3)


def test_a_reset_acts_at_once_and_is_counted_over_a_warm_start():
    world = World()
    world.power_up()
    world.plant.set_analog_output(STIMULI["rheostat-1"], 2.5)
    ramp(world, 4.6, 5.0)
    assert world.plant.twin.state is PowerState.RUNNING
    ramp(world, 4.3, 5.0)
    assert world.plant.twin.state is PowerState.HELD_IN_RESET
    times = np.arange(world.plant.now_ns - 80 * MILLISECOND, world.plant.now_ns, 10_000, dtype=np.int64)
    unit_v, dimmer_v = world.plant.sample([1, 30], times)
    last_high = np.flatnonzero(dimmer_v > 2.0)[-1]
    # The reset comes where the capacitor crosses 4.5 V; the last edge is at most one period earlier.
    assert times[np.flatnonzero(unit_v < 4.5007)[0]] - times[last_high] < SECOND / 240
    world.plant.take_frames()
    ramp(world, 5.4, 5.0)
    assert world.plant.twin.state is PowerState.HELD_IN_RESET
    ramp(world, 9.0, 5.0)
    world.wait(1.0)
    assert world.plant.twin.state is PowerState.RUNNING
    assert reset_count(world) == 1


def test_a_discharged_unit_has_forgotten_its_resets_and_starts_cold():
    world = World()
    world.power_up()
    world.plant.supply.set_voltage(3.0)
    world.wait(0.5)
    assert world.plant.twin.resets == 1
    world.plant.supply.set_voltage(0.5)
    world.wait(0.5)
    assert world.plant.twin.state is PowerState.UNPOWERED
    world.plant.supply.set_voltage(9.0)
    world.wait(1.0)
    assert world.plant.twin.state is PowerState.UNPOWERED
    world.plant.take_frames()
    world.plant.supply.set_voltage(12.0)
    world.wait(1.0)
    assert reset_count(world) == 0


def test_a_high_reset_detector_does_not_oscillate_with_a_low_warm_start():
    world = World({"unit.reset_v": 6.5, "unit.warm_start_v": 5.5})
    world.power_up()
    ramp(world, 6.4, 5.0)
    world.wait(2.0)
    assert world.plant.twin.state is PowerState.HELD_IN_RESET
    assert world.plant.twin.resets == 1
    ramp(world, 6.8, 5.0)
    world.wait(1.0)
    assert world.plant.twin.state is PowerState.RUNNING


def test_creep_shows_from_the_start_of_the_firmware_for_its_time():
    world = World({"roll.creep_v": 1.5, "roll.creep_s": 0.5})
    plant = world.plant
    plant.plug_unit()
    plant.supply.set_current_limit(5.0)
    plant.set_digital_output(PATH_RUN, True)
    plant.supply.set_voltage(13.8)
    plant.supply.set_output(True)
    world.wait(1.0)
    times = world.times(0.0, 1.0, 10e3)
    roll_v, pitch_v = plant.sample([21, 20], times)
    assert np.count_nonzero(roll_v == 1.5) == pytest.approx(5000, abs=1)
    assert times[np.flatnonzero(roll_v)[0]] == pytest.approx(0.05 * SECOND, abs=0.2 * MILLISECOND)
    assert not pitch_v.any()


def test_an_input_short_holds_the_bus_down_and_the_supply_in_its_limit():
    world = World({"unit.input_short_s": 5.0})
    plant = world.plant
    plant.plug_unit()
    plant.supply.set_current_limit(0.05)
    plant.set_digital_output(1, True)
    plant.supply.set_voltage(1.1)
    plant.supply.set_output(True)
    world.wait(0.5)
    assert plant.supply.limiting()
    assert plant.unit_voltage_v() == pytest.approx(0.05 * (0.2 + 0.005), rel=1e-3)


def test_reports_come_back_to_back_at_ready_and_every_period_with_counting_codes():
    world = World()
    world.power_up(airspeed_kt=None)
    world.wait(1.1)
    frames = world.plant.take_frames()
    first, second = frames[:13], frames[13:]
    assert sorted(identifier for _, identifier, _ in first) == [*range(1800, 1810), 1820, 1821, 1822]
    assert sorted(identifier for _, identifier, _ in second) == sorted(identifier for _, identifier, _ in first)
    assert {data[3] for _, _, data in first} == {0}
    assert {data[3] for _, _, data in second} == {1}
    assert {data[0] for _, _, data in frames} == {6}
    by_identifier = {identifier: data for _, identifier, data in first}
    assert by_identifier[CONFIGURATION_IDENTIFIER][1:3] == bytes((4, 0))
    assert by_identifier[CONFIGURATION_IDENTIFIER][4:] == (0x0601).to_bytes(4, "big")
    assert by_identifier[1822] == bytes((6, 2, 0, 0, 0, 0, 0, 0))
    times = np.arange(world.plant.now_ns - 1500 * MILLISECOND, world.plant.now_ns, 4000, dtype=np.int64)
    dominant = times[np.flatnonzero(world.plant.sample_lines([0], times))]
    gaps = np.flatnonzero(np.diff(dominant) > 500_000)
    starts = [dominant[0], *dominant[gaps + 1]]
    assert np.diff(starts)[-1] == pytest.approx(SECOND, abs=MILLISECOND)


def test_what_the_unit_had_queued_is_lost_with_its_power():
    world = World()
    world.power_up(airspeed_kt=None)
    world.plant.take_frames()
    world.plant.advance_to(1_653_000_000)  # 3 ms into the burst of reports at 1.65 s
    world.plant.unplug_unit()
    world.wait(0.1)
    assert 2 <= len(world.plant.take_frames()) <= 4


def test_a_unit_without_power_sends_nothing():
    world = World()
    world.power_up()
    world.plant.set_watchdog(False)
    world.wait(1.0)
    world.plant.take_frames()
    world.wait(3.0)
    assert world.plant.take_frames() == []


def test_firmware_is_reported_where_the_unit_has_such_a_report():
    world = World(unit={"firmware_identifier": 1824}, quantities={"unit.firmware": 203.0})
    world.power_up(airspeed_kt=None)
    world.wait(0.1)
    by_identifier = {identifier: data for _, identifier, data in world.plant.take_frames()}
    assert by_identifier[1824] == bytes((6, 4, 0, 0, 0, 0, 0, 203))


@pytest.mark.parametrize(("rate_v_per_s", "hangs"), [(0.9, False), (1.5, True), (2.6, False)])
def test_a_unit_that_hangs_in_a_band_of_rates_comes_back_only_once_it_was_discharged(rate_v_per_s, hangs):
    world = World({"unit.hang_from_v_per_s": 1.2, "unit.hang_to_v_per_s": 2.2})
    world.power_up()
    stands_at(world, 4.7)
    ramp(world, 4.2, 5.0)
    assert world.plant.twin.state is PowerState.HELD_IN_RESET
    ramp(world, 5.8, rate_v_per_s)
    stands_at(world, 13.8)
    assert (world.plant.twin.state is PowerState.HUNG) is hangs
    stands_at(world, 4.0)
    stands_at(world, 13.8)
    assert (world.plant.twin.state is PowerState.HUNG) is hangs
    stands_at(world, 0.0)
    stands_at(world, 13.8)
    assert world.plant.twin.state is PowerState.RUNNING


def test_a_setting_is_another_from_the_start_on_at_which_it_is_lost():
    world = World({"unit.setting_lost_start": 2.0}, unit={"settings": ((1823, 5), (1824, 9))})
    world.power_up()
    assert reported(world) == {1823: 5, 1824: 9}
    for starts in (2, 3):
        stands_at(world, 4.0)
        world.plant.take_frames()
        stands_at(world, 13.8)
        assert (starts, reported(world)) == (starts, {1823: 5, 1824: 10})


def stands_at(world, volts):
    """Have the bus go there at once and stand for a second."""
    world.plant.supply.set_voltage(volts)
    world.wait(1.0)


def reported(world):
    """Return what the unit reported last of its two settings."""
    frames = {identifier: data for _, identifier, data in world.plant.take_frames()}
    return {identifier: int.from_bytes(frames[identifier][4:], "big") for identifier in (1823, 1824)}
