"""The driver of the text line: its contract over the simulated port, and what a failing port is called."""

import contextlib

import pytest
import serial
from daq_fake_plant import FakePlant

from instruments.contracts import ContractViolation
from instruments.contracts import text_output as contract
from instruments.errors import InstrumentLostError, InstrumentTimeoutError
from instruments.simulated.agenda import Agenda
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.parameters import TextLineParameters
from instruments.simulated.serial_link import serve_serial
from instruments.simulated.text_line import TextLine
from instruments.simulated.text_port import SimulatedTextPort
from instruments.text_output import SerialTextOutput, open_text_output

BIT_RATE = 4800


class LinePlant:
    """A plant of nothing but a text line, and the unit that listens to it."""

    def __init__(self):
        self._agenda = Agenda()
        self._line = TextLine(self._agenda, TextLineParameters(), BIT_RATE)
        self._line.on_text = self._hear
        self._heard = b""

    @property
    def now_ns(self):
        return self._agenda.now_ns

    def advance_to(self, time_ns):
        self._agenda.run_until(time_ns)

    def send_text(self, data, bit_rate):
        self._line.send(data, bit_rate)

    def heard(self):
        heard, self._heard = self._heard, b""
        return heard

    def _hear(self, data):
        self._heard += data


@pytest.fixture
def make():
    with contextlib.ExitStack() as stack:

        def made(driver_of=lambda driver: driver):
            plant = LinePlant()
            clock = SimulatedClock(plant)
            url = stack.enter_context(serve_serial("text-contract", device=SimulatedTextPort(plant), clock=clock))
            driver = open_text_output(url, bit_rate=BIT_RATE, name="text line", time_out_s=1.0)
            stack.callback(driver.close)
            return contract.TextUnderContract(
                driver=driver_of(driver), probe=plant, clock=clock, bit_rate=BIT_RATE, timing_s=0.001
            )

        yield made


@pytest.mark.parametrize("check", contract.CHECKS)
def test_the_driver_over_the_simulated_port_keeps_the_contract(make, check):
    check(make)


class Faulty:
    """The real driver, but for how it sends."""

    def __init__(self, driver, send):
        self._driver = driver
        self._send = send

    def send(self, data):
        self._send(self._driver, data)

    def close(self):
        self._driver.close()


@pytest.mark.parametrize(
    ("send", "check"),
    [
        (lambda driver, data: driver.send(data[:-1]), contract.check_bytes_go_out_as_given),
        (lambda _driver, _data: None, contract.check_the_line_takes_its_time),
        (lambda driver, data: driver.send(data[:1]), contract.check_one_text_waits_for_another),
        (lambda _driver, _data: None, contract.check_a_closed_line_sends_nothing),
    ],
)
def test_a_driver_that_does_not_do_its_work_breaks_the_contract(make, send, check):
    with pytest.raises(ContractViolation):
        check(lambda: make(lambda driver: Faulty(driver, send)))


class ScriptedPort:
    def __init__(self, outcome):
        self._outcome = outcome
        self.timeout = None

    def write(self, data):
        if isinstance(self._outcome, Exception):
            raise self._outcome
        return len(data) - self._outcome

    def read(self, size=1):
        return b"" * size

    def close(self):
        pass


@pytest.mark.parametrize(
    ("outcome", "error"),
    [
        (serial.SerialTimeoutException("slow"), InstrumentTimeoutError),
        (serial.SerialException("gone"), InstrumentLostError),
        (1, InstrumentLostError),
    ],
)
def test_a_port_that_fails_is_said_so(outcome, error):
    with pytest.raises(error, match="text line"):
        SerialTextOutput(port=ScriptedPort(outcome), name="text line").send(b"abc")


def test_a_port_that_is_not_there_is_lost():
    with pytest.raises(InstrumentLostError, match="text line"):
        open_text_output("simbench://nobody", bit_rate=BIT_RATE, name="text line", time_out_s=1.0)


def test_a_device_that_keeps_no_time_by_bit_rate_is_not_told_of_it():
    plant = FakePlant()

    class Plain:
        now_ns = 0

        def take_from_host(self, data):
            self.heard = data

    device = Plain()
    with serve_serial("plain", device=device, clock=SimulatedClock(plant)) as url:
        serial.serial_for_url(url, baudrate=4800).write(b"x")
    assert device.heard == b"x"
