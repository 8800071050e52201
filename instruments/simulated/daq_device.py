"""The simulated data-acquisition device: the firmware's side of `daq_protocol.md` in front of the plant."""

from collections.abc import Callable
from typing import NoReturn

from instruments import daq_messages as messages
from instruments.daq_frames import FrameDecoder, encode_frame
from instruments.daq_messages import Command, Refusal, Reply, ScanSetup
from instruments.simulated.byte_queue import ByteQueue
from instruments.simulated.daq_outputs import Outputs, Watchdog
from instruments.simulated.daq_scan import NoiseKey, Scan
from instruments.simulated.parameters import DaqParameters
from instruments.simulated.port import PlantPort

IDENTITY = ("boxproof", "simulated DAQ", "SIM-DAQ-1", "1")
MAX_SCHEDULED = 4096
MAX_AHEAD_SAMPLES = 1 << 32
OUTPUT_MAX_MICROVOLTS = 10_000_000


class _RefusedError(Exception):
    """A command that gets an error reply."""

    def __init__(self, code: Refusal, text: str) -> None:
        super().__init__(text)
        self.code = code


class _Schedule:
    """Actions waiting for their sample; a stop or rest replaces it, and what still waits in the old one is void."""

    def __init__(self) -> None:
        self.waiting = 0


