import numpy as np
import pytest

from instruments import daq_messages as messages
from instruments.daq_messages import PayloadError, ScanSetup

SETUP = ScanSetup(channels=((3, 10_000), (258, 40_000)), lines=(0, 7), rate_mhz=50_000_000)


def octets(text):
    return memoryview(bytes.fromhex(text))


# every payload below was written by hand from daq_protocol.md
@pytest.mark.parametrize(
    ("encoded", "expected"),
    [
        (messages.encode_scan(SETUP), "80 f0 fa 02 02 00 02 00 03 00 10 27 00 00 02 01 40 9c 00 00 00 00 07 00"),
        (messages.encode_scan_number(0x0102), "02 01"),
        (messages.encode_samples_taken(0x0102030405), "05 04 03 02 01 00 00 00"),
        (messages.encode_rate(1000), "e8 03 00 00"),
        (messages.encode_analog(2, 1_500_000, messages.NOW), "02 00 60 e3 16 00 ff ff ff ff ff ff ff ff"),
        (messages.encode_ramp(1, -1, 3, 4), "01 00 ff ff ff ff 03 00 00 00 00 00 00 00 04 00 00 00 00 00 00 00"),
        (messages.encode_digital(9, True, 256), "09 00 01 00 01 00 00 00 00 00 00"),
        (messages.encode_analog_outputs([1, -2]), "01 00 00 00 fe ff ff ff"),
        (messages.encode_digital_outputs(0x0201, 12), "01 02"),
        (messages.encode_watchdog(on=True, expired=False, time_ms=500), "01 00 f4 01 00 00"),
        (messages.encode_identity(("a", "b", "c", "d")), "01 00 61 00 62 00 63 00 64"),
        (messages.encode_error(8, "late"), "08 00 6c 61 74 65"),
        (messages.data_head(5, 2, 3, 1), "05 00 00 00 00 00 00 00 02 00 00 00 03 00 01 00"),
    ],
)
def test_payloads_are_laid_out_as_documented(encoded, expected):
    assert encoded == octets(expected)


def test_every_payload_reads_back():
    assert messages.decode_scan(memoryview(messages.encode_scan(SETUP))) == SETUP
    assert messages.decode_scan_number(octets("02 01")) == 0x0102
    assert messages.decode_samples_taken(octets("05 04 03 02 01 00 00 00")) == 0x0102030405
    assert messages.decode_rate(octets("e8 03 00 00")) == 1000
    assert messages.decode_analog(memoryview(messages.encode_analog(2, -5, 6))) == (2, -5, 6)
    assert messages.decode_ramp(memoryview(messages.encode_ramp(1, -1, 3, 4))) == (1, -1, 3, 4)
    assert messages.decode_digital(memoryview(messages.encode_digital(9, False, 7))) == (9, 0, 7)
    assert messages.decode_analog_outputs(octets("01 00 00 00 fe ff ff ff")) == (1, -2)
    assert messages.decode_digital_outputs(octets("01 02")) == 0x0201
    assert messages.decode_watchdog(octets("00 01 f4 01 00 00")) == (False, True, 500)
    assert messages.decode_identity(octets("01 00 61 00 62 00 63 00 64")) == (1, ("a", "b", "c", "d"))
    assert messages.decode_error(octets("08 00 6c 61 74 65")) == (8, "late")


def test_data_is_channel_after_channel_then_line_bytes():
    payload = octets("05 00 00 00 00 00 00 00 02 00 00 00 02 00 09 00 01 00 02 00 ff ff 00 80 aa 01 bb 00")
    part = messages.decode_data(payload, n_channels=2, n_lines=9)
    assert part.first_sample == 5
    assert part.codes.tolist() == [[1, 2], [-1, -32768]]
    assert part.lines.tolist() == [[0xAA, 0x01], [0xBB, 0x00]]


@pytest.mark.parametrize(
    "decode",
    [
        messages.decode_scan,
        messages.decode_scan_number,
        messages.decode_samples_taken,
        messages.decode_rate,
        messages.decode_analog,
        messages.decode_ramp,
        messages.decode_digital,
        messages.decode_analog_outputs,
        messages.decode_watchdog,
        messages.decode_identity,
        messages.decode_error,
        lambda payload: messages.decode_data(payload, n_channels=1, n_lines=0),
    ],
)
def test_a_payload_of_the_wrong_length_is_said_so(decode):
    with pytest.raises(PayloadError, match="1 bytes"):
        decode(memoryview(b"\x01"))


def test_a_scan_that_announces_more_than_it_brings_is_refused():
    with pytest.raises(PayloadError, match="belong"):
        messages.decode_scan(memoryview(messages.encode_scan(SETUP))[:-1])


def test_data_of_another_shape_than_the_scan_is_refused():
    payload = memoryview(messages.data_head(0, 1, 1, 0) + b"\0\0")
    with pytest.raises(PayloadError, match="in a scan of 2 and 0"):
        messages.decode_data(payload, n_channels=2, n_lines=0)
    with pytest.raises(PayloadError, match="belong"):
        messages.decode_data(memoryview(bytes(payload) + b"\0"), n_channels=1, n_lines=0)


@pytest.mark.parametrize(("n_lines", "width"), [(0, 0), (1, 1), (8, 1), (9, 2), (64, 8), (70, 9)])
def test_lines_take_whole_bytes_whatever_their_number(n_lines, width):
    assert messages.line_bytes(n_lines) == width
    setup = ScanSetup(channels=((0, 10_000),), lines=tuple(range(n_lines)), rate_mhz=1000)
    assert setup.bytes_per_sample == 2 + width
    lines = np.arange(2 * width, dtype=np.uint8)
    payload = messages.data_head(0, 2, 1, n_lines) + bytes(4) + lines.tobytes()
    part = messages.decode_data(memoryview(payload), n_channels=1, n_lines=n_lines)
    assert part.lines.tolist() == lines.reshape(2, width).tolist()


def test_a_data_frame_holds_its_time_fits_the_payload_and_is_never_empty():
    fast = ScanSetup(channels=tuple((n, 10_000) for n in range(64)), lines=(), rate_mhz=50_000_000)
    n_samples = messages.samples_per_frame(fast, frame_s=0.025, max_payload_bytes=65536)
    assert 65536 - 128 < 16 + n_samples * 128 <= 65536
    slow = ScanSetup(channels=((0, 10_000),), lines=(), rate_mhz=1000)
    assert messages.samples_per_frame(slow, frame_s=0.025, max_payload_bytes=65536) == 1
    usual = ScanSetup(channels=((0, 10_000),), lines=(), rate_mhz=10_000_000)
    assert messages.samples_per_frame(usual, frame_s=0.025, max_payload_bytes=65536) == 250
