"""Airspeed as the bench gives it: its grid and quiet stretches, and what each route makes of a value."""

import math
import struct

import pytest

from bench.airspeed_source import AirspeedSource, ContactEmitter, FrameEmitter, TextEmitter, VoltageEmitter, text_of
from bench.errors import BenchError
from bench.sheets import load_unit
from instruments.canaerospace import decode_payload, no_number_payload
from instruments.nmea0183 import decode_sentence
from test_plans.rig import AirspeedFault
from test_plans.sheets import Airspeed, AirspeedAnalogue, AirspeedRoute, AirspeedSwitch, AirspeedText

IDENTIFIER = load_unit("dotterel-6").airspeed.identifier
TEXT = AirspeedText(bit_rate=4800, sentence="IIASP,{speed},{unit}", speed_unit="kt", decimals=1)


class Ends:
    """Bus, line and DAQ in one: keeps what it is told."""

    def __init__(self):
        self.sent = []

    def send(self, *told):
        self.sent.append(told if len(told) > 1 else told[0])

    def set_analog(self, channel, voltage_v):
        self.sent.append((channel, voltage_v))

    def set_digital(self, output, on):
        self.sent.append((output, on))


@pytest.fixture
def ends():
    return Ends()


def by_frames(ends):
    return AirspeedSource(FrameEmitter(ends, IDENTIFIER), 0.1)


def sent_until(source, from_s, to_s):
    instants = [step / 1000.0 for step in range(round(1000.0 * from_s), round(1000.0 * to_s))]
    return [sent.time_s for time_s in instants if (sent := source.send_due(time_s)) is not None]


def knots(data):
    return struct.unpack(">f", data[4:])[0] * 3600.0 / 1852.0


def test_airspeed_goes_out_every_period_from_the_start_and_counts_its_frames(ends):
    source = by_frames(ends)
    source.start(60.0, 0.0)
    assert sent_until(source, 0.0, 0.501) == [0.0, 0.1, 0.2, 0.3, 0.4, 0.5]
    assert [data[3] for _, data in ends.sent] == [0, 1, 2, 3, 4, 5]
    # CANaerospace 1.7: indicated airspeed is identifier 315, FLOAT in m/s; 60 kt = 30.8667 m/s = 41 F6 EE EF
    assert ends.sent[0][0] == 315
    assert ends.sent[0][1][4:] == bytes.fromhex("41F6EEEF")


def test_what_is_due_in_a_quiet_stretch_goes_out_at_its_end_and_the_grid_stays(ends):
    source = by_frames(ends)
    source.start(60.0, 0.0)
    source.quiet(0.08, 0.14)
    source.quiet(0.19, 0.25)
    assert sent_until(source, 0.0, 0.41) == [0.0, 0.14, 0.25, 0.3, 0.4]


def test_quiet_stretches_that_touch_are_one(ends):
    source = by_frames(ends)
    source.start(60.0, 0.0)
    source.quiet(0.14, 0.2)
    source.quiet(0.09, 0.15)
    assert sent_until(source, 0.0, 0.31) == [0.0, 0.2, 0.3]


def test_nothing_is_sent_before_the_start_or_after_the_stop(ends):
    source = by_frames(ends)
    assert source.next_due_s() is None
    source.start(60.0, 0.0)
    assert source.stop(0.0) is None
    assert sent_until(source, 0.0, 0.3) == []
    assert ends.sent == []


def test_another_airspeed_goes_out_with_the_next_place_of_the_same_grid(ends):
    source = by_frames(ends)
    source.start(60.0, 0.0)
    before_s = sent_until(source, 0.0, 0.25)
    source.set(105.0, 0.25)
    after_s = sent_until(source, 0.25, 0.45)
    assert (before_s, after_s) == ([0.0, 0.1, 0.2], [0.3, 0.4])
    assert [round(knots(data)) for _, data in ends.sent] == [60, 60, 60, 105, 105]


def test_a_stopped_airspeed_begins_anew_when_it_is_set(ends):
    source = by_frames(ends)
    source.start(60.0, 0.0)
    sent_until(source, 0.0, 0.05)
    source.stop(0.05)
    assert sent_until(source, 0.05, 0.33) == []
    source.set(80.0, 0.33)
    assert sent_until(source, 0.33, 0.55) == pytest.approx([0.33, 0.43, 0.53])


def test_no_number_is_a_frame_in_good_order(ends):
    source = by_frames(ends)
    source.set(math.nan, 0.0)
    sent = source.send_due(0.0)
    ((identifier, data),) = ends.sent
    assert identifier == IDENTIFIER
    assert data == no_number_payload(node=data[0], message_code=0)
    assert math.isnan(decode_payload(data).value)
    assert math.isnan(sent.fields["airspeed_kt"])


