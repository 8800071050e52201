"""Payloads of the data-acquisition protocol (`daq_protocol.md`): one pair of functions per message.

Integers are little-endian. Volts travel as whole microvolts, rates as millihertz, times as sample indices.
Decoders raise `PayloadError` on a payload of the wrong shape; they judge nothing else.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

PROTOCOL_VERSION = 1
NOW = 0xFFFF_FFFF_FFFF_FFFF  # in place of a sample index: execute at once
CODES = 32768  # codes from zero to the end of a range
REQUEST_TAGS = 0x10000


class PayloadError(ValueError):
    """A payload that is not of the shape its frame type asks for."""


class Command(IntEnum):
    """Frame types from host to device."""

    IDENTIFY = 0x01
    CONFIGURE_SCAN = 0x02
    START = 0x03
    STOP = 0x04
    SET_ANALOG = 0x10
    RAMP_ANALOG = 0x11
    SET_DIGITAL = 0x12
    READ_ANALOG_OUTPUTS = 0x13
    READ_DIGITAL_OUTPUTS = 0x14
    REST = 0x15
    BEAT = 0x20
    RELEASE_WATCHDOG = 0x21
    READ_WATCHDOG = 0x22


class Reply(IntEnum):
    """Frame types from device to host."""

    ACKNOWLEDGE = 0x80
    ERROR = 0x81
    DATA = 0x90


class Refusal(IntEnum):
    """Codes of an error reply."""

    UNKNOWN_COMMAND = 1
    BAD_PAYLOAD = 2
    BAD_CHANNEL = 3
    OUT_OF_RANGE = 4
    RATE_TOO_HIGH = 5
    NOT_RUNNING = 6
    RUNNING = 7
    LATE_SCHEDULE = 8
    SCHEDULE_FULL = 9
    WATCHDOG_EXPIRED = 10
    NOT_CONFIGURED = 11


_SCAN_HEAD = struct.Struct("<IHH")  # rate in mHz, analogue channels, digital inputs
_SCAN_CHANNEL = struct.Struct("<HI")  # input number, range in mV
_ANALOG = struct.Struct("<HiQ")  # output, microvolts, sample index
_RAMP = struct.Struct("<HiQQ")  # output, microvolts, sample index, samples
_DIGITAL = struct.Struct("<HBQ")  # output, 0 or 1, sample index
_STOPPED = struct.Struct("<Q")  # samples taken
_RATE = struct.Struct("<I")  # mHz
_ERROR = struct.Struct("<H")  # code, then text
_WATCHDOG = struct.Struct("<BBI")  # output on, expired, time in ms
_DATA = struct.Struct("<QIHH")  # first sample, samples, channels, digital inputs


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanSetup:
    """What a scan takes: (input, range in millivolts) each, digital inputs in order, rate in millihertz."""

    channels: tuple[tuple[int, int], ...]
    lines: tuple[int, ...]
    rate_mhz: int

    @property
    def bytes_per_sample(self) -> int:
        """Return the size of one sample of everything on the link."""
        return 2 * len(self.channels) + line_bytes(len(self.lines))


@dataclass(frozen=True, slots=True)
class DataPart:
    """A data frame's payload: codes (n_channels, n_samples) int16, line bytes (n_samples, width) uint8."""

    first_sample: int
    codes: NDArray[np.int16]
    lines: NDArray[np.uint8]


def line_bytes(n_lines: int) -> int:
    """Return the bytes that `n_lines` digital inputs take in one sample."""
    return (n_lines + 7) // 8


def encode_scan(setup: ScanSetup) -> bytes:
    """Return the payload of CONFIGURE_SCAN."""
    head = _SCAN_HEAD.pack(setup.rate_mhz, len(setup.channels), len(setup.lines))
    channels = b"".join(_SCAN_CHANNEL.pack(number, range_mv) for number, range_mv in setup.channels)
    return head + channels + struct.pack(f"<{len(setup.lines)}H", *setup.lines)


