"""What shows warm, or now and then only: against first-order equations integrated step by step, and against chance."""

import math

import numpy as np
import pytest
from plant_world import HOLD_UP_LOAD, SECOND, World, pin_of

from instruments.simulated.discrete_inputs import DebouncedDiscrete
from instruments.simulated.parameters import DiscreteInput
from instruments.simulated.thermal import WarmPart

TAU_S = 120.0


def integrated(slope, duration_s, *, start=0.0, steps=2000):
    """Integrate y' = slope(y) by the classical fourth-order rule of Runge and Kutta: shares nothing with the twin."""
    h, y = duration_s / steps, start
    for _ in range(steps):
        one = slope(y)
        two = slope(y + 0.5 * h * one)
        three = slope(y + 0.5 * h * two)
        y += h / 6.0 * (one + 2.0 * two + 2.0 * three + slope(y + h * three))
    return y


def test_a_part_warms_and_cools_as_its_equation_says():
    part, rise_k, now_s = WarmPart(TAU_S), 0.0, 0.0
    for final_k, lasts_s in ((37.0, 60.0), (0.0, 45.0), (12.0, 200.0)):
        part.heat(round(now_s * SECOND), final_k)
        rise_k = integrated(lambda y, to=final_k: (to - y) / TAU_S, lasts_s, start=rise_k)
        now_s += lasts_s
        assert part.rise_k(round(now_s * SECOND)) == pytest.approx(rise_k, rel=1e-9)


@pytest.mark.parametrize(("final_k", "level_k"), [(10.0, 2.0), (-3.0, -1.0), (1e-3, 9.99e-4)])
def test_when_a_level_is_reached_it_stands_there(final_k, level_k):
    part = WarmPart(TAU_S)
    part.heat(0, final_k)
    due_ns = part.reaches_ns(level_k, 0)
    assert due_ns is not None
    assert part.rise_k(due_ns) == pytest.approx(level_k, rel=1e-6)


@pytest.mark.parametrize(("final_k", "level_k"), [(0.0, 1.0), (10.0, 10.0), (10.0, 11.0), (10.0, -1.0)])
def test_a_level_that_lies_not_on_its_way_is_never_reached(final_k, level_k):
    part = WarmPart(TAU_S)
    part.heat(0, final_k)
    assert part.reaches_ns(level_k, 0) is None


def held_v(world):
    return world.plant.pin_voltage_v(pin_of("hold-up"))


def soaked(**changes):
    world = World({"hold-up.droop_ohm": 0.0, "unit.ground_ohm": 0.0} | changes)
    world.power_up()
    world.plant.set_digital_output(HOLD_UP_LOAD, True)
    world.wait(0.01)  # the dip of the load step is over
    return world


def test_a_converter_that_warms_takes_its_level_along():
    world = soaked(**{"hold-up.level_per_k": -0.15})
    begin_v = held_v(world)
    world.wait(59.99)

    def slope(rise_k):  # 50 W at 12.5 V into 3.125 ohm, 87 %, 5 K/W; what it loses falls with its level
        level_v = 12.5 * (1.0 - 0.0015 * rise_k)
        return (5.0 * level_v**2 / 3.125 * (1.0 / 0.87 - 1.0) - rise_k) / TAU_S

    rise_k = integrated(slope, 60.0)
    assert rise_k == pytest.approx(14.3, abs=0.2)
    # Its level is followed once a second: late by half a second's rise on average, by a whole one at most.
    assert begin_v - held_v(world) == pytest.approx(12.5 * 0.0015 * rise_k, rel=0.015)
    world.plant.set_digital_output(HOLD_UP_LOAD, False)
    world.wait(600.0)
    assert held_v(world) == pytest.approx(12.5, abs=2e-3)


def test_a_converter_without_a_drift_stays_where_it_is():
    world = soaked()
    begin_v = held_v(world)
    world.wait(600.0)
    assert held_v(world) == begin_v


