"""The drivers over real links of this machine keep the contracts they keep in simulated time."""

import asyncio
import contextlib
import socket
import struct
import time
from types import SimpleNamespace
from unittest import mock

import pytest
import pyvisa
from daq_fake_plant import RATINGS as DAQ_RATINGS
from daq_fake_plant import FakePlant as DaqPlant
from daq_fake_plant import daq_parameters
from fake_plant_supply import FakePlant as SupplyPlant

from instruments.avionics_bus import open_avionics_bus
from instruments.clock import WallClock
from instruments.contracts import avionics_bus as bus_contract
from instruments.contracts import daq as daq_contract
from instruments.contracts import supply as supply_contract
from instruments.daq import open_daq
from instruments.errors import InstrumentError
from instruments.served.byte_link import ByteSocket, ByteTerminal
from instruments.served.can_text import CanText
from instruments.served.hislip import HislipServer
from instruments.served.loop import LoopThread
from instruments.served.scpi_socket import ScpiSocket
from instruments.served.world import World
from instruments.simulated.daq_device import SimulatedDaq
from instruments.simulated.supply_face import supply_instrument
from instruments.supply import SupplyRatings, open_supply

PACE = 5.0
LATENCY_S = 0.05  # of wall time, from one end of the adapter to the other, on a busy machine
FACE = {"max_voltage_v": 36.0, "max_current_a": 60.0, "limiting_bit": 1, "overvoltage_bit": 9}
FACE |= {"list_points": 100, "shortest_dwell_s": 0.002, "sequence_bit": 3}
SUPPLY_RATINGS = SupplyRatings(**FACE)


class PacedClock(WallClock):
    """Bench time that runs as fast as the served plants."""

    def monotonic_s(self):
        return PACE * time.monotonic()

    def sleep_s(self, duration_s):
        super().sleep_s(duration_s / PACE)


@pytest.fixture(scope="module")
def loop():
    with LoopThread() as running:
        yield running


@pytest.fixture(scope="module")
def visa():
    return pyvisa.ResourceManager("@py")


class Past:
    """A probe that looks in the served bench's own thread."""

    def __init__(self, loop, probe):
        self._loop, self._probe = loop, probe

    def __getattr__(self, name):
        method = getattr(self._probe, name)
        return lambda *words: self._loop.call(lambda: method(*words))


class SupplyProbe:
    def __init__(self, plant, instrument):
        self.supply, self.instrument, self.messages = plant.supply, instrument, 0
        receive = instrument.receive

        def counting(data, **context):
            self.messages += 1
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
        return self.messages

    def limit_briefly(self):
        self.supply.note_limiting()

    def trip_overvoltage(self):
        self.supply.trip()

    def put_error(self, number):
        self.instrument.status.report(number)


def listening(loop, server):
    """Have a server listen in the loop."""
    loop.run(_started(server))
    return server


async def _started(server):
    started = server.start()
    if asyncio.iscoroutine(started):
        await started


@pytest.mark.parametrize("kind", [ScpiSocket, HislipServer])
@pytest.mark.parametrize("check", supply_contract.CHECKS, ids=lambda check: check.__name__)
def test_the_supply_over_a_real_link_keeps_the_contract(loop, visa, kind, check):
    with contextlib.ExitStack() as stack:

        def make():
            plant = SupplyPlant()
            world = loop.call(lambda: World(plant, pace=PACE))
            instrument = supply_instrument(plant.supply, **FACE)
            probe = SupplyProbe(plant, instrument)
            server = listening(loop, kind(instrument, world))
            stack.callback(lambda: loop.call(server.close))
            clock = PacedClock()
            driver = open_supply(
                server.resource,
                resource_manager=visa,
                clock=clock,
                ratings=SUPPLY_RATINGS,
                name="supply",
                time_out_s=2.0,
            )
            stack.callback(driver.close)
            return supply_contract.SupplyUnderContract(
                driver=driver,
                probe=Past(loop, probe),
                clock=clock,
                settling_time_s=0.1,
                max_voltage_v=36.0,
                max_current_a=60.0,
                voltage_tolerance_v=0.001,
                current_tolerance_a=0.001,
            )

        check(make)


class DaqProbe:
    def __init__(self, plant):
        self._plant = plant

    def analog_output_v(self, channel):
        return self._plant.output_v(channel)

    def digital_output_on(self, output):
        return self._plant.output_on(output)

    def watchdog_on(self):
        return self._plant.watchdog


# One check counts the samples of a stretch of time to 2 %, which no busy machine keeps to: `test_daq_wall_time` sees
# that they come whole.
DAQ_CHECKS = [check for check in daq_contract.CHECKS if check is not daq_contract.check_samples_come_whole_and_in_order]
TERMINAL_CHECKS = (daq_contract.check_codes_mean_volts, daq_contract.check_schedules_hit_their_sample)
DAQ_LINKS = [
    *((ByteSocket, check) for check in DAQ_CHECKS),
    *((ByteTerminal, check) for check in TERMINAL_CHECKS if ByteTerminal.possible),
]


