"""Data frames as they came, until they are taken as few large blocks; bounded, and honest about what is missing."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from instruments.capabilities import SampleBlock
from instruments.daq_messages import DataPart

MAX_WAITING_BYTES = 64 * 1024 * 1024
MAX_WAITING_FRAMES = 16384


class BlockBuffer:
    """Samples of one scan. What does not fit is dropped, and shows as a jump of `first_sample` later."""

    def __init__(
        self, n_channels: int, *, max_bytes: int = MAX_WAITING_BYTES, max_frames: int = MAX_WAITING_FRAMES
    ) -> None:
        self._n_channels = n_channels
        self._max_bytes = max_bytes
        self._max_frames = max_frames
        self._parts: list[DataPart] = []
        self._bytes = 0
        self._end = 0  # index after the last sample kept
        self._final: int | None = None

    def add(self, part: DataPart) -> None:
        """Keep a frame's samples. A frame that reaches back before those kept is dropped: no sample comes twice."""
        n_bytes = part.codes.nbytes + part.lines.nbytes
        full = self._bytes + n_bytes > self._max_bytes or len(self._parts) >= self._max_frames
        if full or part.first_sample < self._end:
            return
        self._parts.append(part)
        self._bytes += n_bytes
        self._end = part.first_sample + part.lines.shape[0]

    def finish(self, samples_taken: int) -> None:
        """Note how many samples the scan had, so that missing ones at its end show too."""
        self._final = samples_taken

    def take(self) -> list[SampleBlock]:
        """Return what waits, oldest first, one block for each stretch without a gap.

        When the scan ended with samples that never came, an empty block stands last, at the index where the
        scan ended: the gap lies before it.
        """
        parts, self._parts, self._bytes = self._parts, [], 0
        cuts = [n + 1 for n, (a, b) in enumerate(pairwise(parts)) if a.first_sample + len(a.lines) != b.first_sample]
        edges = [0, *cuts, len(parts)] if parts else [0]
        blocks = [_joined(parts[first:last]) for first, last in pairwise(edges)]
        if self._final is not None and self._final > self._end:
            nothing = np.empty((0, self._n_channels), np.int16)
            blocks.append(SampleBlock(first_sample=self._final, codes=nothing, words=np.empty(0, np.uint64)))
            self._end = self._final
        return blocks


def _joined(parts: list[DataPart]) -> SampleBlock:
    """Return consecutive frames as one block; each channel's codes lie together in memory."""
    codes = np.concatenate([part.codes for part in parts], axis=1)
    words = _words(np.concatenate([part.lines for part in parts]))
    return SampleBlock(first_sample=parts[0].first_sample, codes=codes.T, words=words)


def _words(lines: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Return line bytes (n_samples, width), least significant first, as one word for each sample."""
    wide = np.zeros((len(lines), 8), np.uint8)
    wide[:, : lines.shape[1]] = lines
    return wide.view("<u8")[:, 0].astype(np.uint64)
