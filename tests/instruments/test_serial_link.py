import pytest
import serial
from daq_fake_plant import FakePlant

from instruments.simulated.clock import SimulatedClock
from instruments.simulated.serial_link import serve_serial


class Typist:
    """A device that sends one byte every millisecond and keeps what it is told."""

    def __init__(self, plant, *, silent=False):
        self._plant = plant
        self._silent = silent
        self._n_given = 0
        self.heard = b""

    @property
    def now_ns(self):
        return self._plant.now_ns

    def take_from_host(self, data):
        self.heard += data

    def waiting_bytes(self):
        return 0 if self._silent else self.now_ns // 1_000_000 - self._n_given

    def give_to_host(self, n_bytes):
        n_bytes = min(n_bytes, self.waiting_bytes())
        first, self._n_given = self._n_given, self._n_given + n_bytes
        return bytes(n % 256 for n in range(first, first + n_bytes))

    def next_bytes_ns(self):
        return None if self._silent else (self._n_given + self.waiting_bytes() + 1) * 1_000_000


@pytest.fixture
def plant():
    return FakePlant()


@pytest.fixture
def device(plant):
    return Typist(plant)


@pytest.fixture
def port(plant, device):
    with (
        serve_serial("typist", device=device, clock=SimulatedClock(plant)) as url,
        serial.serial_for_url(url, timeout=0.05, exclusive=True) as port,
    ):
        yield port


def test_looking_and_writing_never_advance_time(plant, device, port):
    for _ in range(3):
        assert port.in_waiting == 0
        assert port.write(bytearray(b"ab")) == 2
    assert device.heard == b"ababab"
    assert plant.now_ns == 0


def test_a_read_advances_just_until_its_bytes_are_there(plant, port):
    assert port.read(3) == b"\x00\x01\x02"
    assert plant.now_ns == 3_000_000
    plant.advance_to(10_000_000)
    assert port.in_waiting == 7
    assert port.read(7) == bytes(range(3, 10))
    assert plant.now_ns == 10_000_000


def test_a_read_gives_up_after_just_its_time_out(plant, port):
    assert port.read(1000) == bytes(range(50))
    assert plant.now_ns == 50_000_000
    port.timeout = 0
    assert port.read(1000) == b""
    assert plant.now_ns == 50_000_000


def test_without_time_out_a_read_waits_for_its_bytes_and_never_for_nothing(plant, port):
    port.timeout = None
    assert len(port.read(200)) == 200
    assert plant.now_ns == 200_000_000
    with (
        serve_serial("silent", device=Typist(plant, silent=True), clock=SimulatedClock(plant)) as url,
        serial.serial_for_url(url) as silent,
        pytest.raises(serial.SerialException, match="wait for ever"),
    ):
        silent.read(1)


def test_resetting_the_input_throws_away_what_waits(plant, port):
    plant.advance_to(5_000_000)
    port.reset_input_buffer()
    assert port.in_waiting == 0
    assert port.read(1) == b"\x05"


@pytest.mark.usefixtures("port")
def test_a_name_that_is_not_served_can_not_be_opened():
    with pytest.raises(serial.SerialException, match="no simulated device is served as simbench://nobody"):
        serial.serial_for_url("simbench://nobody")


def test_a_port_is_for_one_program_at_a_time(port):
    with pytest.raises(serial.SerialException, match="in use"):
        serial.serial_for_url("simbench://typist")
    port.close()
    serial.serial_for_url("simbench://typist").close()


@pytest.mark.usefixtures("port")
def test_two_benches_do_not_meet(plant, device):
    with (
        pytest.raises(ValueError, match="give this bench its own name"),
        serve_serial("typist", device=device, clock=SimulatedClock(plant)),
    ):
        pass
    other_plant = FakePlant()
    other_device = Typist(other_plant)
    with (
        serve_serial("Typist", device=other_device, clock=SimulatedClock(other_plant)) as url,
        serial.serial_for_url(url, timeout=0.05) as other,
    ):
        other.write(b"x")
        other.read(2)
    assert (device.heard, other_device.heard) == (b"", b"x")
    assert (plant.now_ns, other_plant.now_ns) == (0, 2_000_000)


def test_a_closed_port_and_a_bench_that_is_gone_are_said_so(plant, device):
    with serve_serial("typist", device=device, clock=SimulatedClock(plant)) as url:
        port = serial.serial_for_url(url, timeout=0.05)
        with pytest.raises(serial.SerialException, match="already open"):
            port.open()
        closed = serial.serial_for_url(url, do_not_open=True)
        with pytest.raises(serial.PortNotOpenError):
            closed.read(1)
    with pytest.raises(serial.SerialException, match="no longer served"):
        port.read(1)
    port.close()
    port.close()
