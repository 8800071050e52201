"""The electronic load in the plant: what it draws of an output and at the plug, against hand calculation and scipy."""

import numpy as np
import plant_world as pw
import pytest
from scipy.integrate import solve_ivp

from instruments.simulated.port import LoadMode

AXIS, UP, DOWN = "pitch", "pitch.left.up", "pitch.left.down"


def driven(quantities=None, switch=UP, **supply):
    world = pw.World(quantities, **supply)
    world.power_up()
    world.press(switch)
    world.wait(0.1)
    return world


def test_a_constant_current_is_drawn_whatever_the_bus_stands_at():
    world = driven()
    world.draw(LoadMode.CURRENT, 1.5, where=AXIS)
    world.wait(0.01)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(1.5, rel=1e-9)
    assert world.plant.motor_voltage_v(AXIS) == pytest.approx(world.plant.unit_voltage_v() - 1.5 * 0.2, abs=0.03)
    world.plant.supply.set_voltage(11.0)
    world.keep_flying(60.0, 0.2)
    world.wait(0.2)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(1.5, rel=1e-6)


def test_what_it_draws_of_an_output_is_drawn_of_the_bus():
    world = driven()
    before_a = world.plant.supply_current_a()
    world.draw(LoadMode.CURRENT, 2.0, where=AXIS)
    world.wait(0.05)
    assert world.plant.supply_current_a() - before_a == pytest.approx(2.0, abs=1e-3)


def test_constant_power_takes_the_power_at_its_own_terminals():
    world = driven()
    world.draw(LoadMode.POWER, 20.0, where=AXIS)
    world.wait(0.01)
    assert world.plant.motor_voltage_v(AXIS) * world.plant.motor_current_a(AXIS) == pytest.approx(20.0, rel=1e-6)


def test_constant_resistance_is_a_resistor():
    world = driven()
    world.draw(LoadMode.RESISTANCE, 7.0, where=AXIS)
    world.wait(0.01)
    assert world.plant.motor_voltage_v(AXIS) / world.plant.motor_current_a(AXIS) == pytest.approx(7.0, rel=1e-9)


def test_beside_a_resistor_it_draws_its_own_current():
    world = driven()
    world.load(AXIS)
    world.draw(LoadMode.CURRENT, 1.0, where=AXIS)
    world.wait(0.01)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(1.0 + world.plant.motor_voltage_v(AXIS) / 9.0, rel=1e-9)


def test_the_current_slews_from_nothing():
    world = driven()
    start_s = world.plant.now_ns / pw.SECOND
    world.draw(LoadMode.CURRENT, 3.0, where=AXIS)
    world.wait(0.002)
    (current,) = world.plant.sample([pw.AXIS_CURRENT[AXIS]], world.times(start_s, start_s + 0.001))
    times_s = np.arange(len(current)) / 50e3
    ideal = np.minimum(10e3 * times_s, 3.0)
    assert np.all(np.abs(current - ideal) <= 10e3 * 100e-6 + 1e-9)  # a look of the loop late, at most
    assert np.all(np.diff(current) >= -0.01)  # the bus gives a little


@pytest.mark.parametrize(
    ("switch", "reverse", "draws"), [(UP, False, 1), (DOWN, True, -1), (UP, True, 0), (DOWN, False, 0)]
)
def test_only_the_right_way_round_it_draws(switch, reverse, draws):
    world = driven(switch=switch)
    world.draw(LoadMode.CURRENT, 1.0, where=AXIS, reverse=reverse)
    world.wait(0.01)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(draws * 1.0, abs=1e-9)
    assert world.plant.load.reversed() is (draws == 0)


def test_it_draws_nothing_of_an_output_that_rests_and_begins_from_nothing_when_it_drives():
    world = pw.World()
    world.power_up()
    world.draw(LoadMode.CURRENT, 1.0, where=AXIS)
    world.wait(0.05)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(0.0, abs=1e-12)
    start_s = world.plant.now_ns / pw.SECOND
    world.press(UP)
    world.wait(0.1)
    (current,) = world.plant.sample([pw.AXIS_CURRENT[AXIS]], world.times(start_s, start_s + 0.09))
    assert current[-1] == pytest.approx(1.0)
    assert current.max() <= 1.0 + 1e-6


def test_disarmed_it_draws_nothing():
    world = driven()
    world.draw(LoadMode.CURRENT, 1.0, where=AXIS)
    world.wait(0.01)
    world.plant.set_digital_output(pw.ARM, False)
    assert world.plant.motor_current_a(AXIS) == 0.0


def test_its_meters_show_what_flows_and_stands():
    world = driven()
    world.draw(LoadMode.CURRENT, 1.2, where=AXIS)
    world.wait(0.01)
    assert world.plant.load.read_current_a() == pytest.approx(1.2)
    assert world.plant.load.read_voltage_v() == pytest.approx(world.plant.motor_voltage_v(AXIS), abs=1e-6)


