"""The twin's dimming: the curve, PWM edges and frequency, regulated outputs, what low bus and reset do."""

import numpy as np
import pytest
from plant_world import DIMMER_VOLTAGE, STIMULI, World


def running(quantities=None, voltage_v=13.8):
    world = World(quantities)
    world.power_up(voltage_v)
    return world


def wave(world, name, duration_s=0.5, step_ns=1000):
    start_ns = world.plant.now_ns
    world.wait(duration_s)
    times = np.arange(start_ns, world.plant.now_ns, step_ns, dtype=np.int64)
    return world.plant.sample([DIMMER_VOLTAGE[name]], times)[0]


def travel(world, rheostat, fraction):
    world.plant.set_analog_output(STIMULI[rheostat], 5.0 * fraction)
    world.wait(0.05)


@pytest.mark.parametrize(("fraction", "duty"), [(0.0, 0.0), (0.019, 0.0), (0.02, 0.04), (0.51, 0.52), (1.0, 1.0)])
def test_pwm_is_off_below_2_per_cent_and_linear_from_there(fraction, duty):
    world = running()
    travel(world, "rheostat-1", fraction)
    high = wave(world, "dimmer-1") > 7.0
    assert high.mean() == pytest.approx(duty, abs=0.0005)


@pytest.mark.parametrize(("fraction", "level_v"), [(0.0, 0.0), (0.02, 1.5), (0.51, 6.75), (1.0, 12.0)])
def test_dc_is_off_below_2_per_cent_and_linear_from_there(fraction, level_v):
    world = running()
    travel(world, "rheostat-1", fraction)
    assert np.ptp(values := wave(world, "dimmer-5", 0.01)) == 0.0
    assert values[0] == pytest.approx(level_v, abs=1e-9)


def test_pwm_has_its_frequency_and_stands_at_the_bus():
    world = running({"dimmer-1.frequency_hz": 100.0})
    travel(world, "rheostat-1", 0.5)
    values = wave(world, "dimmer-1")
    rises = np.flatnonzero((values[1:] > 7.0) & (values[:-1] < 7.0))
    assert np.diff(rises) == pytest.approx(10_000, abs=1)
    assert set(np.round(values, 9)) == {0.0, round(world.plant.unit_voltage_v() - 0.15 * 0.005, 9)}


def test_rheostats_set_only_their_own_outputs():
    world = running()
    travel(world, "rheostat-2", 1.0)
    assert wave(world, "dimmer-2", 0.01).min() > 13.0
    assert wave(world, "dimmer-6", 0.01)[0] == pytest.approx(12.0)
    assert not wave(world, "dimmer-1", 0.01).any()


def test_offset_and_end_value_shift_the_curve():
    world = running({"dimmer-2.high_level": 85.0, "dimmer-5.offset_level": 0.2})
    travel(world, "rheostat-1", 1.0)
    travel(world, "rheostat-2", 1.0)
    assert (wave(world, "dimmer-2") > 7.0).mean() == pytest.approx(0.85, abs=0.0005)
    assert wave(world, "dimmer-5", 0.01)[0] == pytest.approx(12.2, abs=1e-9)


@pytest.mark.parametrize("phase_ms", [0, 5, 10, 15, 20])
def test_a_new_duty_begins_with_a_period_and_cuts_or_adds_no_pulse(phase_ms):
    world = running()
    travel(world, "rheostat-1", 0.3)
    world.wait(phase_ms / 1000)
    start_ns = world.plant.now_ns
    world.plant.set_analog_output(STIMULI["rheostat-1"], 4.5)
    world.wait(0.05)
    times = np.arange(start_ns, world.plant.now_ns, 1000, dtype=np.int64)
    high = world.plant.sample([DIMMER_VOLTAGE["dimmer-1"]], times)[0] > 7.0
    rises = np.flatnonzero(high[1:] & ~high[:-1])
    falls = np.flatnonzero(~high[1:] & high[:-1])
    falls = falls[falls > rises[0]]
    rises = rises[: len(falls)]
    assert np.diff(rises) == pytest.approx(1e6 / 240, abs=1)
    period_us = 1e6 / 240
    duties = [0.04 + 0.96 * (fraction - 0.02) / 0.98 for fraction in (0.3, 0.9)]
    widths = (falls - rises) / period_us
    assert all(min(abs(width - duty) for duty in duties) < 0.0005 for width in widths)
    assert widths[-1] == pytest.approx(duties[1], abs=0.0005)


def test_dc_follows_the_bus_down_one_volt_below_it_and_everything_stops_at_the_reset():
    world = running()
    travel(world, "rheostat-1", 1.0)
    world.plant.supply.set_voltage(9.0)
    world.wait(0.2)
    inside_v = world.plant.unit_voltage_v() - 0.15 * 0.005
    assert wave(world, "dimmer-5", 0.01)[0] == pytest.approx(inside_v - 1.0, abs=1e-9)
    world.plant.supply.set_voltage(4.6)
    world.wait(0.2)
    assert wave(world, "dimmer-1", 0.01).min() > 4.5
    world.plant.supply.set_voltage(4.3)
    world.wait(0.2)
    assert not wave(world, "dimmer-1", 0.01).any()
    assert not wave(world, "dimmer-5", 0.01).any()
