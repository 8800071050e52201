import contextlib

import pytest
from daq_fake_plant import RATINGS, FakePlant, daq_parameters

from instruments.contracts import ContractViolation
from instruments.contracts import daq as contract
from instruments.daq import open_daq
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.daq_device import SimulatedDaq
from instruments.simulated.serial_link import serve_serial


class PlantProbe:
    """Looks at the plant, never at driver or device."""

    def __init__(self, plant):
        self._plant = plant

    def analog_output_v(self, channel):
        return self._plant.output_v(channel)

    def digital_output_on(self, output):
        return self._plant.output_on(output)

    def watchdog_on(self):
        return self._plant.watchdog


@pytest.fixture
def make():
    with contextlib.ExitStack() as stack:

        def made(driver_of=lambda driver: driver):
            plant = FakePlant()
            clock = SimulatedClock(plant)
            device = SimulatedDaq(plant=plant, parameters=daq_parameters(), seed=1)
            url = stack.enter_context(serve_serial("contract", device=device, clock=clock))
            driver = open_daq(url, clock=clock, ratings=RATINGS, name="daq", time_out_s=1.0)
            stack.callback(driver.close)
            return contract.DaqUnderContract(
                driver=driver_of(driver),
                probe=PlantProbe(plant),
                clock=clock,
                output=0,
                input_number=100,
                digital_output=3,
                digital_input=3,
                range_v=10.0,
                output_max_v=9.9,
                sample_rate_hz=10_000.0,
                voltage_tolerance_v=0.005,
                watchdog_s=0.5,
            )

        yield made


@pytest.mark.parametrize("check", contract.CHECKS)
def test_the_driver_over_the_simulated_device_keeps_the_contract(make, check):
    check(make)


class Faulty:
    """The real driver, but for what a test replaces."""

    def __init__(self, driver, **replaced):
        self._driver = driver
        self._replaced = replaced

    def __getattr__(self, name):
        return self._replaced.get(name, getattr(self._driver, name))


def nothing(*_args, **_kwargs):
    """Do nothing, and say nothing of it."""


@pytest.mark.parametrize(
    ("name", "fault", "check"),
    [
        ("set_digital", nothing, contract.check_schedules_hit_their_sample),
        ("set_analog", nothing, contract.check_codes_mean_volts),
        ("set_analog", nothing, contract.check_late_schedules_are_refused),
        ("set_analog", nothing, contract.check_ratings_hold_before_the_wire),
        ("set_digital", nothing, contract.check_outputs_read_back),
        ("ramp_analog", nothing, contract.check_ramp_is_straight),
        ("beat", nothing, contract.check_watchdog_needs_its_beat),
        ("make_safe", nothing, contract.check_make_safe_leaves_nothing_on),
        ("close", nothing, contract.check_close_makes_safe_and_can_be_repeated),
        ("code_scale", lambda _range_v: 1.0, contract.check_codes_mean_volts),
    ],
)
def test_a_driver_that_does_not_do_its_work_breaks_the_contract(make, name, fault, check):
    with pytest.raises(ContractViolation):
        check(lambda: make(lambda driver: Faulty(driver, **{name: fault})))
