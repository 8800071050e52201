"""The hold-up output of the twin: what it draws, how long it holds, where it lets go, and how it comes back."""

from dataclasses import replace

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
    dotterel_parameters,
    pin_of,
)
from scipy.integrate import solve_ivp

from instruments.simulated.plant import Plant
from instruments.simulated.port import LoadMode

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


def test_with_the_input_open_the_bus_falls_as_an_integrator_has_it_and_the_output_is_lost_at_the_drop_out():
    world = loaded()
    begin_ns, begin_v = world.plant.now_ns, world.plant.unit_voltage_v()
    world.plant.set_digital_output(PATH_RUN, False)
    world.wait(0.004)
    found_v = sampled(world, UNIT_VOLTAGE, begin_ns)
    times_s = np.arange(found_v.size) / 50e3

    def slope(_: float, volts: np.ndarray) -> list[float]:  # the sheet's 2.2 mF, 50 W at 87 %, 0.15 A of logic
        return [-(50.0 / 0.87 / volts[0] + 0.15) / 2.2e-3]

    def drops_out(_: float, volts: np.ndarray) -> float:
        return float(volts[0] - 5.4)

    drops_out.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(slope, (0.0, 0.004), [begin_v], events=drops_out, dense_output=True, rtol=1e-10, atol=1e-10)
    lost_s = float(solved.t_events[0][0])
    falling = times_s < lost_s
    assert np.max(np.abs(found_v[falling] - solved.sol(times_s[falling])[0])) < 5e-3
    output_v = sampled(world, HOLD_UP_VOLTAGE, begin_ns)
    assert float(np.argmax(output_v < 12.4)) / 50e3 == pytest.approx(lost_s, abs=40e-6)


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


def test_a_resistor_that_comes_on_dips_it_and_it_recovers():
    world = loaded({"hold-up.limit_a": 20.0})
    begin_ns = world.plant.now_ns
    world.plant.set_digital_output(HOLD_UP_OVERLOAD, True)
    world.wait(0.01)
    output_v, amps = sampled(world, HOLD_UP_VOLTAGE, begin_ns), sampled(world, HOLD_UP_CURRENT, begin_ns)
    assert 0.3 < 12.5 - output_v.min() < 0.9
    assert output_v[-1] == pytest.approx(12.5, abs=1e-5)
    assert amps == pytest.approx(output_v * (1.0 / 3.125 + 1.0 / 2.0))


@pytest.mark.parametrize(
    ("mode", "level", "current_a"),
    [(LoadMode.CURRENT, 3.6, 3.6), (LoadMode.POWER, 50.0, 4.0), (LoadMode.RESISTANCE, 5.0, 2.5)],
)
def test_the_electronic_load_draws_what_it_is_set_to_there_too(mode, level, current_a):
    world = World(EXACT)
    world.power_up()
    world.draw(mode, level, where="hold-up")
    begin_ns = world.plant.now_ns
    world.wait(0.02)
    assert sampled(world, HOLD_UP_CURRENT, begin_ns)[-1] == pytest.approx(current_a, rel=1e-6)
    assert world.plant.load is not None
    assert world.plant.load.read_current_a() == pytest.approx(current_a, rel=1e-6)
    assert sampled(world, HOLD_UP_VOLTAGE, begin_ns).min() < 12.5 - 0.02  # the step dipped it


def test_an_electronic_load_beside_a_resistor_adds_its_current():
    world = loaded()
    world.draw(LoadMode.CURRENT, 1.0, where="hold-up")
    world.wait(0.02)
    assert now(world, HOLD_UP_CURRENT) == pytest.approx(5.0, rel=1e-6)


@pytest.mark.parametrize(("latches", "there_v"), [(0.0, 12.5), (1.0, 0.0)])
def test_a_current_above_the_limit_is_refused_until_it_is_gone_and_a_latch_holds(latches, there_v):
    world = World(EXACT | {"hold-up.limit_a": 5.5, "hold-up.latches": latches})
    world.power_up()
    world.draw(LoadMode.CURRENT, 5.4, where="hold-up")
    world.wait(0.05)
    assert world.plant.twin.hold_ups[0].on
    world.draw(LoadMode.CURRENT, 6.0, where="hold-up")
    begin_ns = world.plant.now_ns
    world.wait(0.45)
    amps = sampled(world, HOLD_UP_CURRENT, begin_ns)
    assert amps.max() < 6.1  # at the first its own capacitor gives what the load wants
    assert amps[250:].mean() < 0.1
    tries = np.flatnonzero((amps[1:] > 1.0) & (amps[:-1] <= 1.0)).size
    assert tries == (0 if latches else 4)
    assert world.plant.load is not None
    world.plant.load.set_input(False)
    world.wait(0.3)
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == pytest.approx(there_v, abs=0.5 if latches else 1e-6)
    step(world, 0.0, 1.0)
    step(world, 13.8, 1.0)
    assert world.plant.pin_voltage_v(pin_of("hold-up")) == pytest.approx(12.5)


