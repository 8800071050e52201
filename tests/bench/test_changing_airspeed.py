"""Airspeed changed while it is sent: the grid stays, NaN goes out as a frame whose value is no number."""

import math
import struct

import pytest

from bench.bus_traffic import BusTraffic
from bench.sheets import load_unit
from instruments.canaerospace import decode_payload, no_number_payload

UNIT = load_unit("dotterel-6")


class ListeningBus:
    def __init__(self):
        self.sent = []

    def send(self, identifier, data):
        self.sent.append((identifier, data))

    def receive(self):
        return ()

    def close(self):
        pass


def knots(data):
    return struct.unpack(">f", data[4:])[0] * 3600.0 / 1852.0


def sent_until(traffic, from_s, to_s):
    instants = [step / 1000.0 for step in range(round(1000.0 * from_s), round(1000.0 * to_s))]
    return [sent.time_s for time_s in instants if (sent := traffic.send_due(time_s)) is not None]


def test_another_airspeed_goes_out_with_the_next_frame_of_the_same_grid():
    bus = ListeningBus()
    traffic = BusTraffic(bus, UNIT.bus)
    traffic.start_airspeed(60.0, 0.0)
    before_s = sent_until(traffic, 0.0, 0.25)
    traffic.set_airspeed(105.0, 0.25)
    after_s = sent_until(traffic, 0.25, 0.45)
    assert (before_s, after_s) == ([0.0, 0.1, 0.2], [0.3, 0.4])
    assert [round(knots(data)) for _, data in bus.sent] == [60, 60, 60, 105, 105]
    assert [data[3] for _, data in bus.sent] == [0, 1, 2, 3, 4]


def test_a_stopped_airspeed_begins_anew_when_it_is_set():
    bus = ListeningBus()
    traffic = BusTraffic(bus, UNIT.bus)
    traffic.start_airspeed(60.0, 0.0)
    sent_until(traffic, 0.0, 0.05)
    traffic.stop_airspeed()
    assert sent_until(traffic, 0.05, 0.33) == []
    traffic.set_airspeed(80.0, 0.33)
    assert sent_until(traffic, 0.33, 0.55) == pytest.approx([0.33, 0.43, 0.53])


def test_no_number_is_a_frame_in_good_order():
    bus = ListeningBus()
    traffic = BusTraffic(bus, UNIT.bus)
    traffic.set_airspeed(math.nan, 0.0)
    sent = traffic.send_due(0.0)
    (identifier, data), *_ = bus.sent
    assert identifier == UNIT.bus.airspeed_identifier
    assert data == no_number_payload(node=data[0], message_code=0)
    assert math.isnan(decode_payload(data).value)
    assert math.isnan(sent.airspeed_kt)