def decode_scan(payload: memoryview) -> ScanSetup:
    """Read the payload of CONFIGURE_SCAN."""
    _at_least(payload, _SCAN_HEAD.size)
    rate_mhz, n_channels, n_lines = _SCAN_HEAD.unpack_from(payload)
    lines_at = _SCAN_HEAD.size + n_channels * _SCAN_CHANNEL.size
    _exactly(payload, lines_at + 2 * n_lines)
    channels = tuple((int(n), int(mv)) for n, mv in _SCAN_CHANNEL.iter_unpack(payload[_SCAN_HEAD.size : lines_at]))
    return ScanSetup(channels=channels, lines=struct.unpack_from(f"<{n_lines}H", payload, lines_at), rate_mhz=rate_mhz)


def encode_rate(rate_mhz: int) -> bytes:
    """Return the acknowledgement of CONFIGURE_SCAN: the rate the device will use."""
    return _RATE.pack(rate_mhz)


def decode_rate(payload: memoryview) -> int:
    """Read the acknowledgement of CONFIGURE_SCAN."""
    _exactly(payload, _RATE.size)
    return int(_RATE.unpack(payload)[0])


def encode_scan_number(scan: int) -> bytes:
    """Return the payload of START: the tag that this scan's data frames will carry."""
    return struct.pack("<H", scan)


def decode_scan_number(payload: memoryview) -> int:
    """Read the payload of START."""
    _exactly(payload, 2)
    return int(struct.unpack("<H", payload)[0])


def encode_samples_taken(n_samples: int) -> bytes:
    """Return the acknowledgement of STOP: samples taken since the start."""
    return _STOPPED.pack(n_samples)


def decode_samples_taken(payload: memoryview) -> int:
    """Read the acknowledgement of STOP."""
    _exactly(payload, _STOPPED.size)
    return int(_STOPPED.unpack(payload)[0])


def encode_analog(channel: int, microvolts: int, at_sample: int) -> bytes:
    """Return the payload of SET_ANALOG; `at_sample` may be NOW."""
    return _ANALOG.pack(channel, microvolts, at_sample)


def decode_analog(payload: memoryview) -> tuple[int, int, int]:
    """Read the payload of SET_ANALOG: output, microvolts, sample index."""
    _exactly(payload, _ANALOG.size)
    channel, microvolts, at_sample = _ANALOG.unpack(payload)
    return channel, microvolts, at_sample


def encode_ramp(channel: int, microvolts: int, at_sample: int, n_samples: int) -> bytes:
    """Return the payload of RAMP_ANALOG; `at_sample` may be NOW."""
    return _RAMP.pack(channel, microvolts, at_sample, n_samples)


def decode_ramp(payload: memoryview) -> tuple[int, int, int, int]:
    """Read the payload of RAMP_ANALOG: output, microvolts, sample index, samples."""
    _exactly(payload, _RAMP.size)
    channel, microvolts, at_sample, n_samples = _RAMP.unpack(payload)
    return channel, microvolts, at_sample, n_samples


def encode_digital(output: int, on: bool, at_sample: int) -> bytes:
    """Return the payload of SET_DIGITAL; `at_sample` may be NOW."""
    return _DIGITAL.pack(output, on, at_sample)


def decode_digital(payload: memoryview) -> tuple[int, int, int]:
    """Read the payload of SET_DIGITAL: output, 0 or 1, sample index."""
    _exactly(payload, _DIGITAL.size)
    output, on, at_sample = _DIGITAL.unpack(payload)
    return output, on, at_sample


def encode_analog_outputs(microvolts: Sequence[int]) -> bytes:
    """Return the acknowledgement of READ_ANALOG_OUTPUTS."""
    return struct.pack(f"<{len(microvolts)}i", *microvolts)


def decode_analog_outputs(payload: memoryview) -> tuple[int, ...]:
    """Read the acknowledgement of READ_ANALOG_OUTPUTS: microvolts, output n at place n."""
    if len(payload) % 4:
        raise PayloadError(f"{len(payload)} bytes are no whole number of 4-byte values")
    return struct.unpack(f"<{len(payload) // 4}i", payload)