def test_constant_power_from_nothing_keeps_it_from_starting_until_it_is_taken_away():
    world = World(EXACT)
    world.power_up()
    world.draw(LoadMode.POWER, 50.0, where="hold-up")
    world.wait(0.02)
    step(world, 0.0, 1.0)
    assert now(world, HOLD_UP_CURRENT) == pytest.approx(0.0, abs=1e-6)
    begin_ns = world.plant.now_ns
    step(world, 13.8, 1.0)
    assert sampled(world, HOLD_UP_VOLTAGE, begin_ns).max() < 9.0  # the less there is, the more it wants
    assert world.plant.load is not None
    world.plant.load.set_input(False)
    world.wait(0.2)
    assert now(world, HOLD_UP_VOLTAGE) == pytest.approx(12.5)


def test_it_comes_up_beyond_its_level_by_its_overshoot():
    world = loaded({"hold-up.overshoot_v": 0.5})
    world.plant.set_digital_output(PATH_RUN, False)
    world.wait(0.02)
    begin_ns = world.plant.now_ns
    world.plant.set_digital_output(PATH_RUN, True)
    world.wait(0.05)
    assert sampled(world, HOLD_UP_VOLTAGE, begin_ns).max() == pytest.approx(13.0, abs=0.03)
    assert now(world, HOLD_UP_VOLTAGE) == pytest.approx(12.5, abs=1e-5)


@pytest.mark.parametrize(("low_bus_a", "there"), [(2.6, False), (20.0, True)])
def test_a_switch_that_limits_early_on_a_low_bus_gives_its_load_up_there_and_takes_it_again_above(low_bus_a, there):
    world = loaded({"hold-up.low_bus_limit_a": low_bus_a})
    step(world, 7.2)
    assert world.plant.twin.hold_ups[0].on
    begin_ns = world.plant.now_ns
    step(world, 6.4)
    assert bool(sampled(world, HOLD_UP_VOLTAGE, begin_ns)[-5000:].min() > 12.0) is there
    step(world, 8.0)
    assert now(world, HOLD_UP_VOLTAGE) == pytest.approx(12.5)


def test_its_ripple_is_a_sine_of_its_peak_to_peak_value_and_the_current_has_it_too():
    world = loaded({"hold-up.ripple_v": 0.2, "hold-up.ripple_hz": 1230.0})
    begin_ns = world.plant.now_ns
    world.wait(0.2)
    output_v, amps = sampled(world, HOLD_UP_VOLTAGE, begin_ns), sampled(world, HOLD_UP_CURRENT, begin_ns)
    assert np.ptp(output_v) == pytest.approx(0.2, abs=0.001)
    assert amps == pytest.approx(output_v / 3.125)
    spectrum = np.abs(np.fft.rfft(output_v - output_v.mean()))
    assert np.argmax(spectrum) / 0.2 == pytest.approx(1230.0, abs=5.0)


def test_a_source_at_the_output_of_a_dead_unit_gives_next_to_nothing_and_none_of_it_to_the_bus():
    world = fed()
    assert now(world, HOLD_UP_VOLTAGE) == pytest.approx(12.5 * 1000.0 / 1100.0, rel=1e-6)
    assert now(world, HOLD_UP_CURRENT) == pytest.approx(-12.5 / 1100.0, rel=1e-6)
    assert now(world, UNIT_VOLTAGE) == pytest.approx(0.0, abs=1e-3)


def test_with_its_blocking_lost_the_source_feeds_the_bus_as_the_circuit_says():
    world = fed({"hold-up.back_s": 2.0})
    # 12.5 V through 100 ohm, 1 kohm to ground; 0.7 V and 0.5 ohm on to the bus, there 100 ohm and the unit's 0.1 mA/V
    nodes = np.array(
        [[1.0 / 100.0 + 1.0 / 1000.0 + 1.0 / 0.5, -1.0 / 0.5], [-1.0 / 0.5, 1.0 / 0.5 + 1.0 / 100.0 + 1e-4]]
    )
    output_v, bus_v = np.linalg.solve(nodes, (12.5 / 100.0 + 0.7 / 0.5, -0.7 / 0.5))
    assert now(world, HOLD_UP_VOLTAGE) == pytest.approx(output_v, rel=1e-6)
    assert now(world, UNIT_VOLTAGE) == pytest.approx(bus_v, rel=1e-4)
    assert now(world, HOLD_UP_CURRENT) == pytest.approx(-(12.5 - output_v) / 100.0, rel=1e-6)
    assert world.plant.dip_source is not None
    world.plant.dip_source.set_output(False)
    world.wait(5.0)
    assert now(world, UNIT_VOLTAGE) == pytest.approx(0.0, abs=0.01)


def fed(quantities: dict[str, float] | None = None) -> World:
    """Return an unpowered unit with the dip source's 12.5 V at its hold-up output through 100 ohm."""
    bench, twin = dotterel_parameters(EXACT | (quantities or {}))
    bench = replace(
        bench,
        dip_source=bench.supply,
        loads_ohm={**bench.loads_ohm, "hold-up": {"2.0 ohm": 100.0}},
        loads_to_dip_source=frozenset({("hold-up", "2.0 ohm")}),
    )
    world = World()
    world.plant = Plant(bench, twin, 1)
    world.plant.plug_unit()
    assert world.plant.dip_source is not None
    world.plant.set_digital_output(HOLD_UP_OVERLOAD, True)
    world.plant.dip_source.set_current_limit(1.0)
    world.plant.dip_source.set_voltage(12.5)
    world.plant.dip_source.set_output(True)
    world.wait(3.0)
    return world


def now(world: World, channel: int) -> float:
    """Return what an input shows now."""
    return float(world.plant.sample([channel], np.array([world.plant.now_ns]))[0][0])
