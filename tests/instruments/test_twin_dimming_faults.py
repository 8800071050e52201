"""The twin's dimming in depth: what can be wrong with a level, loads and shorts, ripple, feeds, open wipers."""

from dataclasses import replace

import numpy as np
import pytest
from plant_world import ARM, DIMMER_VOLTAGE, STIMULI, World, dotterel_bench, dotterel_twin

from instruments.simulated.parameters import DigitalOutputParameters
from instruments.simulated.plant import Plant

RATED, SHORT, FEED = 50, 51, 52
BUS_V = 13.8


class LoadedWorld(World):
    """A world with a rated load, a short and a feed from the reference on one dimmer."""

    def __init__(self, dimmer, quantities=None, **rheostat):
        super().__init__()
        bench, twin = dotterel_bench(), dotterel_twin(quantities)
        positions = {"18.5 ohm": 18.5, "0.5 ohm": 0.5, "10 kohm": 10_000.0}
        digital = dict(bench.daq.digital_outputs)
        for output, position in zip((RATED, SHORT, FEED), positions, strict=True):
            digital[output] = DigitalOutputParameters(action="load", target=dimmer, position=position)
        bench = replace(
            bench,
            daq=replace(bench.daq, digital_outputs=digital),
            loads_ohm={**bench.loads_ohm, dimmer: positions},
            loads_to_reference=frozenset({(dimmer, "10 kohm")}),
        )
        twin = replace(twin, rheostats=tuple(replace(entry, **rheostat) for entry in twin.rheostats))
        self.plant = Plant(bench, twin, 1)
        self.plant.set_watchdog(True)
        self.dimmer = dimmer
        self.power_up(BUS_V)

    def travel(self, fraction, rheostat="rheostat-1"):
        self.plant.set_analog_output(STIMULI[rheostat], 5.0 * fraction)
        self.wait(0.05)

    def switch(self, output, on=True):
        self.plant.set_digital_output(output, on)
        self.wait(0.05)

    def wave(self, dimmer=None, duration_s=0.1, step_ns=1000):
        start_ns = self.plant.now_ns
        self.wait(duration_s)
        times = np.arange(start_ns, self.plant.now_ns, step_ns, dtype=np.int64)
        return self.plant.sample([DIMMER_VOLTAGE[dimmer or self.dimmer]], times)[0]

    def level(self, dimmer=None, **given):
        return float(self.wave(dimmer, **given).mean())


def world(dimmer="dimmer-1", quantities=None, **rheostat):
    return LoadedWorld(dimmer, quantities, **rheostat)


def test_stuck_on_and_dead_do_not_care_for_the_rheostat():
    bench = world(quantities={"dimmer-1.stuck": 2.0, "dimmer-3.stuck": 1.0})
    assert bench.wave().min() > 13.0
    bench.travel(1.0)
    assert not bench.wave("dimmer-3").any()


def test_crossed_rheostats_move_each_others_outputs():
    bench = world(quantities={"unit.rheostats_crossed": 1.0})
    bench.travel(1.0, "rheostat-1")
    assert not bench.wave("dimmer-1").any()
    assert bench.wave("dimmer-2").min() > 13.0


@pytest.mark.parametrize(("fraction", "expected"), [(0.50, 51.02), (0.51, 46.0), (0.53, 53.96)])
def test_a_missing_code_is_six_per_cent_short_over_two_per_cent_of_travel(fraction, expected):
    bench = world(quantities={"dimmer-1.missing_level": 6.0})
    bench.travel(fraction)
    assert 100.0 * float((bench.wave(duration_s=0.5) > 7.0).mean()) == pytest.approx(expected, abs=0.1)


def test_a_floor_stays_at_zero_travel_and_leakage_makes_travel_dead():
    bench = world("dimmer-5", {"dimmer-5.floor_level": 0.9, "rheostat-2.offset_v": 1.0})
    assert bench.level() == pytest.approx(0.9)
    bench.travel(0.21, "rheostat-2")
    assert not bench.wave("dimmer-6").any()
    bench.travel(0.23, "rheostat-2")
    assert bench.level("dimmer-6") == pytest.approx(1.5 + 10.5 * 0.01 / 0.98, abs=1e-6)


def test_gain_is_proportional_and_sag_is_worst_at_half_travel():
    bench = world("dimmer-5", {"dimmer-5.gain": 94.0, "dimmer-1.sag": 12.0})
    bench.travel(1.0)
    assert bench.level() == pytest.approx(0.94 * 12.0)
    assert (bench.wave("dimmer-1") > 7.0).all()
    bench.travel(0.51)
    assert float((bench.wave("dimmer-1", 0.5) > 7.0).mean()) == pytest.approx(0.88 * 0.52, abs=0.001)


