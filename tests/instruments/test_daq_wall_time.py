"""The driver in wall time over TCP, with a drain thread: the same bytes, another clock, another port."""

import contextlib
import select
import socket
import threading
import time

import pytest
from daq_fake_plant import RATINGS, FakePlant, daq_parameters, taken_codes

from instruments.capabilities import ScanRequest
from instruments.clock import WallClock
from instruments.daq import open_daq
from instruments.simulated.daq_device import SimulatedDaq

LONGEST_STEP_NS = 50_000_000  # a stalled machine then slows the device down, and does not make it lose samples


def serve(server):
    """Run a simulated device on the first connection until that ends, its plant about in wall time."""
    plant = FakePlant()
    device = SimulatedDaq(plant=plant, parameters=daq_parameters(), seed=1)
    looked_ns = time.monotonic_ns()
    connection, _ = server.accept()
    with connection:
        while True:
            now_ns = time.monotonic_ns()
            plant.advance_to(plant.now_ns + min(now_ns - looked_ns, LONGEST_STEP_NS))
            looked_ns = now_ns
            if select.select([connection], [], [], 0.001)[0]:
                data = connection.recv(65536)
                if not data:
                    return
                device.take_from_host(data)
            connection.sendall(device.give_to_host(device.waiting_bytes()))


@pytest.fixture
def url():
    with contextlib.closing(socket.create_server(("127.0.0.1", 0))) as server:
        thread = threading.Thread(target=serve, args=(server,))
        thread.start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        thread.join()


def test_samples_come_whole_while_requests_go_out_from_another_thread(url):
    clock = WallClock()
    with open_daq(url, clock=clock, ratings=RATINGS, name="daq", time_out_s=20.0) as daq:
        clock.register_drain(daq.drain)
        daq.start(ScanRequest(channels=tuple((n, 10.0) for n in range(8)), lines=(3,), sample_rate_hz=20_000.0))
        for n in range(40):
            daq.set_digital(3, n % 2 == 0)
            daq.read_digital_outputs()
        clock.sleep_s(0.1)
        daq.stop()
        clock.unregister_drain(daq.drain)
        spans, codes, words = taken_codes(daq)
    assert spans == [(0, len(codes))]
    assert len(codes) > 1000
    assert set(words.tolist()) == {0, 1}
