import contextlib

import pytest
from fake_plant_supply import FakePlant
from plant_world import dotterel_bench, dotterel_twin

from instruments.contracts import ContractViolation
from instruments.contracts import supply as contract
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.plant import Plant
from instruments.simulated.supply_face import supply_instrument
from instruments.simulated.visa_library import simulated_resource_manager
from instruments.supply import ScpiSupply, SupplyRatings, open_supply

NAMES = (
    "TCPIP0::10.0.0.5::inst0::INSTR",
    "TCPIP0::10.0.0.5::5025::SOCKET",
    "USB0::0x1234::0x5678::SN1::0::INSTR",
)
LIST = {"list_points": 100, "shortest_dwell_s": 0.002, "sequence_bit": 3}
RATINGS = SupplyRatings(max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9, **LIST)


class PlantProbe:
    """Looks at the plant and at the instrument's queue, never at the driver."""

    def __init__(self, plant, instrument):
        self.supply = plant.supply
        self.instrument = instrument
        self._n_messages = 0
        receive = instrument.receive

        def counting(data, **context):
            self._n_messages += 1
            receive(data, **context)

        instrument.receive = counting

    def output_on(self):
        return self.supply.output_on

    def voltage_setting_v(self):
        return self.supply.voltage_setting_v

    def current_setting_a(self):
        return self.supply.current_setting_a

    def overvoltage_setting_v(self):
        return self.supply.overvoltage_setting_v

    def n_messages(self):
        return self._n_messages

    def limit_briefly(self):
        self.supply.note_limiting()

    def trip_overvoltage(self):
        self.supply.trip()

    def put_error(self, number):
        self.instrument.status.report(number)


@contextlib.contextmanager
def maker(resource_name, kind=ScpiSupply, plant_kind=FakePlant):
    managers = []

    def make():
        plant = plant_kind()
        clock = SimulatedClock(plant)
        instrument = supply_instrument(
            plant.supply, max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9, **LIST
        )
        probe = PlantProbe(plant, instrument)
        managers.append(simulated_resource_manager({resource_name: instrument}, clock))
        driver = open_supply(
            resource_name, resource_manager=managers[-1], clock=clock, ratings=RATINGS, name="supply", time_out_s=0.5
        )
        driver.__class__ = kind
        return contract.SupplyUnderContract(
            driver=driver,
            probe=probe,
            clock=clock,
            settling_time_s=0.1,
            max_voltage_v=36.0,
            max_current_a=60.0,
            voltage_tolerance_v=0.001,
            current_tolerance_a=0.001,
        )

    yield make
    for manager in managers:
        manager.close()


def whole_plant():
    return Plant(dotterel_bench(), dotterel_twin(), 1)


@pytest.mark.parametrize("resource_name", NAMES)
@pytest.mark.parametrize("check", contract.CHECKS, ids=lambda check: check.__name__)
def test_the_driver_keeps_the_contract_over_the_simulated_supply(check, resource_name):
    with maker(resource_name) as make:
        check(make)


@pytest.mark.parametrize("check", [*contract.CHECKS, *contract.SEQUENCE_CHECKS], ids=lambda check: check.__name__)
def test_the_driver_keeps_the_contract_in_front_of_the_whole_plant(check):
    with maker(NAMES[0], plant_kind=whole_plant) as make:
        check(make)


class LeavesOutputOn(ScpiSupply):
    def make_safe(self):
        """Claim success and do nothing."""


class BelievesItself(ScpiSupply):
    def set_voltage(self, voltage_v):
        self._check("voltage", voltage_v, 36.0, "V")


class ChecksAfterTheWire(ScpiSupply):
    def _check(self, what, value, highest, unit):
        self._transport.query("*OPC?")
        super()._check(what, value, highest, unit)


class ForgetsEvents(ScpiSupply):
    def status(self):
        self._exchange("STAT:QUES?", 1)
        return super().status()


class PlaysOnAfterStopping(ScpiSupply):
    def stop_sequence(self):
        """Claim success and do nothing."""


class TellsOneEntryOnly(ScpiSupply):
    def _drain(self):
        return []


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (LeavesOutputOn, contract.check_safe_is_off),
        (LeavesOutputOn, contract.check_closed_is_off),
        (BelievesItself, contract.check_settings_arrive),
        (BelievesItself, contract.check_meter_follows_the_output),
        (ChecksAfterTheWire, contract.check_ratings_hold_before_the_wire),
        (ForgetsEvents, contract.check_limiting_is_latched_once),
        (PlaysOnAfterStopping, contract.check_a_stopped_sequence_moves_nothing_any_more),
        (TellsOneEntryOnly, contract.check_queued_error_raises_once),
    ],
)
def test_the_contract_catches_a_driver_that_breaks_it(kind, check):
    with maker(NAMES[0], kind, plant_kind=whole_plant) as make, pytest.raises(ContractViolation):
        check(make)


def test_the_list_of_checks_leaves_none_out():
    named = {name for name in vars(contract) if name.startswith("check_")}
    assert {check.__name__ for check in (*contract.CHECKS, *contract.SEQUENCE_CHECKS)} == named