def test_text_goes_out_as_the_sheet_describes_it_and_says_how_long_it_lasts(ends):
    source = AirspeedSource(TextEmitter(ends, TEXT), 0.2)
    source.start(62.5, 0.0)
    sent = source.send_due(0.0)
    assert ends.sent == [b"$IIASP,62.5,N*" + ends.sent[0][-4:]]
    assert decode_sentence(ends.sent[0]) == "IIASP,62.5,N"
    assert sent.fields["text"].encode() == ends.sent[0]
    assert sent.fields["lasts_s"] == pytest.approx(18 * 10 / 4800)
    assert "fault" not in sent.fields


@pytest.mark.parametrize(("unit", "said"), [("kt", "60.0,N"), ("km/h", "111.1,K"), ("m/s", "30.9,M")])
def test_the_figure_stands_in_the_unit_of_the_sheet(unit, said):
    text = AirspeedText(bit_rate=4800, sentence="IIASP,{speed},{unit}", speed_unit=unit, decimals=1)
    assert decode_sentence(text_of(text, 60.0, AirspeedFault.NONE)) == f"IIASP,{said}"


def test_a_text_without_a_number_leaves_its_place_empty():
    assert decode_sentence(text_of(TEXT, math.nan, AirspeedFault.NONE)) == "IIASP,,N"


def test_a_wrong_checksum_and_a_missing_one_are_no_sentences():
    for fault in (AirspeedFault.CHECKSUM, AirspeedFault.CUT_SHORT):
        spoilt = text_of(TEXT, 60.0, fault)
        assert spoilt.startswith(b"$IIASP,60.0,N")
        assert spoilt.endswith(b"\r\n")
        with pytest.raises(ValueError, match="checksum"):
            decode_sentence(spoilt)


def test_another_unit_is_a_sentence_in_good_order_that_says_the_same():
    assert decode_sentence(text_of(TEXT, 60.0, AirspeedFault.OTHER_UNIT)) == "IIASP,111.1,K"


def test_a_voltage_follows_its_two_points_and_is_that_of_a_dead_line_when_stopped(ends):
    analogue = AirspeedAnalogue(
        low_kt=0.0, low_v=0.5, high_kt=200.0, high_v=4.5, pull_voltage_v=0.0, pull_resistance_ohm=1e5, lost_below_v=0.25
    )
    airspeed = Airspeed(route=AirspeedRoute.ANALOGUE, pin="P2-10", analogue=analogue)
    source = AirspeedSource(VoltageEmitter(ends, 12, airspeed), 0.1)
    source.start(60.0, 0.0)
    assert source.send_due(0.0).fields == {"airspeed_kt": 60.0, "route": "analogue", "volts": pytest.approx(1.7)}
    stopped = source.stop(0.05)
    assert ends.sent == [(12, pytest.approx(1.7)), (12, 0.0)]
    assert math.isnan(stopped.fields["airspeed_kt"])
    assert source.stop(0.1) is None


@pytest.mark.parametrize("closed_when_fast", [True, False])
def test_a_contact_changes_at_one_airspeed_rising_and_at_another_falling(ends, closed_when_fast):
    switch = AirspeedSwitch(closed_when_fast=closed_when_fast, rising_kt=75.0, falling_kt=70.0)
    contact = ContactEmitter(ends, 7, switch)
    for airspeed_kt in (60.0, 74.9, 75.0, 70.1, 70.0):
        contact.send(airspeed_kt, AirspeedFault.NONE)
    assert [on == closed_when_fast for _, on in ends.sent] == [False, False, True, True, False]


def test_an_airspeed_moves_a_little_where_a_frozen_one_is_given_up_unless_it_is_to_be_frozen(ends):
    source = AirspeedSource(FrameEmitter(ends, IDENTIFIER), 0.1, unsteady_kt=0.2)
    source.start(60.0, 0.0)
    sent_until(source, 0.0, 0.35)
    source.set(60.0, 0.35, AirspeedFault.FROZEN)
    sent = source.send_due(0.4)
    sent_until(source, 0.45, 0.65)
    figures = [knots(data) for _, data in ends.sent]
    assert figures == pytest.approx([60.2, 60.0, 60.2, 60.0, 60.0, 60.0, 60.0], abs=1e-4)
    assert sent.fields == {"airspeed_kt": 60.0, "fault": AirspeedFault.FROZEN.value}


def test_a_fault_that_a_route_can_not_have_is_refused(ends):
    with pytest.raises(BenchError, match="a frame of the avionics bus can't have a wrong checksum"):
        FrameEmitter(ends, IDENTIFIER).send(60.0, AirspeedFault.CHECKSUM)
    assert ends.sent == []
