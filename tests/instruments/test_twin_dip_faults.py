"""A twin that a dip hangs, and one that stays down after a reset: where they do, where not, and what frees them."""

import pytest
from plant_world import World

from instruments.simulated.twin import PowerState

HANGS = {"unit.dip_hang_v": 7.5, "unit.dip_hang_from_s": 0.060, "unit.dip_hang_to_s": 0.120}
LATCHES = {"unit.latch_low_v": 2.3, "unit.latch_high_v": 2.9, "unit.latch_s": 0.5}


def dipped(quantities: dict[str, float], volts: float, time_s: float) -> World:
    """Return a running unit after a dip of its bus, back at 13.8 V for a second and a half."""
    world = World(quantities)
    world.power_up(13.8)
    for level_v, stays_s in ((volts, time_s), (13.8, 1.5)):
        world.plant.supply.set_voltage(level_v)
        world.wait(stays_s)
    return world


# The supply falls at 100 V/s and rises at 200 V/s: below 7.5 V a dip is 12 ms shorter at 5.5 V than what it is told.
@pytest.mark.parametrize(
    ("volts", "time_s", "works"),
    [
        (5.5, 0.120, False),
        (8.0, 0.120, True),
        (5.5, 0.060, True),
        (5.5, 0.500, True),
    ],
)
def test_a_dip_hangs_the_firmware_only_below_its_voltage_and_within_its_time(volts, time_s, works):
    world = dipped(HANGS, volts, time_s)
    assert world.plant.twin.works is works
    assert world.plant.twin.powered


def test_a_hung_unit_works_again_once_it_was_reset():
    world = dipped(HANGS, 5.5, 0.120)
    for level_v in (3.0, 13.8):
        world.plant.supply.set_voltage(level_v)
        world.wait(1.0)
    assert world.plant.twin.works
    assert world.plant.twin.resets == 1


@pytest.mark.parametrize(
    ("volts", "time_s", "state"),
    [
        (2.6, 1.0, PowerState.HELD_IN_RESET),
        (3.2, 1.0, PowerState.RUNNING),
        (2.0, 1.0, PowerState.RUNNING),
        (2.6, 0.2, PowerState.RUNNING),
        (0.5, 1.0, PowerState.RUNNING),
    ],
)
def test_a_unit_stays_down_only_where_it_was_left_in_the_band(volts, time_s, state):
    assert dipped(LATCHES, volts, time_s).plant.twin.state is state


def test_a_unit_that_stayed_down_starts_from_a_dead_bus():
    world = dipped(LATCHES, 2.6, 1.0)
    for level_v in (0.0, 13.8):
        world.plant.supply.set_voltage(level_v)
        world.wait(1.0)
    assert world.plant.twin.state is PowerState.RUNNING


def test_a_good_unit_does_neither():
    assert dipped({}, 5.5, 0.120).plant.twin.works
    assert dipped({}, 2.6, 1.0).plant.twin.works