class SimulatedDaq:
    """What a serial line leads to. Commands take effect at the plant's present time, replies are there at once.

    What it does not model: the time a command takes on the link and in the firmware.
    """

    def __init__(self, *, plant: PlantPort, parameters: DaqParameters, seed: int) -> None:
        self._plant = plant
        self._parameters = parameters
        self._seed = seed
        self._outputs = Outputs(plant=plant, parameters=parameters)
        self._watchdog = Watchdog(plant=plant, time_ns=round(parameters.watchdog_s * 1e9))
        self._decoder = FrameDecoder()
        self._queue = ByteQueue()
        self._sequence = 0
        self._setup: ScanSetup | None = None
        self._scan: Scan | None = None
        self._scan_tag = 0
        self._schedule = _Schedule()
        self._noise_key = NoiseKey(seed, "", 0, 0)
        self._commands: dict[int, Callable[[memoryview], bytes]] = {
            Command.IDENTIFY: self._identify,
            Command.CONFIGURE_SCAN: self._configure_scan,
            Command.START: self._start,
            Command.STOP: self._stop,
            Command.SET_ANALOG: self._set_analog,
            Command.RAMP_ANALOG: self._ramp_analog,
            Command.SET_DIGITAL: self._set_digital,
            Command.READ_ANALOG_OUTPUTS: self._read_analog_outputs,
            Command.READ_DIGITAL_OUTPUTS: self._read_digital_outputs,
            Command.REST: self._rest,
            Command.BEAT: self._beat,
            Command.RELEASE_WATCHDOG: self._release_watchdog,
            Command.READ_WATCHDOG: self._read_watchdog,
        }

    def set_noise_key(self, procedure: str, attempt: int) -> None:
        """Say what the random numbers of the scans to come belong to; scans are counted from 0 again."""
        self._noise_key = NoiseKey(self._seed, procedure, attempt, 0)

    # the device's end of the line (serial_link.SerialDevice)

    @property
    def now_ns(self) -> int:
        """Return plant time."""
        return self._plant.now_ns

    def take_from_host(self, data: bytes) -> None:
        """Execute the commands that `data` completes."""
        for frame in self._decoder.feed(data):
            self._execute(frame.kind, frame.tag, frame.payload)

    def waiting_bytes(self) -> int:
        """Return how many bytes the host can read now."""
        self._convert()
        return self._queue.n_bytes

    def give_to_host(self, n_bytes: int) -> bytes:
        """Return the next bytes, at most `n_bytes`."""
        return self._queue.take(n_bytes)

    def next_bytes_ns(self) -> int | None:
        """Return when bytes will come without another command; None when they will not."""
        return None if self._scan is None else self._scan.next_frame_ns

    # frames out

    def _convert(self) -> None:
        if self._scan is None:
            self._plant.forget_before(self._plant.now_ns)
        else:
            self._send_data(self._scan.due_payloads(room=self._room(self._scan)))

    def _room(self, scan: Scan) -> int:
        return max(0, scan.buffer_frames - self._queue.n_data)

    def _send_data(self, payloads: list[bytes | None]) -> None:
        for payload in payloads:
            if payload is None:
                self._sequence += 1  # it was sent, and got lost on the way
            else:
                self._queue.put(self._framed(Reply.DATA, self._scan_tag, payload), is_data=True)

    def _framed(self, kind: int, tag: int, payload: bytes) -> bytes:
        frame = encode_frame(kind, sequence=self._sequence, tag=tag, payload=payload)
        self._sequence += 1
        return frame

    # commands in

    def _execute(self, kind: int, tag: int, payload: memoryview) -> None:
        try:
            command = self._commands.get(kind)
            if command is None:
                self._refuse(Refusal.UNKNOWN_COMMAND, f"no command {kind:#04x}")
            try:
                answer = command(payload)
            except messages.PayloadError as error:
                self._refuse(Refusal.BAD_PAYLOAD, str(error))
        except _RefusedError as refused:
            reply = self._framed(Reply.ERROR, tag, messages.encode_error(refused.code, str(refused)))
        else:
            reply = self._framed(Reply.ACKNOWLEDGE, tag, answer)
        self._queue.put(reply)

    @staticmethod
    def _refuse(code: Refusal, text: str) -> NoReturn:
        raise _RefusedError(code, text)

    def _identify(self, _payload: memoryview) -> bytes:
        return messages.encode_identity(IDENTITY)

    def _configure_scan(self, payload: memoryview) -> bytes:
        setup = messages.decode_scan(payload)
        if self._scan is not None:
            self._refuse(Refusal.RUNNING, "a scan is running; stop it first")
        for number, range_mv in setup.channels:
            if number not in self._parameters.inputs:
                self._refuse(Refusal.BAD_CHANNEL, f"no analogue input {number}")
            if range_mv / 1000 not in self._parameters.noise_v:
                self._refuse(Refusal.OUT_OF_RANGE, f"no such input range as {range_mv / 1000} V")
        for line in setup.lines:
            if line not in self._parameters.digital_inputs:
                self._refuse(Refusal.BAD_CHANNEL, f"no digital input {line}")
        if not setup.bytes_per_sample or not setup.rate_mhz:
            self._refuse(Refusal.OUT_OF_RANGE, "a scan takes at least one input and a rate above 0")
        rate_hz = setup.rate_mhz / 1000
        total_hz = rate_hz * len(setup.channels)
        if rate_hz > self._parameters.max_rate_hz or total_hz > self._parameters.max_total_rate_hz:
            self._refuse(Refusal.RATE_TOO_HIGH, f"{rate_hz} Hz of {len(setup.channels)} channels is too fast")
        self._setup = setup
        return messages.encode_rate(setup.rate_mhz)

    def _start(self, payload: memoryview) -> bytes:
        tag = messages.decode_scan_number(payload)
        if self._scan is not None:
            self._refuse(Refusal.RUNNING, "a scan is running; stop it first")
        if self._setup is None:
            self._refuse(Refusal.NOT_CONFIGURED, "configure a scan first")
        self._scan_tag = tag
        self._scan = Scan(setup=self._setup, parameters=self._parameters, plant=self._plant, key=self._noise_key)
        self._noise_key = self._noise_key._replace(scan=self._noise_key.scan + 1)
        return b""

    def _stop(self, _payload: memoryview) -> bytes:
        scan = self._running()
        self._send_data(scan.last_payloads(room=self._room(scan)))
        self._scan = None
        self._schedule = _Schedule()
        return messages.encode_samples_taken(scan.samples_taken())

    def _set_analog(self, payload: memoryview) -> bytes:
        channel, microvolts, at_sample = messages.decode_analog(payload)
        self._check_analog(channel, microvolts)
        self._do(at_sample, lambda: self._outputs.set_analog(channel, microvolts))
        return b""

    def _ramp_analog(self, payload: memoryview) -> bytes:
        channel, microvolts, at_sample, n_samples = messages.decode_ramp(payload)
        self._check_analog(channel, microvolts)
        if not 0 < n_samples <= MAX_AHEAD_SAMPLES:
            self._refuse(Refusal.OUT_OF_RANGE, f"a ramp takes 1 to {MAX_AHEAD_SAMPLES} samples, not {n_samples}")
        duration_ns = self._running().time_ns(n_samples) - self._running().time_ns(0)
        self._do(at_sample, lambda: self._outputs.ramp_analog(channel, microvolts, duration_ns))
        return b""

    def _set_digital(self, payload: memoryview) -> bytes:
        output, on, at_sample = messages.decode_digital(payload)
        if output not in self._parameters.digital_outputs:
            self._refuse(Refusal.BAD_CHANNEL, f"no digital output {output}")
        if on not in {0, 1}:
            self._refuse(Refusal.OUT_OF_RANGE, f"state {on} is neither 0 nor 1")
        self._do(at_sample, lambda: self._outputs.set_digital(output, bool(on)))
        return b""

    def _read_analog_outputs(self, _payload: memoryview) -> bytes:
        return messages.encode_analog_outputs(self._outputs.analog_microvolts())

    def _read_digital_outputs(self, _payload: memoryview) -> bytes:
        return messages.encode_digital_outputs(self._outputs.digital_states(), self._outputs.n_digital)

    def _rest(self, _payload: memoryview) -> bytes:
        self._watchdog.release()
        self._schedule = _Schedule()
        self._outputs.rest()
        return b""

    def _beat(self, _payload: memoryview) -> bytes:
        if self._watchdog.expired:
            self._refuse(Refusal.WATCHDOG_EXPIRED, "the watchdog ran out and dropped its output; release it first")
        self._watchdog.beat()
        return b""

    def _release_watchdog(self, _payload: memoryview) -> bytes:
        self._watchdog.release()
        return b""

    def _read_watchdog(self, _payload: memoryview) -> bytes:
        time_ms = self._watchdog.time_ns // 1_000_000
        return messages.encode_watchdog(on=self._watchdog.on, expired=self._watchdog.expired, time_ms=time_ms)

    # schedule

    def _check_analog(self, channel: int, microvolts: int) -> None:
        if channel not in self._parameters.outputs:
            self._refuse(Refusal.BAD_CHANNEL, f"no analogue output {channel}")
        if not 0 <= microvolts <= OUTPUT_MAX_MICROVOLTS:
            self._refuse(Refusal.OUT_OF_RANGE, f"{microvolts / 1e6} V is beyond 0 to {OUTPUT_MAX_MICROVOLTS / 1e6} V")

    def _running(self) -> Scan:
        if self._scan is None:
            self._refuse(Refusal.NOT_RUNNING, "no scan is running")
        return self._scan

    def _do(self, at_sample: int, action: Callable[[], None]) -> None:
        """Act now, or have it done when a sample to come is taken; never late."""
        if at_sample == messages.NOW:
            action()
            return
        scan = self._running()
        taken = scan.samples_taken()
        if at_sample < taken:
            self._refuse(Refusal.LATE_SCHEDULE, f"sample {at_sample} is past, {taken} are taken; nothing was done")
        if at_sample - taken > MAX_AHEAD_SAMPLES:
            self._refuse(Refusal.OUT_OF_RANGE, f"sample {at_sample} is more than {MAX_AHEAD_SAMPLES} samples ahead")
        schedule = self._schedule
        if schedule.waiting >= MAX_SCHEDULED:
            self._refuse(Refusal.SCHEDULE_FULL, f"{MAX_SCHEDULED} actions wait already")
        schedule.waiting += 1

        def act() -> None:
            if self._schedule is schedule:
                schedule.waiting -= 1
                action()

        self._plant.at(scan.time_ns(at_sample), act)
