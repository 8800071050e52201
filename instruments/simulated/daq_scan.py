"""One scan of the simulated data-acquisition device: its sample clock, its converters, its data frames.

Nothing is computed until somebody asks for bytes; then everything that is due comes in one piece.
What it does not model: the converters' bandwidth, settling, non-linearity and coupling between channels.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from instruments.daq_frames import MAX_PAYLOAD_BYTES
from instruments.daq_messages import CODES, ScanSetup, data_head, line_bytes, samples_per_frame
from instruments.simulated.noise import GaussianNoise, uniform
from instruments.simulated.parameters import DaqParameters
from instruments.simulated.port import PlantPort

FRAME_S = 0.050
BUFFER_S = 0.2  # of frames that the device holds for a host that does not read


class NoiseKey(NamedTuple):
    """What the random numbers of a scan belong to."""

    seed: int
    procedure: str
    attempt: int
    scan: int  # counted within the attempt


class Scan:
    """Samples from `start_ns` on; sample i is taken at start_ns + round(i * period).

    Attributes:
        frame_samples: samples in a full data frame.
        buffer_frames: full frames that the device holds at most.
        next_frame_ns: when the last sample of the next full frame is taken.
    """

    def __init__(self, *, setup: ScanSetup, parameters: DaqParameters, plant: PlantPort, key: NoiseKey) -> None:
        self.setup = setup
        self.frame_samples = samples_per_frame(setup, frame_s=FRAME_S, max_payload_bytes=MAX_PAYLOAD_BYTES)
        rate_hz = setup.rate_mhz / 1000
        self.buffer_frames = max(4, int(BUFFER_S * rate_hz / self.frame_samples))
        self._parameters = parameters
        self._plant = plant
        self._key = key
        self._start_ns = plant.now_ns
        self._period_ns = 1e9 / (rate_hz * (1 + parameters.clock_error))
        self._numbers = [number for number, _ in setup.channels]
        self._noise = [GaussianNoise(*key, f"daq.input-{number}") for number in self._numbers]
        ranges_v = [range_mv / 1000 for _, range_mv in setup.channels]
        self._codes_per_v = [CODES / range_v for range_v in ranges_v]
        rms_codes = [parameters.noise_v[range_v] * CODES / range_v for range_v in ranges_v]
        self._noise_codes = np.array(rms_codes, np.float32)[:, np.newaxis]
        self._next_frame = 0
        self.next_frame_ns = self._frame_ns()

    def time_ns(self, sample: int) -> int:
        """Return when a sample is taken."""
        return self._start_ns + round(sample * self._period_ns)

    def samples_taken(self) -> int:
        """Return how many samples have been taken by now."""
        taken = int((self._plant.now_ns - self._start_ns) / self._period_ns) + 1
        while self.time_ns(taken) <= self._plant.now_ns:
            taken += 1
        while self.time_ns(taken - 1) > self._plant.now_ns:
            taken -= 1
        return taken

    def due_payloads(self, *, room: int) -> list[bytes | None]:
        """Return the payloads of full frames due by now, `room` of them at most; those beyond are lost.

        None stands for a frame that the defect `lost_frame_fraction` swallows on the link.
        """
        if self._plant.now_ns < self.next_frame_ns:
            return []
        first_frame = self._next_frame
        n_due = self.samples_taken() // self.frame_samples - first_frame
        self._next_frame += n_due
        self.next_frame_ns = self._frame_ns()
        n_kept = min(n_due, room)
        payloads = self._payloads(first_frame, n_kept * self.frame_samples)
        next_ns = self.time_ns(self._next_frame * self.frame_samples)
        self._plant.forget_before(min(next_ns, self._plant.now_ns))  # a stop may come before the next sample
        return payloads

    def last_payloads(self, *, room: int) -> list[bytes | None]:
        """Return what is due when the scan is stopped now, an unfilled frame at the end included."""
        payloads = self.due_payloads(room=room)
        left = self.samples_taken() - self._next_frame * self.frame_samples
        if left and len(payloads) < room:
            payloads += self._payloads(self._next_frame, left)
        self._plant.forget_before(self._plant.now_ns)
        return payloads

    def _frame_ns(self) -> int:
        return self.time_ns((self._next_frame + 1) * self.frame_samples - 1)

    def _payloads(self, first_frame: int, n_samples: int) -> list[bytes | None]:
        """Return frames from `first_frame` on that hold `n_samples` together."""
        if not n_samples:
            return []
        first_sample = first_frame * self.frame_samples
        times_ns = self._times_ns(first_sample, n_samples)
        codes = self._codes(first_sample, times_ns)
        lines = self._lines(times_ns)
        payloads: list[bytes | None] = []
        for frame, start in enumerate(range(0, n_samples, self.frame_samples), first_frame):
            end = min(start + self.frame_samples, n_samples)
            head = data_head(first_sample + start, end - start, len(self.setup.channels), len(self.setup.lines))
            body = codes[:, start:end].tobytes() + lines[start:end].tobytes()
            payloads.append(None if self._is_lost(frame) else head + body)
        return payloads

    def _times_ns(self, first_sample: int, n_samples: int) -> NDArray[np.int64]:
        offsets = np.rint(np.arange(first_sample, first_sample + n_samples) * self._period_ns)
        times_ns: NDArray[np.int64] = offsets.astype(np.int64) + self._start_ns
        return times_ns

    def _codes(self, first_sample: int, times_ns: NDArray[np.int64]) -> NDArray[np.int16]:
        """Return codes (n_channels, n_samples)."""
        volts = self._plant.sample(self._numbers, times_ns)
        exact = np.empty((len(volts), len(times_ns)), np.float32)  # float32 keeps 1/256 of a code
        noise = np.empty_like(exact)
        for row, codes_per_v in enumerate(self._codes_per_v):
            exact[row] = volts[row] * codes_per_v
            self._noise[row].fill(noise[row], first_sample)
        noise *= self._noise_codes
        noise += exact
        whole = np.rint(noise, out=noise)
        for row, number in enumerate(self._numbers):
            fraction = self._parameters.inputs[number].clip_fraction
            if fraction < 1:  # such an input shows the code of full scale before its range ends
                whole[row, exact[row] >= fraction * CODES] = CODES
                whole[row, exact[row] <= -fraction * CODES] = -CODES
        codes: NDArray[np.int16] = np.clip(whole, -CODES, CODES - 1, out=whole).astype("<i2")
        return codes

    def _lines(self, times_ns: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return line bytes (n_samples, width); the plant packs 64 inputs at a time."""
        width = line_bytes(len(self.setup.lines))
        lines = np.empty((len(times_ns), width), np.uint8)
        for first in range(0, len(self.setup.lines), 64):
            words = self._plant.sample_lines(self.setup.lines[first : first + 64], times_ns)
            at = first // 8
            octets = words.astype("<u8").view(np.uint8).reshape(-1, 8)
            lines[:, at : at + 8] = octets[:, : width - at]
        return lines

    def _is_lost(self, frame: int) -> bool:
        fraction = self._parameters.lost_frame_fraction
        return fraction > 0 and uniform(*self._key, "daq.lost-frame", frame) < fraction
