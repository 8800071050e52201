"""The twin's bridges with a motor behind them: against a numeric solution, and what a bad bridge does."""

import time
from dataclasses import replace

import numpy as np
import pytest
from plant_world import (
    ARM,
    AXIS_CURRENT,
    AXIS_VOLTAGE,
    LOAD_MOTOR,
    SECOND,
    TRIM_MOTOR,
    UNIT_CURRENT,
    UNIT_VOLTAGE,
    World,
    dotterel_parameters,
)
from scipy.integrate import solve_ivp

from instruments.simulated.parameters import DigitalOutputParameters
from instruments.simulated.plant import Plant

CHANNELS = [AXIS_VOLTAGE["pitch"], AXIS_CURRENT["pitch"], UNIT_VOLTAGE, UNIT_CURRENT]
BRIDGE_OHM = 0.2
BRAKE = 60


def flying(quantities=None, airspeed_kt=60.0, plant=None):
    world = World(quantities)
    if plant is not None:
        world.plant = plant
        plant.set_watchdog(True)
    world.power_up(airspeed_kt=airspeed_kt)
    world.keep_flying(airspeed_kt, 26.0)
    world.load_motor("pitch")
    return world


def seen(world, duration_s, rate_hz=50e3):
    """Advance; return times in s and the four channels' values."""
    start_ns = world.plant.now_ns
    world.wait(duration_s)
    times = np.arange(start_ns, world.plant.now_ns, round(SECOND / rate_hz), dtype=np.int64)
    return ((times - start_ns) / SECOND, *world.plant.sample(CHANNELS, times))


def first(condition):
    return int(np.flatnonzero(condition)[0])


def test_a_braked_motor_takes_what_its_resistance_lets_through_and_turns_again_without_the_brake():
    bench, twin = dotterel_parameters()
    outputs = {**bench.daq.digital_outputs, BRAKE: DigitalOutputParameters(action="brake", target="pitch")}
    world = flying(plant=Plant(replace(bench, daq=replace(bench.daq, digital_outputs=outputs)), twin, 1))
    world.plant.set_digital_output(BRAKE, True)
    world.press("pitch.left.up")
    _, volts, amps, *_ = seen(world, 0.08)
    on = first(volts > 5.0)
    assert amps[on + 500 :] == pytest.approx(13.8 / (4.0 + BRIDGE_OHM), rel=0.005)  # ten time constants later
    world.plant.set_digital_output(BRAKE, False)
    _, volts, amps, *_ = seen(world, 0.15)
    assert amps[-1] < 0.1


def test_a_start_from_the_bus_is_that_of_a_numeric_solution_with_the_bus_in_it():
    world = flying()
    world.press("pitch.left.up")
    times_s, volts, amps, bus_v, supply_a = seen(world, 0.15)
    on = first(volts > 5.0)

    def slopes(_, state):
        current_a, speed = state
        # what the supply and the ground pin drop is what the bus lacks at the pins of the unit
        bus = 13.8 - (0.002 + 0.005) * (current_a + 0.15)
        return ((bus - 4.2 * current_a - 0.02 * speed) / 2e-3, (0.02 * current_a - 1e-6 * speed) / 2e-6)

    span_s = times_s[on:] - times_s[on]
    solved = solve_ivp(slopes, (0.0, span_s[-1]), (0.0, 0.0), t_eval=span_s, rtol=1e-9, atol=1e-9)
    late_s = 25e-6  # a sample more or less at the steepest edge
    assert amps[on:] == pytest.approx(solved.y[0], abs=6900.0 * late_s)
    assert amps[on + 500 :] == pytest.approx(solved.y[0][500:], abs=2e-3)
    assert amps.max() == pytest.approx(solved.y[0].max(), abs=2e-3)
    assert volts[on:] == pytest.approx(bus_v[on:] - BRIDGE_OHM * amps[on:] - 0.005 * supply_a[on:], abs=2e-3)
    assert supply_a[on + 10 :] == pytest.approx(amps[on + 10 :] + 0.15, abs=0.12)  # in stairs
    assert supply_a[-1] == pytest.approx(amps[-1] + 0.15, abs=1e-3)


def test_released_it_is_braked_in_a_few_time_constants_and_the_bus_sees_nothing_of_it():
    world = flying()
    world.press("pitch.left.up")
    world.wait(0.3)
    world.release("pitch.left.up")
    times_s, volts, amps, bus_v, supply_a = seen(world, 0.2)
    off = first(volts < 5.0)
    assert amps.min() == pytest.approx(-3.03, abs=0.05)
    after = times_s - times_s[off]
    slow_per_s = max(np.linalg.eigvals([[-4.2 / 2e-3, -0.02 / 2e-3], [0.02 / 2e-6, -1e-6 / 2e-6]]).real)
    later = after > 0.01
    expected = amps[first(later)] * np.exp(slow_per_s * (after[later] - after[first(later)]))
    assert amps[later] == pytest.approx(expected, abs=1e-3)
    assert volts[later] == pytest.approx(-BRIDGE_OHM * amps[later], abs=1e-6)
    assert supply_a[off + 500 :] == pytest.approx(0.15, abs=1e-6)
    assert bus_v.max() < 13.81


