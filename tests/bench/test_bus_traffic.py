"""Airspeed on a grid of 100 ms, held back over quiet stretches; the unit's frames decoded."""

from collections.abc import Sequence

import pytest

from bench.bus_traffic import BusTraffic
from bench.sheets import load_unit
from instruments.canaerospace import DataType, Payload, encode_payload
from instruments.capabilities import ReceivedFrame
from instruments.errors import ProtocolError

UNIT = load_unit("dotterel-6")


class FakeBus:
    def __init__(self) -> None:
        self.sent: list[tuple[int, bytes]] = []
        self.waiting: list[ReceivedFrame] = []

    def send(self, identifier: int, data: bytes) -> None:
        self.sent.append((identifier, data))

    def receive(self) -> Sequence[ReceivedFrame]:
        frames, self.waiting = self.waiting, []
        return frames

    def close(self) -> None:
        pass


def traffic() -> tuple[BusTraffic, FakeBus]:
    bus = FakeBus()
    return BusTraffic(bus, UNIT.bus), bus


def instants(bus_traffic: BusTraffic, until_s: float, step_s: float = 0.001) -> list[float]:
    found = []
    for index in range(round(until_s / step_s) + 1):
        sent = bus_traffic.send_due(index * step_s)
        if sent is not None:
            found.append(round(sent.time_s, 6))
    return found


def test_airspeed_goes_out_every_100_ms_from_the_start_and_counts_its_frames():
    bus_traffic, bus = traffic()
    bus_traffic.start_airspeed(60.0, 0.0)
    assert instants(bus_traffic, 0.5) == [0.0, 0.1, 0.2, 0.3, 0.4, 0.5]
    assert [data[3] for _, data in bus.sent] == [0, 1, 2, 3, 4, 5]
    # CANaerospace 1.7: indicated airspeed is identifier 315, FLOAT in m/s; 60 kt = 30.8667 m/s = 41 F6 EE EF
    assert bus.sent[0][0] == 315
    assert bus.sent[0][1][4:] == bytes.fromhex("41F6EEEF")


def test_a_frame_due_in_a_quiet_stretch_goes_out_at_its_end_and_the_grid_stays():
    bus_traffic, _ = traffic()
    bus_traffic.start_airspeed(60.0, 0.0)
    bus_traffic.quiet(0.08, 0.14)
    bus_traffic.quiet(0.19, 0.25)
    assert instants(bus_traffic, 0.41) == [0.0, 0.14, 0.25, 0.3, 0.4]


def test_quiet_stretches_that_touch_are_one():
    bus_traffic, _ = traffic()
    bus_traffic.start_airspeed(60.0, 0.0)
    bus_traffic.quiet(0.14, 0.2)
    bus_traffic.quiet(0.09, 0.15)
    assert instants(bus_traffic, 0.31) == [0.0, 0.2, 0.3]


def test_nothing_is_sent_before_the_start_or_after_the_stop():
    bus_traffic, bus = traffic()
    assert bus_traffic.next_due_s() is None
    bus_traffic.start_airspeed(60.0, 0.0)
    bus_traffic.stop_airspeed()
    assert instants(bus_traffic, 0.3) == []
    assert bus.sent == []


def frame(item: str, data_type: DataType, value: float, *, node: int = UNIT.bus.node) -> ReceivedFrame:
    payload = Payload(node=node, data_type=data_type, service_code=0, message_code=7, value=value)
    return ReceivedFrame(time_s=1.0, identifier=UNIT.bus.reports[item].identifier, data=encode_payload(payload))


def test_reports_are_decoded_by_the_unit_sheet():
    bus_traffic, bus = traffic()
    bus.waiting = [
        frame("discrete-3", DataType.ULONG, (41 << 1) | 1),
        frame("reset-count", DataType.ULONG, 2),
        frame("flap-position", DataType.FLOAT, 0.5),
        frame("discrete-3", DataType.ULONG, 0, node=UNIT.bus.node + 1),
    ]
    seen = {report.item: report.fields for report in bus_traffic.receive()}
    assert seen["discrete-3"] == {"item": "discrete-3", "message_code": 7, "state": True, "counter": 41}
    assert seen["reset-count"]["count"] == 2
    assert seen["flap-position"]["level"] == pytest.approx(0.5)


def test_a_report_of_the_wrong_type_says_which_one():
    bus_traffic, bus = traffic()
    bus.waiting = [frame("discrete-3", DataType.FLOAT, 1.0)]
    with pytest.raises(ProtocolError, match="discrete-3"):
        list(bus_traffic.receive())
