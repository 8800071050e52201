"""The driver over a scripted line: what it makes of replies, errors, broken bytes and silence."""

import numpy as np
import pytest
import serial
from daq_fake_plant import RATINGS, LoopbackLine
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments import daq_messages as messages
from instruments.capabilities import ScanRequest
from instruments.daq import SerialDaq
from instruments.daq_frames import FrameDecoder, encode_frame
from instruments.daq_messages import Command, Refusal, Reply
from instruments.errors import (
    InstrumentLostError,
    InstrumentTimeoutError,
    LateScheduleError,
    ProtocolError,
    RatingExceededError,
    SettingRefusedError,
)

REQUEST = ScanRequest(channels=((0, 10.0), (1, 40.0)), lines=(0, 1, 2), sample_rate_hz=1000.0)


class StillClock:
    """Time passes only where the driver waits."""

    def __init__(self):
        self.now_s = 0.0

    def monotonic_s(self):
        return self.now_s

    def sleep_s(self, duration_s):
        self.now_s += duration_s

    def register_drain(self, drain):
        raise NotImplementedError

    def unregister_drain(self, drain):
        raise NotImplementedError


class Firmware(LoopbackLine):
    """A device that acknowledges everything; `answers` replaces its payloads, `script` its whole reply."""

    def __init__(self):
        super().__init__()
        self.clock = StillClock()
        self.requests = []
        self.answers = {}
        self.script = None
        self.sequence = 0
        self._decoder = FrameDecoder()
        self.on_write = self._take

    def frame(self, kind, tag, payload=b""):
        self.sequence += 1
        return encode_frame(kind, sequence=self.sequence, tag=tag, payload=payload)

    def data(self, first_sample, n_samples, scan=1):
        """A frame of REQUEST whose codes and line bytes tell their sample index."""
        index = np.arange(first_sample, first_sample + n_samples)
        codes = np.stack([index, -index]).astype("<i2")
        head = messages.data_head(first_sample, n_samples, 2, 3)
        return self.frame(Reply.DATA, scan, head + codes.tobytes() + (index % 8).astype(np.uint8).tobytes())

    def _take(self, data):
        for frame in self._decoder.feed(data):
            self.requests.append((Command(frame.kind), bytes(frame.payload)))
            if self.script:
                self.to_host += self.script(frame)
                continue
            answer = self.answers.get(frame.kind, b"")
            if frame.kind == Command.CONFIGURE_SCAN and not answer:
                answer = bytes(frame.payload[:4])
            self.to_host += self.frame(Reply.ACKNOWLEDGE, frame.tag, answer)


@pytest.fixture
def line():
    return Firmware()


@pytest.fixture
def daq(line):
    return SerialDaq(port=line, clock=line.clock, ratings=RATINGS, name="daq", time_out_s=1.0)


def refusal(line, code, text="no"):
    return lambda frame: line.frame(Reply.ERROR, frame.tag, messages.encode_error(code, text))


@pytest.mark.parametrize("time_out_s", [None, 0.1])
def test_a_port_whose_reads_wait_is_no_port_for_it(line, time_out_s):
    line.timeout = time_out_s
    with pytest.raises(ValueError, match="timeout=0"):
        SerialDaq(port=line, clock=line.clock, ratings=RATINGS, name="daq", time_out_s=1.0)


def test_calls_become_the_documented_requests(daq, line):
    daq.set_analog(2, 1.5)
    daq.set_analog(2, 1.5, at_sample=7)
    daq.ramp_analog(1, 0.25, at_sample=3, n_samples=4)
    daq.set_digital(9, True, at_sample=256)
    daq.beat()
    daq.release_watchdog()
    assert line.requests == [
        (Command.SET_ANALOG, bytes.fromhex("0200 60e31600 ffffffffffffffff")),
        (Command.SET_ANALOG, bytes.fromhex("0200 60e31600 0700000000000000")),
        (Command.RAMP_ANALOG, bytes.fromhex("0100 90d00300 0300000000000000 0400000000000000")),
        (Command.SET_DIGITAL, bytes.fromhex("0900 01 0001000000000000")),
        (Command.BEAT, b""),
        (Command.RELEASE_WATCHDOG, b""),
    ]


