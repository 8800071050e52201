"""Driver of a data-acquisition device that speaks `daq_protocol.md` over a serial port.

One lock guards the port: `drain` may come from a thread of its own in wall time. It never raises: what went
wrong in it is raised by the next `take_blocks`. Nothing is retried here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import serial

from instruments import daq_messages as messages
from instruments.capabilities import DataAcquisition, Identity, SampleBlock, ScanRequest
from instruments.clock import Clock
from instruments.daq_blocks import BlockBuffer
from instruments.daq_frames import Frame
from instruments.daq_link import DaqLink
from instruments.daq_messages import Command, Refusal
from instruments.errors import InstrumentError, ProtocolError, RatingExceededError, SettingRefusedError
from instruments.transports.serial_port import SerialPort, serial_errors

MAX_LINES = 64  # digital inputs that fit the word of a sample block
BAUD = 921_600  # a USB device ignores it


@dataclass(frozen=True, slots=True, kw_only=True)
class DaqRatings:
    """What the device may be asked for; numbers of inputs and outputs begin at 0."""

    ranges_v: tuple[float, ...]
    n_inputs: int
    n_outputs: int
    n_digital_inputs: int
    n_digital_outputs: int
    output_max_v: float  # analogue outputs reach from 0 V to here
    max_rate_hz: float  # of each channel
    max_total_rate_hz: float  # channels times rate


class SerialDaq:  # satisfies capabilities.DataAcquisition
    """The device behind an open pyserial port.

    Args:
        port: open port with `timeout` 0: its reads return at once; waiting is the clock's.
        clock: bench time, for deadlines.
        ratings: limits checked before anything is sent.
        name: how messages call it.
        time_out_s: how long a reply may take.
    """

    def __init__(self, *, port: SerialPort, clock: Clock, ratings: DaqRatings, name: str, time_out_s: float) -> None:
        self._ratings = ratings
        self._name = name
        self._link = DaqLink(port=port, clock=clock, name=name, time_out_s=time_out_s, take_data=self._keep)
        self._lock = self._link.lock
        self._scan = 0
        self._shape = (0, 0)  # channels and lines of the scan
        self._running = False
        self._blocks = BlockBuffer(0)
        self._failure: InstrumentError | None = None
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def identify(self) -> Identity:
        """Ask who it is.

        Raises:
            ProtocolError: it speaks another version of the protocol.
        """
        version, texts = self._link.ask(Command.IDENTIFY, messages.decode_identity)
        if version != messages.PROTOCOL_VERSION or len(texts) != 4:
            message = f"{self._name} speaks protocol version {version}, this driver {messages.PROTOCOL_VERSION}."
            raise ProtocolError(f"{message} Update the older one.", instrument=self._name, command="IDENTIFY")
        maker, model, serial_number, firmware = texts
        return Identity(maker=maker, model=model, serial=serial_number, firmware=firmware)

    def start(self, request: ScanRequest) -> None:
        """Start sampling; sample 0 is taken when the device has the command.

        Raises:
            RatingExceededError: more than the ratings allow; nothing was sent.
            SettingRefusedError: the device refused, or can't sample at just this rate.
        """
        self._check_scan(request)
        setup = messages.ScanSetup(
            channels=tuple((number, round(range_v * 1000)) for number, range_v in request.channels),
            lines=request.lines,
            rate_mhz=round(request.sample_rate_hz * 1000),
        )
        rate_mhz = self._link.ask(Command.CONFIGURE_SCAN, messages.decode_rate, messages.encode_scan(setup))
        if rate_mhz != setup.rate_mhz:
            message = f"{self._name}: asked for {request.sample_rate_hz} Hz, it would sample at {rate_mhz / 1000} Hz."
            raise SettingRefusedError(f"{message} Choose that rate.", instrument=self._name, command="CONFIGURE_SCAN")
        with self._lock:
            self._scan = (self._scan + 1) % messages.REQUEST_TAGS
            self._shape = (len(setup.channels), len(setup.lines))
            self._blocks = BlockBuffer(len(setup.channels))
            self._failure = None
            self._link.request(Command.START, messages.encode_scan_number(self._scan))
            self._running = True

    def stop(self) -> None:
        """End the scan and take in what came before the acknowledgement; without a scan it does nothing."""
        with self._lock:
            if not self._running:
                return
            self._blocks.finish(self._link.ask(Command.STOP, messages.decode_samples_taken))
            self._running = False

    def take_blocks(self) -> Sequence[SampleBlock]:
        """Return the samples that came since the last call.

        Each block is one stretch without a gap, its codes one channel after the other in memory. Samples that
        are missing at the end of a stopped scan show as an empty block at the index where the scan ended.

        Raises:
            InstrumentError: what went wrong in a `drain` since the last call.
        """
        with self._lock:
            failure, self._failure = self._failure, None
            if failure is not None:
                raise failure
            return self._blocks.take()

    def drain(self) -> None:
        """Read and decode what waits at the port; never waits, never raises."""
        with self._lock:
            if self._closed:
                return
            try:
                self._link.take_waiting()
            except InstrumentError as error:
                self._failure = error

    def code_scale(self, range_v: float) -> float:
        """Return volts per code; the codes -32768 to 32767 span the range."""
        if range_v not in self._ratings.ranges_v:
            raise self._exceeded(f"range {range_v} V", f"ranges {self._ratings.ranges_v}", "CONFIGURE_SCAN")
        return range_v / messages.CODES

    def set_analog(self, channel: int, voltage_v: float, *, at_sample: int | None = None) -> None:
        """Set an analogue output now, or right after sample `at_sample` of the running scan.

        Raises:
            RatingExceededError: no such output, or beyond 0 V to the maximum; nothing was sent.
            LateScheduleError: that sample is already taken; the output was not changed.
        """
        microvolts = self._checked_output(channel, voltage_v, "SET_ANALOG")
        self._link.request(Command.SET_ANALOG, messages.encode_analog(channel, microvolts, _moment(at_sample)))

    def ramp_analog(self, channel: int, to_voltage_v: float, *, at_sample: int, n_samples: int) -> None:
        """Ramp an analogue output from where it then stands, from sample `at_sample` on, over `n_samples`.

        Raises:
            RatingExceededError: no such output, or beyond 0 V to the maximum; nothing was sent.
            LateScheduleError: that sample is already taken; the output was not changed.
        """
        microvolts = self._checked_output(channel, to_voltage_v, "RAMP_ANALOG")
        payload = messages.encode_ramp(channel, microvolts, _moment(at_sample), n_samples)
        self._link.request(Command.RAMP_ANALOG, payload)

    def set_digital(self, output: int, on: bool, *, at_sample: int | None = None) -> None:
        """Set a digital output now, or right after sample `at_sample` of the running scan.

        Raises:
            RatingExceededError: no such output; nothing was sent.
            LateScheduleError: that sample is already taken; the output was not changed.
        """
        if not 0 <= output < self._ratings.n_digital_outputs:
            allowed = f"outputs 0 to {self._ratings.n_digital_outputs - 1}"
            raise self._exceeded(f"digital output {output}", allowed, "SET_DIGITAL")
        self._link.request(Command.SET_DIGITAL, messages.encode_digital(output, on, _moment(at_sample)))

    def read_digital_outputs(self) -> int:
        """Return the states of all digital outputs, output n in bit n."""
        return self._link.ask(Command.READ_DIGITAL_OUTPUTS, messages.decode_digital_outputs)

    def read_analog_outputs(self) -> tuple[float, ...]:
        """Return what every analogue output is set to now, in volts."""
        microvolts = self._link.ask(Command.READ_ANALOG_OUTPUTS, messages.decode_analog_outputs)
        return tuple(value / 1e6 for value in microvolts)

    def beat(self) -> None:
        """Switch the watchdog output on, or keep it on for its time from now.

        Raises:
            SettingRefusedError: it had run out since the last release. What hangs on it has been without power,
                so it stays off until `release_watchdog` says that somebody knows.
        """
        self._link.request(Command.BEAT)

    def release_watchdog(self) -> None:
        """Let the watchdog output drop now; clears that it had run out."""
        self._link.request(Command.RELEASE_WATCHDOG)

    def watchdog_on(self) -> bool:
        """Say whether the watchdog output is on."""
        return self._link.ask(Command.READ_WATCHDOG, messages.decode_watchdog)[0]

    def make_safe(self) -> None:
        """Let the watchdog drop, every output 0 V and off, nothing scheduled; read back.

        Raises:
            SettingRefusedError: something is still on.
            InstrumentError: no knowing: the device does not answer.
        """
        self._link.request(Command.REST)
        left = []
        if self.watchdog_on():
            left.append("the watchdog output is on")
        if states := self.read_digital_outputs():
            left.append(f"digital outputs {[n for n in range(states.bit_length()) if states >> n & 1]} are on")
        if any(volts := self.read_analog_outputs()):
            left.append(f"analogue outputs stand at {volts} V")
        if left:
            message = f"{self._name} after REST: {'; '.join(left)}. Switch the bench off by hand."
            raise SettingRefusedError(message, instrument=self._name, command="REST")

    def close(self) -> None:
        """Make safe, stop and close the port, whatever fails on the way; a second call does nothing."""
        with self._lock:
            if self._closed:
                return
            try:
                try:
                    self.make_safe()
                finally:
                    self.stop()
            finally:
                self._closed = True
                self._link.close()

    def stop_left_over_scan(self) -> None:
        """Stop a scan that an earlier program left running."""
        self._link.request(Command.STOP, expected=Refusal.NOT_RUNNING)

    def _keep(self, frame: Frame) -> None:
        """Take in a data frame; one of an earlier scan is dropped."""
        if frame.tag != self._scan:
            return
        n_channels, n_lines = self._shape
        try:
            self._blocks.add(messages.decode_data(frame.payload, n_channels=n_channels, n_lines=n_lines))
        except messages.PayloadError as error:
            message = f"{self._name}: data frame {frame.sequence} is not of this scan: {error}. Update its firmware."
            self._failure = ProtocolError(message, instrument=self._name, command="DATA")

    def _check_scan(self, request: ScanRequest) -> None:
        ratings = self._ratings
        for number, range_v in request.channels:
            if not 0 <= number < ratings.n_inputs:
                raise self._exceeded(f"analogue input {number}", f"inputs 0 to {ratings.n_inputs - 1}", "start")
            self.code_scale(range_v)
        for line in request.lines:
            if not 0 <= line < ratings.n_digital_inputs:
                raise self._exceeded(f"digital input {line}", f"inputs 0 to {ratings.n_digital_inputs - 1}", "start")
        if len(request.lines) > MAX_LINES:
            raise self._exceeded(f"{len(request.lines)} digital inputs", f"{MAX_LINES} at once", "start")
        rate_hz = request.sample_rate_hz
        if not 0.001 <= rate_hz <= ratings.max_rate_hz:  # one millihertz is the protocol's step
            raise self._exceeded(f"{rate_hz} Hz", f"0.001 to {ratings.max_rate_hz} Hz", "start")
        total_hz = rate_hz * len(request.channels)
        if total_hz > ratings.max_total_rate_hz:
            allowed = f"{ratings.max_total_rate_hz:.0f} samples per second of all channels"
            raise self._exceeded(f"{len(request.channels)} channels at {rate_hz} Hz ({total_hz:.0f})", allowed, "start")

    def _checked_output(self, channel: int, voltage_v: float, command: str) -> int:
        """Return the voltage in microvolts."""
        if not 0 <= channel < self._ratings.n_outputs:
            allowed = f"outputs 0 to {self._ratings.n_outputs - 1}"
            raise self._exceeded(f"analogue output {channel}", allowed, command)
        if not 0.0 <= voltage_v <= self._ratings.output_max_v:
            allowed = f"0 to {self._ratings.output_max_v} V"
            raise self._exceeded(f"{voltage_v} V at analogue output {channel}", allowed, command)
        return round(voltage_v * 1e6)

    def _exceeded(self, asked: str, allowed: str, command: str) -> RatingExceededError:
        message = f"{self._name}: {command} asks for {asked}; its bench sheet allows {allowed}. Nothing was sent."
        return RatingExceededError(message, instrument=self._name, command=command)


def open_daq(url: str, *, clock: Clock, ratings: DaqRatings, name: str, time_out_s: float) -> SerialDaq:
    """Open the port (for this program alone), stop a scan left running, and check that the protocol is ours.

    Args:
        url: port name or pyserial URL.
        clock: bench time.
        ratings: from the bench sheet.
        name: how messages call it.
        time_out_s: how long a reply, or a write, may take.

    Raises:
        InstrumentError: not there, in use, silent, or something else answers.
    """
    with serial_errors(name, f"open {url}"):
        port = serial.serial_for_url(url, baudrate=BAUD, timeout=0, write_timeout=time_out_s, exclusive=True)
    daq = SerialDaq(port=port, clock=clock, ratings=ratings, name=name, time_out_s=time_out_s)
    try:
        daq.stop_left_over_scan()
        daq.identify()
    except BaseException:
        port.close()
        raise
    return daq


def _moment(at_sample: int | None) -> int:
    """Return the sample index of a message."""
    if at_sample is None:
        return messages.NOW
    if not 0 <= at_sample < messages.NOW:
        raise ValueError(f"sample index {at_sample}: it counts from 0, the first sample of the scan")
    return at_sample


if TYPE_CHECKING:
    _: type[DataAcquisition] = SerialDaq