def driven(open_at_k, k_per_w=600.0):
    world = World({"pitch.open_at_k": open_at_k, "pitch.driver_k_per_w": k_per_w, "unit.ground_ohm": 0.0})
    world.power_up()
    world.keep_flying(60.0, 5.0)
    world.load("pitch")
    world.press("pitch.left.up")
    return world


def test_a_cracked_joint_opens_warm_and_closes_cool_while_its_switch_is_held():
    world = driven(2.0)
    world.wait(0.05)
    assert world.plant.motor_voltage_v("pitch") > 13.0
    begin_ns = world.plant.now_ns
    while world.plant.motor_voltage_v("pitch") > 13.0:
        world.wait(0.01)
    opened_s = (world.plant.now_ns - begin_ns) / SECOND
    # 13.8 V through 9.2 ohm heats 0.2 ohm with 0.45 W: 270 K in the end, so 2 K after 0.89 s.
    final_k = 600.0 * 0.2 * (13.8 / 9.2) ** 2
    assert opened_s == pytest.approx(-TAU_S * math.log(1.0 - 2.0 / final_k), abs=0.06)
    assert world.plant.motor_voltage_v("pitch") == pytest.approx(0.0, abs=0.01)
    world.wait(0.5)
    world.release("pitch.left.up")
    world.press("pitch.left.down")
    world.wait(0.2)
    assert world.plant.motor_voltage_v("pitch") < -13.0  # the other way it drives


def test_a_whole_joint_never_opens():
    world = driven(0.0, k_per_w=1e6)
    world.wait(3.0)
    assert world.plant.motor_voltage_v("pitch") > 13.0


def resets_after(duration_s, *, per_hour=3600.0, seed=1, slice_s=10.0):
    world = World({"unit.watchdog_per_hour": per_hour}, seed=seed)
    world.power_up()
    for _ in range(round(duration_s / slice_s)):
        world.wait(slice_s)
    return world.plant.twin.resets


def test_a_watchdog_bites_at_its_rate_and_by_the_seed_alone():
    counts = [resets_after(100.0, seed=seed) for seed in range(2)]
    # Once a second, and 0.6 s to start again: 62 or 63 in 100 s, scattered by sqrt(100 * 1.0 / 1.6**3) = 5.
    assert counts == pytest.approx([62.5, 62.5], abs=4 * 5)
    assert counts[0] != counts[1]
    assert resets_after(100.0, seed=0, slice_s=0.5) == counts[0]


def test_a_sound_watchdog_never_bites():
    assert resets_after(100.0, per_hour=0.0) == 0


def toggled(chance, changes, *, restarts=False):
    """Return after how many of so many changes the contact was lost."""
    parameters = DiscreteInput(name="discrete-1", pin="P1-1", active_low=True, report_identifier=1)
    discrete = DebouncedDiscrete(
        parameters=parameters,
        active_v=1.6,
        inactive_v=2.6,
        scans=1,
        stuck=0,
        drop_out_scans=3,
        drop_out_chance=chance,
        seed=7,
    )
    lost = []
    for number in range(changes):
        if restarts:
            discrete.changes = 0
        discrete.scan(0.0 if number % 2 == 0 else 5.0)
        lost.append(discrete.lost_scans > 0)
        discrete.lost_scans = 0
    return lost


def test_a_contact_is_lost_by_chance_and_a_restart_does_not_begin_the_chance_anew():
    lost = toggled(0.2, 1000)
    assert sum(lost) == pytest.approx(200, abs=4 * math.sqrt(1000 * 0.2 * 0.8))
    assert toggled(0.2, 1000, restarts=True) == lost
    gaps = np.diff(np.flatnonzero(lost))
    assert gaps.std() > 0.5 * gaps.mean()  # of chance they scatter as widely as they are apart
    assert not any(toggled(0.0, 100))