def test_answers_are_read_as_documented(daq, line):
    line.answers = {
        Command.IDENTIFY: b"\x01\x00Maker\0Model\0S1\x001.2",
        Command.READ_ANALOG_OUTPUTS: bytes.fromhex("60e31600 00000000"),
        Command.READ_DIGITAL_OUTPUTS: b"\x01\x02",
        Command.READ_WATCHDOG: bytes.fromhex("01 00 f4010000"),
    }
    identity = daq.identify()
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == ("Maker", "Model", "S1", "1.2")
    assert daq.read_analog_outputs() == (1.5, 0.0)
    assert daq.read_digital_outputs() == 0x0201
    assert daq.watchdog_on()
    assert daq.code_scale(10.0) == 10.0 / 32768


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (Refusal.UNKNOWN_COMMAND, ProtocolError),
        (Refusal.BAD_PAYLOAD, ProtocolError),
        (Refusal.LATE_SCHEDULE, LateScheduleError),
        (Refusal.BAD_CHANNEL, SettingRefusedError),
        (Refusal.SCHEDULE_FULL, SettingRefusedError),
        (Refusal.WATCHDOG_EXPIRED, SettingRefusedError),
        (999, SettingRefusedError),
    ],
)
def test_an_error_reply_names_instrument_command_and_reason(daq, line, code, kind):
    line.script = refusal(line, code, "sample 5 is past")
    with pytest.raises(kind, match=r"daq refused SET_DIGITAL: sample 5 is past") as caught:
        daq.set_digital(0, True)
    assert (caught.value.instrument, caught.value.command) == ("daq", "SET_DIGITAL")
    assert caught.value.reply == f"{int(code)} sample 5 is past"


def test_silence_is_a_time_out_after_just_the_time_given(daq, line):
    line.script = lambda _frame: b""
    with pytest.raises(InstrumentTimeoutError, match=r"no reply to BEAT within 1\.0 s"):
        daq.beat()
    assert line.clock.now_s == pytest.approx(1.0, abs=0.002)


def test_a_broken_reply_counts_as_none_and_the_next_request_is_in_step(daq, line):
    def broken(frame):
        reply = bytearray(line.frame(Reply.ACKNOWLEDGE, frame.tag))
        reply[-1] ^= 1
        return bytes(reply)

    line.script = broken
    with pytest.raises(InstrumentTimeoutError):
        daq.beat()
    line.script = None
    daq.beat()


def test_a_reply_that_comes_too_late_is_not_taken_for_the_next_one(daq, line):
    line.script = lambda _frame: b""
    with pytest.raises(InstrumentTimeoutError):
        daq.read_digital_outputs()
    stale = line.frame(Reply.ACKNOWLEDGE, 1, b"\xff\xff")
    line.script = lambda frame: stale + line.frame(Reply.ACKNOWLEDGE, frame.tag, b"\x02\x00")
    assert daq.read_digital_outputs() == 2


def test_a_reply_behind_a_frame_that_breaks_off_is_found_after_a_silence(daq, line):
    begun = encode_frame(Reply.DATA, sequence=0, tag=9, payload=bytes(5000))[:100]
    line.script = lambda frame: begun + line.frame(Reply.ACKNOWLEDGE, frame.tag, b"\x04")
    assert daq.read_digital_outputs() == 4
    assert 0.1 <= line.clock.now_s < 0.2


def test_a_reply_of_the_wrong_shape_is_a_protocol_error(daq, line):
    line.answers = {Command.READ_WATCHDOG: b"\x01"}
    with pytest.raises(ProtocolError, match=r"reply to READ_WATCHDOG is not of its shape: 1 bytes"):
        daq.watchdog_on()


