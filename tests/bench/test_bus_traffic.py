"""The unit's frames, decoded by its sheet."""

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