def encode_digital_outputs(states: int, n_outputs: int) -> bytes:
    """Return the acknowledgement of READ_DIGITAL_OUTPUTS: output n in bit n % 8 of byte n // 8."""
    return states.to_bytes(line_bytes(n_outputs), "little")


def decode_digital_outputs(payload: memoryview) -> int:
    """Read the acknowledgement of READ_DIGITAL_OUTPUTS: output n in bit n."""
    return int.from_bytes(payload, "little")


def encode_watchdog(*, on: bool, expired: bool, time_ms: int) -> bytes:
    """Return the acknowledgement of READ_WATCHDOG."""
    return _WATCHDOG.pack(on, expired, time_ms)


def decode_watchdog(payload: memoryview) -> tuple[bool, bool, int]:
    """Read the acknowledgement of READ_WATCHDOG: output on, expired since the last release, time in ms."""
    _exactly(payload, _WATCHDOG.size)
    on, expired, time_ms = _WATCHDOG.unpack(payload)
    return bool(on), bool(expired), time_ms


def encode_identity(fields: Sequence[str]) -> bytes:
    """Return the acknowledgement of IDENTIFY: protocol version, then maker, model, serial and firmware."""
    return struct.pack("<H", PROTOCOL_VERSION) + "\0".join(fields).encode()


def decode_identity(payload: memoryview) -> tuple[int, tuple[str, ...]]:
    """Read the acknowledgement of IDENTIFY: protocol version and the texts."""
    _at_least(payload, 2)
    texts = tuple(bytes(payload[2:]).decode(errors="replace").split("\0"))
    return int(struct.unpack_from("<H", payload)[0]), texts


def encode_error(code: int, text: str) -> bytes:
    """Return the payload of an error reply."""
    return _ERROR.pack(code) + text.encode()


def decode_error(payload: memoryview) -> tuple[int, str]:
    """Read the payload of an error reply: code and text."""
    _at_least(payload, _ERROR.size)
    return int(_ERROR.unpack_from(payload)[0]), bytes(payload[_ERROR.size :]).decode(errors="replace")


def data_head(first_sample: int, n_samples: int, n_channels: int, n_lines: int) -> bytes:
    """Return the head of a data frame's payload; codes, channel after channel, and line bytes follow."""
    return _DATA.pack(first_sample, n_samples, n_channels, n_lines)


def samples_per_frame(setup: ScanSetup, *, frame_s: float, max_payload_bytes: int) -> int:
    """Return how many samples a data frame of about `frame_s` holds; at least one."""
    fit = (max_payload_bytes - _DATA.size) // max(1, setup.bytes_per_sample)
    return max(1, min(int(setup.rate_mhz / 1000 * frame_s), fit))


def decode_data(payload: memoryview, *, n_channels: int, n_lines: int) -> DataPart:
    """Read a data frame of a scan of `n_channels` and `n_lines`; the arrays look into the payload."""
    _at_least(payload, _DATA.size)
    first_sample, n_samples, channels, lines = _DATA.unpack_from(payload)
    if (channels, lines) != (n_channels, n_lines):
        raise PayloadError(f"{channels} channels and {lines} lines in a scan of {n_channels} and {n_lines}")
    width = line_bytes(n_lines)
    _exactly(payload, _DATA.size + n_samples * (2 * n_channels + width))
    codes = np.frombuffer(payload, "<i2", n_channels * n_samples, _DATA.size)
    words = np.frombuffer(payload, np.uint8, width * n_samples, _DATA.size + codes.nbytes)
    return DataPart(first_sample, codes.reshape(n_channels, n_samples), words.reshape(n_samples, width))


def _exactly(payload: memoryview, n_bytes: int) -> None:
    if len(payload) != n_bytes:
        raise PayloadError(f"{len(payload)} bytes where {n_bytes} belong")


def _at_least(payload: memoryview, n_bytes: int) -> None:
    if len(payload) < n_bytes:
        raise PayloadError(f"{len(payload)} bytes where at least {n_bytes} belong")
