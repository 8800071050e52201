"""Defects of what feeds the unit, in the plant: bus switch, contactor, folding back, missing clamp, unsteady load."""

from dataclasses import replace

import numpy as np
import plant_world as pw
import pytest

from instruments.simulated.parameters import DigitalOutputParameters
from instruments.simulated.plant import Plant
from instruments.simulated.port import LoadMode

DIP_OUTPUT = 99
MS = pw.MILLISECOND


def plant_with(*, path=None, relay=None, **supply):
    """Return a plant at 14 V into 1.4 ohm at the plug, with a dip source at 5 V; `relay` spoils that of `run`."""
    bench, twin = pw.dotterel_parameters(**supply)
    outputs = {
        **bench.daq.digital_outputs,
        DIP_OUTPUT: DigitalOutputParameters(action="path", target="dip source"),
        pw.PATH_RUN: replace(bench.daq.digital_outputs[pw.PATH_RUN], **(relay or {})),
    }
    series_ohm = {**bench.path.series_ohm, "dip source": 0.0}
    plant = Plant(
        replace(
            bench,
            daq=replace(bench.daq, digital_outputs=outputs),
            path=replace(bench.path, series_ohm=series_ohm, **(path or {})),
            dip_source=bench.supply,
        ),
        twin,
        seed=1,
    )
    plant.set_watchdog(True)
    plant.set_digital_output(pw.PLUG_LOAD, True)
    for source, volts in ((plant.supply, 14.0), (plant.dip_source, 5.0)):
        source.set_current_limit(12.0)
        source.set_voltage(volts)
        source.set_output(True)
    plant.advance_to(500 * MS)
    return plant


def volts_at_plug(plant, from_ns, to_ns, step_ns=20_000):
    """Return the volts at the plug on a grid of 20 us."""
    plant.advance_to(to_ns)
    return plant.sample([pw.UNIT_VOLTAGE], np.arange(from_ns, to_ns, step_ns, dtype=np.int64))[0]


def made(plant, output, for_ms=20):
    """Return the volts at the plug from when a position is told to make."""
    began_ns = plant.now_ns
    plant.set_digital_output(output, True)
    return volts_at_plug(plant, began_ns, began_ns + for_ms * MS)


def test_a_switch_that_is_late_makes_late():
    volts = made(plant_with(path={"break_s": 0.005}), pw.PATH_RUN)
    assert float(np.argmax(volts > 7.0)) * 0.02 == pytest.approx(5.0, abs=0.05)
    assert volts[-1] == pytest.approx(14.0, abs=0.03)


def test_a_switch_that_bounces_comes_apart_three_times():
    volts = made(plant_with(path={"break_s": 50e-6, "bounce_s": 0.001}), pw.PATH_RUN)
    high = volts > 7.0
    assert np.count_nonzero(high[1:] & ~high[:-1]) == 4
    assert np.count_nonzero(~high) * 0.02 == pytest.approx(3.05, abs=0.1)
    assert volts[-1] == pytest.approx(14.0, abs=0.03)


def test_a_position_that_never_makes_leaves_the_plug_dead():
    assert made(plant_with(relay={"dead": True}), pw.PATH_RUN).max() < 0.01


def test_welded_to_the_supply_it_stays_there_and_the_dip_source_changes_next_to_nothing():
    plant = plant_with(relay={"welded": True})
    made(plant, pw.PATH_RUN)
    plant.set_digital_output(pw.PATH_RUN, False)
    assert made(plant, DIP_OUTPUT).min() > 13.7
    plant.set_watchdog(False)
    assert made(plant, DIP_OUTPUT)[1:].max() < 0.01  # the contactor still parts them


def test_sound_it_follows_the_dip_source():
    plant = plant_with()
    made(plant, pw.PATH_RUN)
    plant.set_digital_output(pw.PATH_RUN, False)
    assert made(plant, DIP_OUTPUT)[-1] == pytest.approx(5.0 * 1.4 / 1.418, abs=0.03)


def test_a_contactor_that_chatters_lets_go_now_and_then_for_as_long_as_it_is_held():
    plant = plant_with(path={"chatter_s": 0.008})
    volts = made(plant, pw.PATH_RUN, for_ms=3000)
    down = volts[2000:] < 7.0
    assert np.count_nonzero(down[1:] & ~down[:-1]) == 4
    assert np.count_nonzero(down) * 0.02 == pytest.approx(4 * 8.0, abs=0.5)
    plant.set_watchdog(False)
    assert volts_at_plug(plant, plant.now_ns, plant.now_ns + 1500 * MS, MS)[1:].max() < 0.01


def test_a_supply_that_folds_back_stays_at_little_until_it_is_unloaded():
    plant = plant_with(folds_back_to=0.1)
    made(plant, pw.PATH_RUN)
    plant.supply.set_current_limit(8.0)  # 10 A flow
    volts = volts_at_plug(plant, plant.now_ns, plant.now_ns + 10 * MS)
    assert volts[-1] == pytest.approx(0.1 * 8.0 * 1.4, rel=0.01)
    plant.supply.set_current_limit(12.0)
    assert volts_at_plug(plant, plant.now_ns, plant.now_ns + 10 * MS)[-1] == pytest.approx(1.2 * 1.4, rel=0.01)
    plant.set_digital_output(pw.PLUG_LOAD, False)
    plant.advance_to(plant.now_ns + 100 * MS)
    plant.set_digital_output(pw.PLUG_LOAD, True)
    assert volts_at_plug(plant, plant.now_ns, plant.now_ns + 10 * MS)[-1] == pytest.approx(14.0, abs=0.03)


@pytest.mark.parametrize(("given_back_a", "trips"), [(0.0, False), (8.0, True)])
def test_a_motor_that_stops_trips_over_voltage_where_no_clamp_takes_what_it_gives_back(given_back_a, trips):
    bench, twin = pw.dotterel_parameters()
    world = pw.World()
    world.plant = Plant(replace(bench, path=replace(bench.path, given_back_a=given_back_a)), twin, seed=1)
    world.plant.set_watchdog(True)
    world.plant.supply.set_overvoltage(18.0)
    world.power_up()
    world.load_motor("pitch")
    world.press("pitch.left.up")
    world.wait(0.3)
    assert not world.plant.supply.overvoltage_tripped
    world.release("pitch.left.up")
    world.wait(0.3)
    assert world.plant.supply.overvoltage_tripped is trips


def test_a_load_that_oscillates_swings_about_its_mean_which_its_own_meter_shows():
    bench, twin = pw.dotterel_parameters()
    world = pw.World()
    world.plant = Plant(replace(bench, electronic_load=replace(bench.electronic_load, swings_by=0.2)), twin, seed=1)
    world.plant.set_watchdog(True)
    world.power_up()
    world.draw(LoadMode.CURRENT, 2.0, where="plug")
    world.wait(0.1)
    began_ns = world.plant.now_ns
    world.wait(0.05)
    (amps,) = world.plant.sample([pw.UNIT_CURRENT], np.arange(began_ns, world.plant.now_ns, 20_000, dtype=np.int64))
    idle_a = amps.mean() - 2.0
    assert (amps.max() - idle_a, amps.min() - idle_a) == (pytest.approx(2.4, abs=0.05), pytest.approx(1.6, abs=0.05))
    assert world.plant.load.read_current_a() == pytest.approx(2.0, abs=1e-6)
