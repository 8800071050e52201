import contextlib

import plant_world as pw
import pytest

from instruments.contracts import ContractViolation
from instruments.contracts import electronic_load as contract
from instruments.electronic_load import LoadRatings, ScpiElectronicLoad, open_electronic_load
from instruments.errors import SettingRefusedError
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.load_face import load_instrument
from instruments.simulated.visa_library import simulated_resource_manager

NAMES = ("TCPIP0::10.0.0.6::inst0::INSTR", "TCPIP0::10.0.0.6::5025::SOCKET", "USB0::0x1234::0x5678::SN2::0::INSTR")
RATINGS = LoadRatings(
    max_current_a=30.0,
    max_power_w=150.0,
    least_resistance_ohm=0.1,
    most_resistance_ohm=5000.0,
    mode_header="FUNC",
    input_header="INP",
    protection_bit=3,
    reverse_bit=4,
)
FACE = {name: getattr(RATINGS, name) for name in RATINGS.__slots__}
MODES = {"CURR": "current", "POW": "power", "RES": "resistance"}


class PlantProbe:
    """Looks at the plant and at the instrument's queue, never at the driver."""

    def __init__(self, plant, instrument):
        self.plant = plant
        self.instrument = instrument
        self._n_messages = 0
        receive = instrument.receive

        def counting(data, **context):
            self._n_messages += 1
            receive(data, **context)

        instrument.receive = counting

    def input_on(self):
        return self.plant.load.input_on

    def mode(self):
        return MODES[self.plant.load.mode.value]

    def level(self):
        return self.plant.load.levels[self.plant.load.mode]

    def current_a(self):
        return self.plant.supply_current_a()

    def n_messages(self):
        return self._n_messages

    def reverse_briefly(self):
        self.plant.set_digital_output(pw.REVERSE, True)
        self.plant.advance_to(self.plant.now_ns + pw.MILLISECOND)
        self.plant.set_digital_output(pw.REVERSE, False)

    def trip_protection(self):
        self.plant.load.input_on = False
        self.plant.load.protection_tripped = True

    def put_error(self, number):
        self.instrument.status.report(number)


@contextlib.contextmanager
def maker(resource_name, kind=ScpiElectronicLoad, changes=None):
    managers = []

    def make():
        world = pw.World()  # the load at the plug, the supply at 10 V, no unit
        plant = world.plant
        plant.supply.set_current_limit(20.0)
        plant.set_digital_output(pw.PATH_RUN, True)
        plant.supply.set_voltage(10.0)
        plant.supply.set_output(True)
        plant.set_digital_output(pw.DRAW["plug"], True)
        world.wait(0.3)
        clock = SimulatedClock(plant)
        instrument = load_instrument(plant.load, LoadRatings(**FACE | (changes or {})))
        probe = PlantProbe(plant, instrument)
        managers.append(simulated_resource_manager({resource_name: instrument}, clock))
        driver = open_electronic_load(
            resource_name, resource_manager=managers[-1], clock=clock, ratings=RATINGS, name="load", time_out_s=0.5
        )
        driver.__class__ = kind
        return contract.LoadUnderContract(
            driver=driver,
            probe=probe,
            clock=clock,
            settling_time_s=0.01,
            source_v=10.0,
            max_current_a=30.0,
            max_power_w=150.0,
            least_resistance_ohm=0.1,
            most_resistance_ohm=5000.0,
        )

    yield make
    for manager in managers:
        manager.close()


@pytest.mark.parametrize("resource_name", NAMES)
@pytest.mark.parametrize("check", contract.CHECKS, ids=lambda check: check.__name__)
def test_the_driver_keeps_the_contract_in_front_of_the_whole_plant(check, resource_name):
    with maker(resource_name) as make:
        check(make)


class LeavesInputOn(ScpiElectronicLoad):
    def make_safe(self):
        """Claim success and do nothing."""


class NeverChoosesTheMode(ScpiElectronicLoad):
    def _set_mode(self, mode, level, resolution, unit):
        self._set(mode, level, resolution, unit)


class ChecksAfterTheWire(ScpiElectronicLoad):
    def _check(self, what, value, highest, unit):
        self._transport.query("*OPC?")
        super()._check(what, value, highest, unit)


class ForgetsEvents(ScpiElectronicLoad):
    def status(self):
        self._exchange("STAT:QUES?", 1)
        return super().status()


class MeasuresWhatWasSet(ScpiElectronicLoad):
    def measure_current(self):
        return self._measure("VOLT")


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (LeavesInputOn, contract.check_safe_is_off),
        (LeavesInputOn, contract.check_closed_is_off),
        (NeverChoosesTheMode, contract.check_modes_and_levels_arrive),
        (NeverChoosesTheMode, contract.check_it_draws_what_was_asked),
        (ChecksAfterTheWire, contract.check_ratings_hold_before_the_wire),
        (ForgetsEvents, contract.check_reverse_voltage_is_latched_once),
        (MeasuresWhatWasSet, contract.check_meters_show_what_flows),
    ],
)
def test_the_contract_catches_a_driver_that_breaks_it(kind, check):
    with maker(NAMES[0], kind) as make, pytest.raises(ContractViolation):
        check(make)


@pytest.mark.parametrize("words", [{"mode_header": "MODE"}, {"input_header": "SOUR:INP"}])
def test_what_another_make_calls_otherwise_is_refused_in_its_words(words):
    """The headers are the bench sheet's: with the wrong ones nothing is drawn, and the queue says why."""
    call = contract.check_modes_and_levels_arrive if "mode_header" in words else contract.check_safe_is_off
    with maker(NAMES[0], changes=words) as make, pytest.raises(SettingRefusedError, match="-113"):
        call(make)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"protection_bit": 15}, "between 0 and 14"),
        ({"protection_bit": 4}, "both be bit 4"),
        ({"max_power_w": 0.0}, "positive numbers"),
        ({"least_resistance_ohm": 6000.0}, "lies below the most"),
    ],
)
def test_ratings_that_can_not_be_are_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        LoadRatings(**FACE | changes)