def test_another_protocol_version_is_refused(daq, line):
    line.answers = {Command.IDENTIFY: b"\x02\x00a\0b\0c\0d"}
    with pytest.raises(ProtocolError, match="speaks protocol version 2, this driver 1"):
        daq.identify()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda daq: daq.set_analog(4, 1.0), "analogue output 4"),
        (lambda daq: daq.set_analog(0, 10.001), "10.001 V at analogue output 0"),
        (lambda daq: daq.set_analog(0, -0.001), "allows 0 to 10.0 V"),
        (lambda daq: daq.set_analog(0, float("nan")), "nan V"),
        (lambda daq: daq.ramp_analog(0, 11.0, at_sample=0, n_samples=1), "RAMP_ANALOG asks for 11.0 V"),
        (lambda daq: daq.set_digital(16, True), "outputs 0 to 15"),
        (lambda daq: daq.code_scale(5.0), "asks for range 5.0 V"),
        (lambda daq: daq.start(ScanRequest(channels=((0, 5.0),), lines=(), sample_rate_hz=1.0)), "range 5.0 V"),
        (lambda daq: daq.start(ScanRequest(channels=((104, 10.0),), lines=(), sample_rate_hz=1.0)), "input 104"),
        (lambda daq: daq.start(ScanRequest(channels=(), lines=(64,), sample_rate_hz=1.0)), "digital input 64"),
        (lambda daq: daq.start(ScanRequest(channels=(), lines=(0,) * 65, sample_rate_hz=1.0)), "65 digital inputs"),
        (lambda daq: daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=50_001.0)), "50001"),
        (lambda daq: daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=0.0)), "0.0 Hz"),
        (
            lambda daq: daq.start(
                ScanRequest(channels=tuple((n, 10.0) for n in range(17)), lines=(), sample_rate_hz=50_000.0)
            ),
            "17 channels at 50000.0 Hz",
        ),
    ],
)
def test_more_than_the_ratings_is_refused_before_the_wire(daq, line, call, message):
    with pytest.raises(RatingExceededError, match=message):
        call(daq)
    assert not line.from_host


def test_a_sample_index_below_zero_is_a_programmers_mistake(daq, line):
    with pytest.raises(ValueError, match="counts from 0"):
        daq.set_digital(0, True, at_sample=-1)
    assert not line.from_host


def test_a_device_that_would_sample_at_another_rate_is_not_started(daq, line):
    line.answers = {Command.CONFIGURE_SCAN: (999_000).to_bytes(4, "little")}
    with pytest.raises(SettingRefusedError, match=r"asked for 1000\.0 Hz, it would sample at 999\.0 Hz"):
        daq.start(REQUEST)
    assert [command for command, _ in line.requests] == [Command.CONFIGURE_SCAN]


def test_data_among_replies_is_kept_and_data_of_an_earlier_scan_is_not(daq, line):
    daq.start(REQUEST)
    line.script = lambda frame: (
        line.data(0, 5, scan=99) + line.data(0, 10) + line.frame(Reply.ACKNOWLEDGE, frame.tag) + line.data(10, 10)
    )
    daq.beat()
    daq.drain()
    (block,) = daq.take_blocks()
    assert block.codes[:, 0].tolist() == list(range(20))
    assert block.codes[:, 1].tolist() == [-n for n in range(20)]
    assert block.words.tolist() == [n % 8 for n in range(20)]


def test_stop_takes_in_what_came_before_its_acknowledgement(daq, line):
    daq.start(REQUEST)
    line.script = lambda frame: (
        line.data(0, 10)
        + line.data(10, 3)
        + line.frame(Reply.ACKNOWLEDGE, frame.tag, messages.encode_samples_taken(13))
    )
    daq.stop()
    n_requests = len(line.requests)
    daq.stop()
    assert len(line.requests) == n_requests
    assert [(block.first_sample, len(block.words)) for block in daq.take_blocks()] == [(0, 13)]


