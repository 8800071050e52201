"""The hold-up output of the twin: what it draws, how long it holds, where it lets go, and how it comes back."""

import numpy as np
import pytest
from plant_world import (
    HOLD_UP_CURRENT,
    HOLD_UP_LOAD,
    HOLD_UP_OVERLOAD,
    HOLD_UP_VOLTAGE,
    PATH_RUN,
    SECOND,
    UNIT_VOLTAGE,
    World,
    pin_of,
)

EXACT = {"hold-up.droop_ohm": 0.0, "unit.ground_ohm": 0.0}


def loaded(quantities: dict[str, float] | None = None, *, voltage_v: float = 13.8) -> World:
    """Return a running unit with 50 W at its hold-up output (3.125 ohm at 12.5 V)."""
    world = World(EXACT | (quantities or {}))
    world.power_up(voltage_v)
    world.plant.set_digital_output(HOLD_UP_LOAD, True)
    world.wait(0.1)
    return world


def sampled(world: World, channel: int, begin_ns: int, rate_hz: float = 50e3) -> np.ndarray:
    times_ns = np.arange(begin_ns, world.plant.now_ns, round(SECOND / rate_hz), dtype=np.int64)
    return world.plant.sample([channel], times_ns)[0]


def step(world: World, voltage_v: float, wait_s: float = 0.3) -> None:
    world.plant.supply.set_voltage(voltage_v)
    world.wait(wait_s)


@pytest.mark.parametrize("voltage_v", [13.8, 8.0, 6.0])
def test_it_draws_its_power_over_its_efficiency_whatever_the_bus(voltage_v):
    world = loaded()
    step(world, voltage_v)
    pins_v = world.plant.unit_voltage_v()
    converter_a = world.plant.supply_current_a() - 0.15  # the logic's own
    assert converter_a * pins_v == pytest.approx(50.0 / 0.87, rel=2e-4)
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == pytest.approx(12.5)


def test_its_input_current_at_50_w_is_the_one_it_was_specified_with():
    # the model's own figures: 9.6 A at 6 V, 4.2 A at 13.8 V
    for voltage_v, current_a in ((6.0, 9.6), (13.8, 4.2)):
        world = loaded({"unit.quiescent_a": 0.0})
        step(world, voltage_v)
        assert world.plant.supply_current_a() == pytest.approx(current_a, abs=0.05)


def test_an_opened_input_is_ridden_through_as_long_as_the_energy_lasts():
    world = loaded()
    begin_ns = world.plant.now_ns
    world.plant.set_digital_output(PATH_RUN, False)
    world.wait(0.01)
    output_v, bus_v = sampled(world, HOLD_UP_VOLTAGE, begin_ns), sampled(world, UNIT_VOLTAGE, begin_ns)
    kept = np.flatnonzero(output_v < 12.4)[0] / 50e3
    # t = C (V1^2 - V2^2) / (2 P), 2.2 mF from 13.8 V to 5.4 V; the logic's 0.15 A taken at the mean voltage of the fall
    expected_s = 2.2e-3 * (13.8**2 - 5.4**2) / (2.0 * (50.0 / 0.87 + 0.15 * 9.9))
    assert kept == pytest.approx(expected_s, abs=4e-5)
    assert bus_v[np.flatnonzero(output_v < 12.4)[0]] == pytest.approx(5.4, abs=0.05)


def test_the_output_falls_by_its_own_capacitor_once_it_is_lost():
    world = loaded()
    world.plant.set_digital_output(PATH_RUN, False)
    world.wait(0.004)
    begin_ns = world.plant.now_ns
    world.wait(0.004)
    output_v = sampled(world, HOLD_UP_VOLTAGE, begin_ns)
    time_s = np.arange(output_v.size) / 50e3
    # an exponential with R C of 3.125 ohm and 470 uF
    expected_v = output_v[0] * np.exp(-time_s / (3.125 * 470e-6))
    assert np.max(np.abs(output_v - expected_v)) < 0.05


def test_it_lets_go_at_the_drop_out_and_comes_back_at_the_restart():
    world = loaded({"hold-up.drop_out_v": 5.4, "hold-up.restart_v": 7.0})
    for voltage_v, on in ((5.5, True), (5.3, False), (6.9, False), (7.1, True), (5.5, True)):
        step(world, voltage_v)
        assert world.plant.twin.hold_ups[0].on is on, voltage_v


def test_an_overload_makes_it_let_go_and_try_again_until_it_is_gone():
    world = loaded({"hold-up.limit_a": 5.5})
    world.plant.set_digital_output(HOLD_UP_OVERLOAD, True)
    begin_ns = world.plant.now_ns
    world.wait(0.35)
    assert not world.plant.twin.hold_ups[0].on
    assert sampled(world, HOLD_UP_CURRENT, begin_ns + SECOND // 20).max() < 5.5
    world.plant.set_digital_output(HOLD_UP_OVERLOAD, False)
    world.wait(0.2)
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == pytest.approx(12.5)


def test_it_is_on_before_the_firmware_and_gone_with_the_unit():
    world = World(EXACT | {"unit.ready_s": 5.0})
    world.power_up()
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == pytest.approx(12.5)
    world.plant.unplug_unit()
    world.wait(0.1)
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == 0.0


def test_a_dead_one_never_starts():
    world = loaded({"hold-up.dead": 1.0})
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == 0.0
    assert world.plant.supply_current_a() == pytest.approx(0.15)


def test_a_course_is_the_same_bits_however_time_is_cut():
    found = []
    for slices in (1, 7):
        world = loaded()
        begin_ns = world.plant.now_ns
        world.plant.set_digital_output(PATH_RUN, False)
        for _ in range(slices):
            world.wait(0.007 / slices)
        world.plant.advance_to(begin_ns + SECOND // 100)
        found.append(sampled(world, HOLD_UP_VOLTAGE, begin_ns))
    assert np.array_equal(*found)
