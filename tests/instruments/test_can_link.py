import contextlib

import can
import pytest
from daq_fake_plant import FakePlant

from instruments.simulated.can_link import INTERFACE, serve_bus
from instruments.simulated.clock import SimulatedClock


@pytest.fixture
def plant():
    return FakePlant()


@pytest.fixture
def bus(plant):
    with contextlib.ExitStack() as stack:
        name = stack.enter_context(serve_bus("bus-test", plant=plant, clock=SimulatedClock(plant)))
        bus = can.Bus(interface=INTERFACE, channel=name, bitrate=125_000, ignore_config=True)
        stack.callback(bus.shutdown)
        yield bus


def test_a_receive_without_wait_never_advances_time(plant, bus):
    plant.incoming = [(1_000_000, 0x123, b"\x01")]
    assert bus.recv(timeout=0) is None
    assert plant.now_ns == 0


def test_a_receive_waits_just_its_time_out(plant, bus):
    assert bus.recv(timeout=0.0107) is None
    assert plant.now_ns == 10_700_000


def test_a_waiting_receive_gives_the_frame_with_its_own_time(plant, bus):
    plant.incoming = [(3_141_593, 0x123, b"\x01\x02")]
    message = bus.recv(timeout=1.0)
    assert (message.arbitration_id, bytes(message.data), message.timestamp) == (0x123, b"\x01\x02", 0.003141593)
    assert not message.is_extended_id
    assert message.is_rx
    assert plant.now_ns <= 3_141_593 + 500_000


def test_frames_that_wait_come_one_by_one_in_order(plant, bus):
    plant.incoming = [(n, 0x100 + n, b"") for n in range(3)]
    plant.advance_to(10)
    assert [bus.recv(timeout=0).arbitration_id for _ in range(3)] == [0x100, 0x101, 0x102]
    assert bus.recv(timeout=0) is None


def test_a_receive_without_time_out_ends_on_a_silent_bus(plant, bus):
    with pytest.raises(can.CanOperationError, match=r"no frame within 60\.0 s"):
        bus.recv()
    plant.incoming = [(plant.now_ns + 5_000_000, 0x1FFFFFFF, b"")]
    assert bus.recv().is_extended_id


def test_filters_hold(plant, bus):
    bus.set_filters([{"can_id": 0x101, "can_mask": 0x7FF}])
    plant.incoming = [(n, 0x100 + n, b"") for n in range(3)]
    plant.advance_to(10)
    assert bus.recv(timeout=0).arbitration_id == 0x101
    assert bus.recv(timeout=0) is None


def test_a_sent_frame_is_the_plants_at_once(plant, bus):
    plant.advance_to(7)
    bus.send(can.Message(arbitration_id=0x13B, data=b"\x01\x02", is_extended_id=False))
    assert plant.sent == [(7, 0x13B, b"\x01\x02")]


@pytest.mark.parametrize(
    "message",
    [
        can.Message(arbitration_id=1, is_remote_frame=True),
        can.Message(arbitration_id=1, is_error_frame=True),
        can.Message(arbitration_id=1, is_fd=True, data=bytes(12)),
    ],
)
def test_other_kinds_of_frames_are_refused(plant, bus, message):
    with pytest.raises(can.CanOperationError, match="classic data frames only"):
        bus.send(message)
    assert not plant.sent


def test_cyclic_senders_are_refused(bus):
    with pytest.raises(NotImplementedError, match="bench's clock"):
        bus.send_periodic(can.Message(arbitration_id=1), 0.1)


@pytest.mark.usefixtures("bus")
def test_two_benches_do_not_meet(plant):
    with (
        pytest.raises(ValueError, match="give this bench its own name"),
        serve_bus("bus-test", plant=plant, clock=SimulatedClock(plant)),
    ):
        pass
    other_plant = FakePlant()
    with serve_bus("bus-other", plant=other_plant, clock=SimulatedClock(other_plant)) as name:
        other = can.Bus(interface=INTERFACE, channel=name, ignore_config=True)
        other.send(can.Message(arbitration_id=5, is_extended_id=False))
        other.shutdown()
    assert (len(plant.sent), len(other_plant.sent)) == (0, 1)


def test_a_bench_that_is_not_there_or_gone_is_said_so(plant):
    with serve_bus("bus-test", plant=plant, clock=SimulatedClock(plant)) as name:
        bus = can.Bus(interface=INTERFACE, channel=name, ignore_config=True)
        with pytest.raises(can.CanInitializationError, match="no simulated bus is served as 'nobody'"):
            can.Bus(interface=INTERFACE, channel="nobody", ignore_config=True)
    with pytest.raises(can.CanOperationError, match="no longer served"):
        bus.recv(timeout=0)
    with pytest.raises(can.CanOperationError, match="no longer served"):
        bus.send(can.Message(arbitration_id=1))
    bus.shutdown()