def test_a_data_frame_of_another_shape_is_told_by_the_next_take(daq, line):
    daq.start(REQUEST)
    line.to_host += line.frame(Reply.DATA, 1, messages.data_head(0, 0, 1, 3)) + line.data(0, 10)
    daq.drain()
    with pytest.raises(ProtocolError, match="not of this scan"):
        daq.take_blocks()
    assert len(daq.take_blocks()) == 1


def test_a_link_lost_in_a_drain_is_told_by_the_next_take(daq, line):
    daq.start(REQUEST)
    line.failure = serial.SerialException("device reports readiness to read but returned no data")
    daq.drain()
    with pytest.raises(InstrumentLostError, match="link lost at drain"):
        daq.take_blocks()


def test_make_safe_says_what_is_still_on(daq, line):
    line.answers = {
        Command.READ_WATCHDOG: bytes.fromhex("01 00 f4010000"),
        Command.READ_DIGITAL_OUTPUTS: b"\x05",
        Command.READ_ANALOG_OUTPUTS: bytes.fromhex("01000000"),
    }
    with pytest.raises(SettingRefusedError, match=r"watchdog output is on; digital outputs \[0, 2\] are on; analogue"):
        daq.make_safe()
    assert line.requests[0] == (Command.REST, b"")


def test_close_closes_the_port_though_the_device_is_silent(daq, line):
    line.script = lambda _frame: b""
    with pytest.raises(InstrumentTimeoutError):
        daq.close()
    assert line.closed
    daq.close()


def test_close_closes_the_port_though_the_link_is_gone(daq, line):
    daq.start(REQUEST)
    line.failure = OSError(5, "Input/output error")
    with pytest.raises(InstrumentLostError):
        daq.close()
    assert line.closed


def test_leaving_a_with_block_makes_safe(daq, line):
    line.answers = {Command.READ_WATCHDOG: bytes(6)}
    with daq:
        pass
    assert Command.REST in [command for command, _ in line.requests]
    assert line.closed


def damaged(stream, data):
    """A stream with bytes changed, cut out, doubled or put in, at any places."""
    octets = bytearray(stream)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(0, len(octets) - 1)))
        n_bytes = data.draw(st.integers(1, 120))
        kind = data.draw(st.sampled_from(["change", "cut", "double", "insert"]))
        if kind == "change":
            octets[at : at + 1] = bytes([data.draw(st.integers(0, 255))])
        elif kind == "cut":
            del octets[at : at + n_bytes]
        elif kind == "double":
            octets[at:at] = octets[at : at + n_bytes]
        else:
            octets[at:at] = data.draw(st.binary(max_size=n_bytes))
    return bytes(octets)


@settings(deadline=None)
@given(st.data())
def test_no_damage_on_the_line_makes_a_wrong_sample(data):
    line = Firmware()
    daq = SerialDaq(port=line, clock=line.clock, ratings=RATINGS, name="daq", time_out_s=1.0)
    daq.start(REQUEST)
    stream = b"".join(line.data(first, 12) for first in range(0, 120, 12))
    line.to_host += damaged(stream, data)
    daq.drain()
    line.script = lambda frame: line.frame(Reply.ACKNOWLEDGE, frame.tag, messages.encode_samples_taken(120))
    daq.stop()
    end = 0
    for block in daq.take_blocks():
        index = np.arange(block.first_sample, block.first_sample + len(block.words))
        assert block.first_sample >= end
        assert block.codes[:, 0].tolist() == index.tolist()
        assert block.codes[:, 1].tolist() == (-index).tolist()
        assert block.words.tolist() == (index % 8).tolist()
        end = block.first_sample + len(block.words)
    assert end == 120  # the last block ends where the scan did, so whatever is missing is a gap before some block
