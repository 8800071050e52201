"""Whether airspeed stands at the unit's pin: text, a voltage, a contact; and whose it is where it does not."""

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, channel_of

from analysis.capture import AnalogChannel
from analysis.verdict import Cause
from test_plans.airspeed_line import airspeed_arrives, arrival_doubts, line_faults, reached
from test_plans.readings import Record

RATE_HZ = 30_000.0
TEXT = "$IIASP,62.5,N*0C\r\n"
SENT_S = (0.05, 0.25, 0.45)


def drawn(scene, starts_s, text=TEXT, bit_rate=4800.0):
    space = np.zeros(scene.n, dtype=bool)
    for start_s in starts_s:
        for place, octet in enumerate(text.encode()):
            for index, bit in enumerate([0, *((octet >> bit) & 1 for bit in range(8)), 1]):
                begin_s = start_s + (10 * place + index) / bit_rate
                if not bit:
                    space[round(begin_s * scene.rate_hz) : round((begin_s + 1.0 / bit_rate) * scene.rate_hz)] = True
    return space


def by_text(rate_hz=RATE_HZ, **line):
    scene = Scene("air", 0.7, rate_hz)
    for time_s in SENT_S:
        fields = {"route": "text", "text": TEXT, "bit_rate": 4800, "lasts_s": 18 * 10 / 4800}
        scene.event("sent", time_s, airspeed_kt=62.5, **fields)
    scene.line("airspeed.text", drawn(scene, **({"starts_s": SENT_S} | line)))
    return record_of(scene)


def record_of(scene):
    return Record(Shelf(scene.capture()), "air")


@pytest.mark.parametrize("rate_hz", [30_000.0, 14_400.0, 5_000.0, 2_000.0])
def test_text_that_stands_at_the_pin_as_sent_has_reached_the_unit(rate_hz):
    record = by_text(rate_hz)
    assert line_faults(record) == ()
    assert airspeed_arrives(record) is True
    assert reached(record)
    assert arrival_doubts(record) == ()


def test_a_silent_line_may_be_held_by_the_unit():
    record = by_text(starts_s=())
    assert airspeed_arrives(record) is False
    (doubt,) = arrival_doubts(record)
    assert doubt.cause is Cause.UNDECIDED
    assert "no text on the airspeed line" in doubt.reason
    assert "unplug the unit" in doubt.next_step
    assert not reached(record)


@pytest.mark.parametrize("rate_hz", [30_000.0, 2_000.0])
def test_text_at_another_bit_rate_is_the_benchs(rate_hz):
    (doubt,) = arrival_doubts(by_text(rate_hz, bit_rate=4500.0))
    assert doubt.cause is Cause.BENCH
    assert "not 4800 bit/s" in doubt.reason


def test_other_text_of_the_same_length_is_the_benchs():
    (doubt,) = arrival_doubts(by_text(text=TEXT.replace("62.5", "99.5")))
    assert doubt.cause is Cause.BENCH
    assert "99.5" in doubt.reason


def test_a_line_that_falls_silent_may_be_held_by_the_unit_since():
    record = by_text(starts_s=SENT_S[:2])
    assert airspeed_arrives(record) is False
    assert [doubt.cause for doubt in arrival_doubts(record)] == [Cause.UNDECIDED]


def test_without_a_line_to_look_at_nobody_can_tell():
    scene = Scene("air", 0.7, RATE_HZ)
    for time_s in SENT_S:
        scene.event("sent", time_s, airspeed_kt=60.0, route="text", text=TEXT, bit_rate=4800, lasts_s=0.04)
    record = record_of(scene)
    assert airspeed_arrives(record) is None
    assert [doubt.cause for doubt in arrival_doubts(record)] == [Cause.UNDECIDED]
    assert not reached(record)


@pytest.fixture
def _known_channel(monkeypatch):
    like = channel_of("discrete-1.voltage")
    monkeypatch.setattr(
        "synthetic_captures.channel_of",
        lambda name: AnalogChannel(**{field: getattr(like, field) for field in like.__slots__} | {"name": name}),
    )


def by_voltage(volts):
    scene = Scene("air", 0.7, 1000.0)
    for time_s in SENT_S:
        scene.event("sent", time_s, airspeed_kt=60.0, route="analogue", volts=1.7)
    scene.signal("airspeed.voltage", volts)
    return record_of(scene)


@pytest.mark.usefixtures("_known_channel")
def test_a_voltage_that_is_only_loaded_follows_and_one_that_is_held_does_not():
    assert airspeed_arrives(by_voltage(1.683)) is True  # 100 kohm behind 1 kohm
    for held_v in (0.0, 1.2, 2.2):
        (doubt,) = arrival_doubts(by_voltage(held_v))
        assert doubt.cause is Cause.UNDECIDED
        assert "the airspeed pin stands at" in doubt.reason


def test_a_contact_that_does_not_stand_as_set_is_seen():
    def by_contact(closed):
        scene = Scene("air", 0.7, 1000.0)
        for time_s in SENT_S:
            scene.event("sent", time_s, airspeed_kt=60.0, route="switch", closed=time_s > 0.3)
        scene.line("airspeed", closed(scene.times_s))
        return record_of(scene)

    assert airspeed_arrives(by_contact(lambda times_s: times_s > 0.45)) is True
    (doubt,) = arrival_doubts(by_contact(lambda times_s: times_s > 9.0))
    assert doubt.cause is Cause.UNDECIDED
    assert "not closed at its pin" in doubt.reason
