"""The twin's second source drives the unit with the bus switch at its position; the supply then stands open."""

import pytest

from instruments.simulated.agenda import NS_PER_S, Agenda
from instruments.simulated.network import InputNetwork
from instruments.simulated.parameters import PathParameters, SupplyParameters
from instruments.simulated.supply_stage import SupplyStage

LEADS_OHM = 0.018


class Circuit:
    def __init__(self):
        self.agenda = Agenda()
        ratings = SupplyParameters(
            max_voltage_v=36.0,
            max_current_a=60.0,
            sink_current_a=5.0,
            slew_up_v_per_s=200.0,
            slew_down_v_per_s=100.0,
            source_resistance_ohm=0.0,
        )
        self.supply, self.dip = SupplyStage(ratings, self.agenda), SupplyStage(ratings, self.agenda)
        path = PathParameters(positive_ohm=0.012, negative_ohm=0.006, series_ohm={"run": 0.0}, bleed_ohm=100.0)
        self.network = InputNetwork(self.agenda, self.supply, path, self.dip)
        self.network.plug(2.2e-3, 0.0)
        for source, volts in ((self.supply, 12.6), (self.dip, 8.0)):
            source.set_current_limit(20.0)
            source.set_voltage(volts)
            source.set_output(True)
        self.switch(to_dip=False)
        self.wait(1.0)
        self.network.set_unit_load(4.0, 0.0)
        self.wait(0.1)

    def switch(self, *, to_dip):
        self.network.connect(
            closed=True,
            bleeding=False,
            series_ohm=0.0,
            sense_at_pins=not to_dip,
            plug_conductance_s=0.0,
            from_dip_source=to_dip,
        )

    def wait(self, seconds):
        self.agenda.run_until(self.agenda.now_ns + round(seconds * NS_PER_S))


def test_it_regulates_at_its_own_terminals_and_the_supply_at_the_pins():
    circuit = Circuit()
    assert circuit.network.pin_voltage_v() == pytest.approx(12.6, abs=1e-3)
    circuit.switch(to_dip=True)
    circuit.wait(0.1)
    assert circuit.network.pin_voltage_v() == pytest.approx(8.0 - 4.0 * LEADS_OHM, abs=1e-3)
    assert circuit.dip.read_voltage_v() == pytest.approx(8.0, abs=1e-6)
    assert circuit.dip.read_current_a() == pytest.approx(4.0, abs=1e-3)
    assert (circuit.supply.read_voltage_v(), circuit.supply.read_current_a()) == (12.6, 0.0)


def test_the_unit_falls_as_fast_as_its_capacitor_lets_it():
    """4.6 V of 2.2 mF by the load of 4 A and a sink of 5 A: 1.12 ms."""
    circuit = Circuit()
    circuit.switch(to_dip=True)
    circuit.wait(0.9 * 2.2e-3 * 4.6 / 9.0)
    assert circuit.network.pin_voltage_v() > 8.1
    circuit.wait(0.4e-3)
    assert circuit.network.pin_voltage_v() < 8.05


def test_either_plays_whether_it_drives_or_not():
    circuit = Circuit()
    circuit.dip.play([(8.0, 0.05), (9.5, 0.05)])
    circuit.wait(0.02)
    circuit.switch(to_dip=True)
    circuit.wait(0.01)
    assert circuit.network.pin_voltage_v() == pytest.approx(7.93, abs=0.01)
    circuit.wait(0.06)
    assert circuit.network.pin_voltage_v() == pytest.approx(9.43, abs=0.01)


def test_only_the_one_that_drives_limits():
    circuit = Circuit()
    circuit.dip.set_current_limit(2.0)
    circuit.switch(to_dip=True)
    circuit.wait(0.01)
    assert circuit.dip.limiting()
    assert not circuit.supply.limiting()