@pytest.mark.parametrize(("kind", "check"), DAQ_LINKS, ids=lambda word: word.__name__)
def test_the_daq_over_a_real_link_keeps_the_contract(loop, kind, check):
    with contextlib.ExitStack() as stack:

        def make(driver_of=lambda driver: driver):
            plant = DaqPlant()
            world = loop.call(lambda: World(plant, pace=PACE))
            device = SimulatedDaq(plant=plant, parameters=daq_parameters(), seed=1)
            server = listening(loop, kind(device, world))
            stack.callback(lambda: loop.call(server.close))
            clock = PacedClock()
            driver = open_daq(server.url, clock=clock, ratings=DAQ_RATINGS, name="daq", time_out_s=20.0)
            stack.callback(driver.close)
            return daq_contract.DaqUnderContract(
                driver=driver_of(driver),
                probe=Past(loop, DaqProbe(plant)),
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

        check(make)


class BusPlant(SupplyPlant):
    """A plant with a bus on which nothing takes time."""

    def __init__(self):
        super().__init__()
        self.sent, self.coming = [], []

    def send_frame(self, identifier, data):
        self.sent.append((identifier, data))

    def take_frames(self):
        coming, self.coming = self.coming, []
        return coming


class BusProbe:
    def __init__(self, plant):
        self._plant = plant

    def sent_frames(self):
        sent, self._plant.sent = self._plant.sent, []
        return sent

    def put_frame(self, identifier, data):
        self._plant.coming.append((self._plant.now_ns, identifier, data))


@pytest.mark.skipif(not ByteTerminal.possible, reason="this system has no pseudo-terminals")
@pytest.mark.parametrize(
    "check",
    [check for check in bus_contract.CHECKS if check is not bus_contract.check_receiving_never_waits],  # it polls 1 ms
    ids=lambda check: check.__name__,
)
def test_the_bus_over_an_adapter_of_lines_keeps_the_contract(loop, check):
    with contextlib.ExitStack() as stack:
        at_once = SimpleNamespace(sleep=lambda _s: None, time=time.time)  # it gives an adapter two seconds to boot
        stack.enter_context(mock.patch("can.interfaces.slcan.time", at_once))

        def make():
            plant = BusPlant()
            server = listening(loop, ByteTerminal(CanText(plant), loop.call(lambda: World(plant))))
            stack.callback(lambda: loop.call(server.close))
            clock = WallClock()
            driver = open_avionics_bus("slcan", server.url, bit_rate=125_000, clock=clock, name="avionics bus")
            stack.callback(driver.close)
            clock.sleep_s(LATENCY_S)
            for _ in range(6):
                driver.receive()  # each takes one line that the adapter acknowledged
            return bus_contract.BusUnderContract(
                driver=driver, probe=Past(loop, BusProbe(plant)), clock=clock, latency_s=LATENCY_S
            )

        check(make)


def supply_served(loop, kind):
    plant = SupplyPlant()
    return listening(loop, kind(supply_instrument(plant.supply, **FACE), loop.call(lambda: World(plant, pace=PACE))))


def opened(server, visa):
    return open_supply(
        server.resource,
        name="supply",
        resource_manager=visa,
        clock=PacedClock(),
        ratings=SUPPLY_RATINGS,
        time_out_s=0.3,
    )


def test_a_second_client_of_a_socket_is_turned_away_and_the_first_keeps_its_replies(loop, visa):
    server = supply_served(loop, ScpiSocket)
    with contextlib.closing(opened(server, visa)) as first:
        with pytest.raises(InstrumentError):
            opened(server, visa)
        assert first.identify().model
    with contextlib.closing(opened(server, visa)) as later:  # the place is free again
        assert later.identify().model
    loop.call(server.close)


def test_a_second_client_of_hislip_is_told_why_it_is_turned_away(loop, visa):
    server = supply_served(loop, HislipServer)
    with contextlib.closing(opened(server, visa)) as first:
        with socket.create_connection(("127.0.0.1", server.port), timeout=5.0) as second:
            second.sendall(struct.pack("!2sBBIQ", b"HS", 0, 0, 0x0100_5858, 7) + b"hislip0")  # IVI-6.1, table 2
            answer = second.makefile("rb").read()
        prologue, kind, control, _, length = struct.unpack("!2sBBIQ", answer[:16])
        assert (prologue, kind, control) == (b"HS", 2, 4)  # FatalError, maximum number of clients (IVI-6.1, table 14)
        assert len(answer) == 16 + length
        assert first.identify().model
    loop.call(server.close)


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        (b"O\r", b"\r"),
        (b"S4\r", b"\a"),  # the channel is open
        (b"t13B2A\r", b"\a"),  # fewer data than it says
        (b"tXYZ0\r", b"\a"),
        (b"t13B10F\r", b"z\r"),
        (b"T1ABCDEF00\r", b"Z\r"),
        (b"r13B0\r", b"\a"),  # no remote frames
        (b"x" * 80, b"\a"),
    ],
    ids=range(8),
)
def test_the_adapter_answers_each_line(line, answer):
    adapter = CanText(BusPlant())
    adapter.take_from_host(b"O\r")
    adapter.give_to_host(adapter.waiting_bytes())
    adapter.take_from_host(line)
    assert adapter.give_to_host(adapter.waiting_bytes()) == answer


def test_a_stalled_machine_slows_the_plant_and_says_by_how_much():
    wall = [0.0]
    plant = SupplyPlant()
    world = World(plant, wall_s=lambda: wall[0])
    wall[0] = 0.030
    assert world.catch_up() == 30_000_000
    wall[0] = 1.030
    assert world.catch_up() == 80_000_000  # 50 ms in one go
    assert world.behind_s == pytest.approx(0.95)
    with pytest.raises(ValueError, match="pace"):
        World(plant, pace=0.0)