def test_a_level_that_follows_the_bus_follows_it_to_where_it_comes_to_rest():
    bench = world("dimmer-5", {"dimmer-5.bus_per_volt": 6.6})
    bench.travel(0.51)
    before_v = bench.level()
    bench.plant.supply.set_voltage(10.0)
    bench.wait(0.3)
    inside_v = bench.plant.unit_voltage_v()
    assert bench.level() / before_v == pytest.approx(1.0 + 0.066 * (inside_v - BUS_V), abs=0.002)


def test_a_wandering_wiper_modulates_at_half_travel_and_not_at_the_ends():
    bench = world("dimmer-5", {"rheostat-1.wander_v": 0.25, "rheostat-1.wander_hz": 5.0})
    assert not bench.wave(duration_s=0.4).any()
    bench.travel(0.5)
    assert np.ptp(bench.wave(duration_s=0.4, step_ns=100_000)) == pytest.approx(2 * 0.05 * 10.5 / 0.98, rel=0.02)


def test_an_open_wiper_shows_what_is_set_for_it_and_the_pull_takes_it_there():
    bench = world(
        "dimmer-5", {"rheostat-1.open_travel": 60.0, "rheostat-1.pull_v": 5.5, "rheostat-1.pull_ohm": 220e3},
        open_above_v=5.25,
    )  # fmt: skip
    pin = bench.plant.twin.parameters.rheostats[0].pin
    assert bench.plant.pin_voltage_v(pin) == pytest.approx(5.5 / 221.0, rel=1e-6)
    bench.travel(1.1)
    assert bench.plant.pin_voltage_v(pin) == pytest.approx(5.5)
    assert bench.level() == pytest.approx(1.5 + 10.5 * 0.58 / 0.98)
    bench.travel(1.04)
    assert bench.level() == pytest.approx(12.0)


def test_a_dc_output_drops_by_its_resistance_and_its_current_comes_from_the_bus():
    bench = world("dimmer-5")
    bench.travel(1.0)
    before_a = bench.plant.supply_current_a()
    bench.switch(RATED)
    assert bench.level() == pytest.approx(12.0 * 18.5 / 18.6)
    assert bench.plant.supply_current_a() - before_a == pytest.approx(12.0 / 18.6, rel=1e-6)


@pytest.mark.parametrize("dimmer", ["dimmer-1", "dimmer-5"])
def test_a_short_gets_the_limit_and_the_level_comes_back_by_itself(dimmer):
    bench = world(dimmer)
    bench.travel(1.0)
    before_v = bench.level()
    bench.switch(SHORT)
    assert bench.level() / 0.5 == pytest.approx(1.2)
    bench.switch(SHORT, on=False)
    assert bench.level() == pytest.approx(before_v, rel=1e-6)


def test_pulses_are_limited_while_they_last():
    bench = world()
    bench.travel(0.51)
    bench.switch(SHORT)
    values = bench.wave(duration_s=0.5)
    assert values.max() == pytest.approx(0.6)
    assert float((values > 0.3).mean()) == pytest.approx(0.52, abs=0.001)


def test_a_limit_that_latches_stays_off_until_the_power_is_taken_away():
    bench = world(quantities={"dimmer-1.latches": 1.0})
    bench.travel(1.0)
    bench.switch(SHORT)
    bench.switch(SHORT, on=False)
    assert not bench.wave().any()
    assert bench.wave("dimmer-3").min() > 13.0
    bench.plant.unplug_unit()
    bench.wait(0.2)
    bench.plant.plug_unit()
    bench.wait(1.5)
    assert bench.wave().min() > 13.0


def test_a_load_does_not_ask_for_the_arm_relay():
    bench = world("dimmer-5")
    bench.travel(1.0)
    bench.switch(RATED)
    loaded_v = bench.level()
    bench.switch(ARM)
    assert bench.level() == loaded_v


def test_ripple_has_its_peak_to_peak_value_and_does_not_move_the_mean():
    bench = world("dimmer-5", {"dimmer-5.ripple_v": 0.06, "dimmer-5.ripple_hz": 2000.0})
    bench.travel(0.51)
    values = bench.wave(duration_s=0.1)
    assert np.ptp(values) == pytest.approx(0.06, rel=1e-3)
    assert values.mean() == pytest.approx(6.75, abs=1e-5)


def test_an_output_that_is_off_takes_what_its_resistance_takes_from_a_feed():
    bench = world("dimmer-5", {"dimmer-5.off_ohm": 2000.0})
    bench.switch(FEED)
    assert bench.level() == pytest.approx(5.0 * 2.0 / 12.0)
    bench.switch(FEED, on=False)
    assert bench.level() == 0.0


def test_without_a_unit_a_pin_stands_where_its_load_leads():
    bench = world()
    bench.plant.unplug_unit()
    bench.switch(FEED)
    assert bench.level() == pytest.approx(5.0)
    assert not bench.wave("dimmer-2").any()
    bench.switch(FEED, on=False)
    assert not bench.wave().any()
    bench.switch(RATED)
    assert not bench.wave().any()