def test_more_power_than_it_is_rated_for_trips_it():
    world = driven()
    world.plant.load.parameters = world.plant.load.parameters.__class__(
        max_current_a=30.0, max_power_w=10.0, least_ohm=0.05, slew_a_per_s=10e3
    )
    world.draw(LoadMode.CURRENT, 2.0, where=AXIS)
    world.wait(0.01)
    assert world.plant.load.protection_tripped
    assert not world.plant.load.input_on
    assert world.plant.motor_current_a(AXIS) == pytest.approx(0.0, abs=1e-12)


def test_at_the_plug_it_draws_of_the_supply_and_never_below_nothing():
    world = pw.World()
    world.plant.supply.set_current_limit(20.0)
    world.plant.set_digital_output(pw.PATH_RUN, True)
    world.plant.supply.set_voltage(13.8)
    world.plant.supply.set_output(True)
    world.wait(0.2)
    world.draw(LoadMode.CURRENT, 3.0, where="plug")
    world.wait(0.01)
    assert world.plant.supply_current_a() == pytest.approx(3.0, rel=1e-6)
    start_s = world.plant.now_ns / pw.SECOND
    world.plant.set_digital_output(pw.PATH_RUN, False)
    world.wait(0.01)
    (volts,) = world.plant.sample([pw.UNIT_VOLTAGE], world.times(start_s, start_s + 0.009))
    assert volts.min() >= 0.0
    assert volts[-1] < 0.01


def test_a_bus_that_a_limited_supply_loses_to_it_falls_as_scipy_has_it():
    """The same circuit as differential equation: supply limited at 1 A, 2.2 mF, a current that slews and saturates."""
    world = driven({"unit.quiescent_a": 0.0, "unit.reset_v": 0.05, "unit.lockout_v": 0.03, "unit.release_v": 0.04})
    world.plant.supply.set_current_limit(1.0)
    world.wait(0.01)
    world.draw(LoadMode.CURRENT, 3.0, where=AXIS)
    began_ns = world.plant.now_ns
    world.wait(0.020)
    times_ns = began_ns + np.arange(0, 20_000_000, 100_000)
    volts, amps = world.plant.sample([pw.UNIT_VOLTAGE, pw.AXIS_CURRENT[AXIS]], times_ns)

    def drawn_a(time_s, voltage_v):
        return min(10e3 * time_s, 3.0, voltage_v / (0.2 + 0.05))  # bridge, and load fully on

    def fall(time_s, state):
        drawn = drawn_a(time_s, state[0])
        return [(min(1.0, drawn) - drawn) / 2.2e-3]

    seconds = (times_ns - began_ns) / 1e9
    solved = solve_ivp(fall, (0.0, seconds[-1]), [13.8], t_eval=seconds, max_step=2e-5, rtol=1e-8)
    assert solved.y[0].min() < 0.3  # it saturates on the way
    assert volts == pytest.approx(solved.y[0], abs=0.15)
    ideal = np.array([drawn_a(time_s, voltage_v) for time_s, voltage_v in zip(seconds, solved.y[0], strict=True)])
    a_look_late = 3.0 * (2.0 / 2.2e-3 * 200e-6) / solved.y[0] + 0.02  # what the bus moves meanwhile, as part of it
    assert np.all(np.abs(amps - ideal)[seconds > 0.001] <= a_look_late[seconds > 0.001])


@pytest.mark.parametrize(("drawn_a", "trips"), [(2.9, False), (3.1, True)])
def test_a_bridge_trips_from_its_threshold_on_after_its_time_and_until_it_is_pressed_anew(drawn_a, trips):
    world = driven({"pitch.trip_a": 3.0, "pitch.trip_s": 0.1})
    world.draw(LoadMode.CURRENT, drawn_a, where=AXIS)
    world.wait(0.099)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(drawn_a)
    world.wait(0.003)
    assert (world.plant.motor_voltage_v(AXIS) < 0.1) is trips
    world.wait(0.2)
    assert (world.plant.motor_voltage_v(AXIS) < 0.1) is trips
    world.plant.load.set_input(False)
    world.release(UP)
    world.wait(0.1)
    world.press(UP)
    world.wait(0.1)
    assert world.plant.motor_voltage_v(AXIS) > 13.0


def test_a_shorter_overload_trips_nothing():
    world = driven({"pitch.trip_a": 3.0, "pitch.trip_s": 0.1})
    world.draw(LoadMode.CURRENT, 4.0, where=AXIS)
    world.wait(0.05)
    world.plant.load.set_level(LoadMode.CURRENT, 1.0)
    world.wait(0.2)
    assert world.plant.motor_current_a(AXIS) == pytest.approx(1.0)
