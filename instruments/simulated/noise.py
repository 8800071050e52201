"""Random numbers that depend on what they are for, never on the order or the size of calls.

Every stream is a Philox generator whose key is a digest of (seed, component, procedure, attempt, ...). Noise
samples come in fixed blocks counted from the start of a scan, so slices of 1 ms or 50 ms see identical noise.
Each sample is drawn for itself (no table is repeated): means over long captures are as good as they look.
"""

import hashlib
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from instruments.simulated.philox import PhiloxStream

BLOCK_SAMPLES = 4096
SLICES = 1 << 16  # of equal probability
_STREAM = PhiloxStream()


def philox_key(seed: int, *parts: str | int) -> int:
    """Return the 128-bit key that belongs to a seed and the names of a purpose."""
    text = "\0".join(repr(part) for part in (seed, *parts))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=16).digest(), "little")


def uniform(seed: int, *parts: str | int) -> float:
    """Return one draw from [0, 1) that belongs to these names alone."""
    return float(_STREAM.at(philox_key(seed, *parts)).random())


class GaussianNoise:
    """White noise of one channel in one scan, mean 0 and rms 1, addressed by sample index.

    A sample is the middle of one of 65,536 equally likely slices of the normal distribution, which are far finer than
    a converter's code, and a fifth of the cost of a normal deviate; in the two outermost slices, beyond 4.17 rms, it is
    drawn from the whole tail.

    What it does not model: noise that is coloured, coupled between channels, or not Gaussian.
    """

    def __init__(self, seed: int, *parts: str | int) -> None:
        self._key = philox_key(seed, *parts)
        self._last: tuple[int, NDArray[np.float32]] | None = None

    def fill(self, noise: NDArray[np.float32], first_sample: int) -> None:
        """Put samples `first_sample` and on into `noise`, shape (n_samples,)."""
        end = first_sample + len(noise)
        for number in range(first_sample // BLOCK_SAMPLES, -(-end // BLOCK_SAMPLES)):
            start = number * BLOCK_SAMPLES
            first, last = max(first_sample, start), min(end, start + BLOCK_SAMPLES)
            noise[first - first_sample : last - first_sample] = self._block(number)[first - start : last - start]

    def _block(self, number: int) -> NDArray[np.float32]:
        """Return one block; the last one is kept, since slices come in order."""
        if self._last is None or self._last[0] != number:
            generator = _STREAM.at(self._key, number)
            words = generator.bit_generator.random_raw(BLOCK_SAMPLES // 4)
            drawn = words.astype("<u8", copy=False).view("<u2")
            samples = _middles().take(drawn)
            outermost = np.flatnonzero(drawn + np.uint16(1) <= 1)  # 65535 + 1 is 0
            if outermost.size:
                samples[outermost] = ndtri((drawn[outermost] + generator.random(outermost.size)) / SLICES)
            self._last = (number, samples)
        return self._last[1]


@cache
def _middles() -> NDArray[np.float32]:
    """Return the middle of each slice, by probability, as float32 (65536,)."""
    return ndtri((np.arange(SLICES) + 0.5) / SLICES).astype(np.float32)
