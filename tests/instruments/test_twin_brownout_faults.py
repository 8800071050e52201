"""What a unit may do wrongly once its bus is back, each fault alone, and that a good one does none of it."""

import numpy as np
import pytest
from plant_world import AXIS_VOLTAGE, CONFIGURATION_IDENTIFIER, DIMMER_VOLTAGE, STIMULI, World

from instruments.simulated.brownout_faults import BrownoutFaults, Pulse

LOCKED_V, RESET_V, BUS_V = 7.0, 3.0, 13.8
NONE = {"unit.forgets_settings": 0.0, "unit.hang_s": 0.0} | dict.fromkeys(
    ("pitch.twitch_s", "pitch.twitch_part", "pitch.resumes_s"), 0.0
)


def running(**quantities):
    world = World({name.replace("__", "."): value for name, value in quantities.items()})
    world.power_up(airspeed_kt=60.0)
    world.keep_flying(60.0, 30.0)
    return world


def dip(world, volts, held=None):
    """Have the bus down for 0.3 s, a switch held from before to after it."""
    if held is not None:
        world.press(held)
        world.wait(0.1)
    world.plant.supply.set_voltage(volts)
    world.wait(0.3)
    world.plant.supply.set_voltage(BUS_V)


def drives_within(world, duration_s):
    """Return for how long, of so many seconds, the pitch trim drives, in 5 ms means."""
    start_ns = world.plant.now_ns
    world.wait(duration_s)
    times = np.arange(start_ns, world.plant.now_ns, 250_000, dtype=np.int64)
    volts = world.plant.sample([AXIS_VOLTAGE["pitch"]], times)[0]
    means = volts[: volts.size // 20 * 20].reshape(-1, 20).mean(axis=1)
    return 0.005 * float(np.count_nonzero(np.abs(means) > 1.0))


@pytest.mark.parametrize("volts", [LOCKED_V, RESET_V])
def test_a_good_unit_rests_after_a_brownout_although_its_switch_is_held(volts):
    world = running()
    dip(world, volts, held="pitch.left.up")
    assert drives_within(world, 1.5) == 0.0


@pytest.mark.parametrize("volts", [LOCKED_V, RESET_V])
def test_a_twitch_comes_once_the_brownout_is_over_and_lasts_its_time(volts):
    world = running(pitch__twitch_s=0.05, pitch__twitch_part=100.0)
    dip(world, volts)
    assert drives_within(world, 1.5) == pytest.approx(0.05, abs=0.01)
    assert drives_within(world, 0.5) == 0.0


def test_a_twitch_comes_in_its_part_of_all_brownouts():
    faults = BrownoutFaults(["pitch"], NONE | {"pitch.twitch_s": 0.05, "pitch.twitch_part": 20.0}, seed=1)
    n = sum(bool(faults.over(after_reset=False)) for _ in range(1000))
    assert 150 < n < 250  # four standard deviations of a binomial of 1000 at 0.2


def test_only_what_drove_as_the_bus_fell_is_resumed_after_a_reset():
    faults = BrownoutFaults(["pitch"], NONE | {"pitch.resumes_s": 1.0}, seed=1)
    faults.begin({"pitch": -1})
    faults.begin({"pitch": 0})  # locked out, then reset
    assert faults.over(after_reset=True) == (Pulse("pitch", -1, 1_000_000_000),)
    assert faults.over(after_reset=True) == ()
    faults.begin({"pitch": 1})
    assert faults.over(after_reset=False) == ()


def test_a_drive_is_resumed_after_a_reset_although_its_switch_was_let_go():
    world = running(pitch__resumes_s=0.4)
    world.press("pitch.left.up")
    world.wait(0.1)
    world.plant.supply.set_voltage(RESET_V)
    world.wait(0.2)
    world.release("pitch.left.up")
    world.plant.supply.set_voltage(BUS_V)
    assert drives_within(world, 1.5) == pytest.approx(0.4, abs=0.02)


def test_settings_are_forgotten_with_the_first_reset_and_not_before():
    world = running(unit__forgets_settings=1.0)
    reported = []
    for volts in (LOCKED_V, RESET_V):
        dip(world, volts)
        world.wait(2.0)
        frames = [data for _, identifier, data in world.plant.take_frames() if identifier == CONFIGURATION_IDENTIFIER]
        reported.append(int.from_bytes(frames[-1][4:], "big"))
    assert reported[1] == reported[0] + 1


def test_a_hung_firmware_neither_reports_nor_drives_until_it_goes_on():
    world = running(unit__hang_s=2.0)
    dip(world, LOCKED_V)
    world.wait(0.1)
    world.plant.take_frames()
    world.press("pitch.left.up")
    assert drives_within(world, 1.5) == 0.0
    assert not world.plant.take_frames()
    assert drives_within(world, 1.0) > 0.3
    assert world.plant.take_frames()


def test_levels_are_taken_for_full_after_a_reset_until_the_wiper_moves():
    world = running(**{"rheostat-1__reset_travel": 100.0})

    def duty():
        start_ns = world.plant.now_ns
        world.wait(0.1)
        times = np.arange(start_ns, world.plant.now_ns, 20_000, dtype=np.int64)
        return float((world.plant.sample([DIMMER_VOLTAGE["dimmer-1"]], times)[0] > 7.0).mean())

    world.plant.set_analog_output(STIMULI["rheostat-1"], 2.5)
    world.wait(0.1)
    half = duty()
    dip(world, RESET_V)
    world.wait(1.0)
    assert (half, duty()) == (pytest.approx(0.51, abs=0.02), pytest.approx(1.0, abs=0.01))
    world.plant.set_analog_output(STIMULI["rheostat-1"], 2.4)
    world.wait(0.1)
    assert duty() < 0.6