def test_at_half_speed_the_pulses_are_exact_edge_by_edge():
    world = flying(airspeed_kt=200.0)
    world.press("pitch.left.up")
    times_s, volts, amps, _, _ = seen(world, 0.3)
    on = first(volts > 5.0)
    duty, period_s = 0.45, 1 / 400

    state, grid, current = (0.0, 0.0), times_s[on:] - times_s[on], []
    for edge in range(int(grid[-1] / period_s) + 1):
        for start_s, stop_s, source_v in (
            (edge * period_s, (edge + duty) * period_s, 13.798),
            ((edge + duty) * period_s, (edge + 1) * period_s, 0.0),
        ):
            inside = grid[(grid >= start_s - 1e-9) & (grid < stop_s - 1e-9)]
            solved = solve_ivp(
                lambda _, x, u=source_v: ((u - 4.2 * x[0] - 0.02 * x[1]) / 2e-3, (0.02 * x[0] - 1e-6 * x[1]) / 2e-6),
                (start_s, stop_s),
                state,
                t_eval=np.append(np.clip(inside, start_s, stop_s), stop_s),
                rtol=1e-8,
                atol=1e-9,
            )
            current += solved.y[0][:-1].tolist()
            state = solved.y[:, -1]
    assert amps[on : on + len(current)] == pytest.approx(current[: len(amps) - on], abs=0.15)  # one sample at an edge
    error = np.abs(amps[on : on + len(current)] - current[: len(amps) - on])
    assert np.median(error) < 0.02
    assert np.mean(amps[-2500:]) == pytest.approx(np.mean(current[-2500:]), abs=0.01)


def test_at_the_end_of_its_travel_the_motor_stalls_and_the_other_way_it_comes_off():
    world = flying({"pitch.cut_off_s": 1e6})
    world.press("pitch.left.up")
    world.wait(25.0)
    assert world.plant.motor_current_a("pitch") == pytest.approx(13.8 / 4.2, abs=0.02)
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.down")
    world.wait(0.3)
    assert world.plant.motor_current_a("pitch") == pytest.approx(-0.0341, abs=0.002)


def test_a_bridge_that_does_not_brake_lets_it_coast():
    world = flying({"pitch.brake_ohm": 1e6})
    world.press("pitch.left.up")
    world.wait(0.3)
    world.release("pitch.left.up")
    world.wait(0.1)
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(13.2, abs=0.4)
    assert world.plant.motor_current_a("pitch") == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize(("pause_s", "gap_s"), [(0.030, 0.030), (0.0, 0.0)])
def test_reversed_it_waits_as_long_as_the_unit_does(pause_s, gap_s):
    world = flying({"pitch.reversal_s": pause_s})
    world.press("pitch.left.up")
    world.wait(0.3)
    world.release("pitch.left.up")
    world.press("pitch.left.down")
    times_s, volts, amps, _, _ = seen(world, 0.15)
    off, on = first(volts < 10.0), first(volts < -10.0)
    assert times_s[on] - times_s[off] == pytest.approx(gap_s, abs=1e-4)
    assert amps.min() < (-5.5 if gap_s == 0.0 else -3.0)


def test_a_bridge_with_too_low_a_peak_trip_stops_at_the_start_until_pressed_anew():
    world = flying({"pitch.peak_trip_a": 2.5})
    world.press("pitch.left.up")
    _, volts, amps, _, _ = seen(world, 0.3)
    assert 2.4 < amps.max() < 2.9
    assert np.count_nonzero(volts > 10.0) < 0.002 * 50e3
    world.release("pitch.left.up")
    world.wait(0.1)
    world.press("pitch.left.up")
    assert seen(world, 0.1)[2].max() > 2.4


def test_taken_off_while_it_turns_it_turns_on_alone_and_the_pins_are_the_units():
    world = flying()
    world.press("pitch.left.up")
    world.wait(0.3)
    world.plant.set_digital_output(ARM, False)
    world.wait(0.01)
    assert world.plant.motor_current_a("pitch") == 0.0
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(13.8, abs=0.01)
    world.plant.set_digital_output(LOAD_MOTOR["pitch"], False)
    world.release("pitch.left.up")
    world.wait(0.1)
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(0.0, abs=0.01)


def test_a_run_cut_into_slices_gives_the_same_bits():
    def run(slice_ns):
        world = flying(airspeed_kt=100.0)
        world.press("pitch.left.up")
        end_ns = world.plant.now_ns + SECOND // 4
        start_ns = world.plant.now_ns
        while world.plant.now_ns < end_ns:
            world.plant.advance_to(min(end_ns, world.plant.now_ns + slice_ns))
        return world.plant.sample(CHANNELS, np.arange(start_ns, end_ns, 50_000, dtype=np.int64))

    for one, other in zip(run(SECOND), run(1_234_567), strict=True):
        assert (one == other).all()


def test_a_running_motor_costs_no_events():
    world = flying({"pitch.cut_off_s": 1e6})
    world.press("pitch.left.up")
    world.wait(0.3)
    begun = time.perf_counter()
    world.wait(5.0)
    assert time.perf_counter() - begun < 0.5
    assert TRIM_MOTOR.travel_rad > 5.0 * 690.0
