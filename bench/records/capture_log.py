"""Writing a capture as it comes: one log file, flushed about once a second of samples.

Parquet can't serve here: its index stands at the end of the file, so a run killed in the middle would leave
nothing readable. The log leaves every finished chunk, whatever moment the process or the power goes.

Each data chunk holds one stretch of samples, channel after channel, then the digital words, so that one
channel of a long record is read by seeking. Payloads:

    header   JSON, `capture_header.header_to_json`
    data     first sample and number of samples (two int64), then per channel that many int16 codes,
             then that many digital words in the narrowest unsigned type that holds the lines (none without lines)
    events   JSON list
    closing  JSON: n_samples, gaps, n_events

Not thread-safe: the thread that drives the rig appends.
"""

import json
import os
import struct
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Event, Gap
from bench.errors import RecordError
from bench.records.capture_header import CaptureHeader, event_to_json, gaps_to_json, header_to_json
from bench.records.chunks import ChunkKind, encode_chunk
from bench.records.durable import disk_faults

CHUNK_S = 1.0
STRETCH = struct.Struct("<qq")
LOG_SUFFIX = ".log"
LARGEST_RAW_BYTES = 128_000_000  # four times what a plan may ask of one capture


class CaptureWriter:
    """Appends one capture to a new log.

    A killed process loses only what stands in the buffer. Against a power failure a chunk is forced to disk
    (fsync) about once a second of samples, which costs milliseconds, a small part of the time it guards. Simulated
    time has no such price to pay: a run that can be made again is flushed, not forced.

    Args:
        path: file to be made; must not exist.
        header: what is known before the first sample.
        force: whether chunks are forced to disk.

    Raises:
        RecordError: the file exists, or the disk refuses.
    """

    def __init__(self, path: Path, header: CaptureHeader, *, force: bool = True) -> None:
        self.path = path
        self._force = force
        self.header = header
        self.n_samples = 0
        self._gaps: list[Gap] = []
        self._blocks: list[tuple[NDArray[np.int16], NDArray[np.unsignedinteger[Any]] | None]] = []  # channel by channel
        self._buffered = 0
        self._unsynced = 0
        self._events: list[Event] = []
        self._n_events = 0
        self._sequence = 0
        self._chunk_samples = max(1, round(CHUNK_S * header.sample_rate_hz))
        self._word_dtype = header.word_dtype()
        with disk_faults(path):
            self._file = path.open("xb", buffering=0)
        try:
            self._write(ChunkKind.HEADER, _json_bytes(header_to_json(header)))
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

    @property
    def closed(self) -> bool:
        """Say whether the log was closed or abandoned."""
        return self._file.closed

    def append(self, first_sample: int, codes: NDArray[np.int16], words: NDArray[np.uint64]) -> None:
        """Append consecutive samples; where `first_sample` leaves samples out, they become a gap.

        Args:
            first_sample: index of the block's first sample, 0 for the capture's first.
            codes: shape (n, n_channels).
            words: shape (n,); bit i is the header's i-th line.

        Raises:
            ValueError: shapes, types or bits don't fit the header, or the block goes back in time.
            RecordError: the disk refuses, the log is closed, or the capture outgrows all measure.
        """
        self._check_block(first_sample, codes, words)
        expected = self.n_samples
        if first_sample > expected:
            self._flush_data()  # a chunk holds consecutive samples only
            self._gaps.append(Gap(first_sample=expected, n_samples=first_sample - expected))
        self.n_samples = first_sample + len(words)
        if len(words):
            narrow = None if self._word_dtype is None else words.astype(self._word_dtype)
            self._blocks.append((codes.T.astype("<i2"), narrow))  # copies: a driver may use its buffer again
            self._buffered += len(words)
        if self._buffered >= self._chunk_samples:
            self.flush()

    def event(self, event: Event) -> None:
        """Take an event; it reaches the disk with the next flush."""
        self._events.append(event)

    def flush(self) -> None:
        """Write what stands in the buffer, and force it to disk once a second of samples.

        Raises:
            RecordError: the disk refuses, or the log is closed.
        """
        self._flush_data()
        if self._events:
            self._write(ChunkKind.EVENTS, _json_bytes([event_to_json(event) for event in self._events]))
            self._n_events += len(self._events)
            self._events.clear()
        if self._unsynced >= self._chunk_samples:
            self._sync()

    def close(self, n_samples: int | None = None) -> None:
        """Write the rest and the closing chunk, force all to disk; closing again does nothing.

        Args:
            n_samples: samples the scan took, where known: what is missing at the end becomes a gap.

        Raises:
            RecordError: the disk refuses.
        """
        if self.closed:
            return
        try:
            self.flush()
            if n_samples is not None and n_samples > self.n_samples:
                self._gaps.append(Gap(first_sample=self.n_samples, n_samples=n_samples - self.n_samples))
                self.n_samples = n_samples
            closing = {"n_samples": self.n_samples, "gaps": gaps_to_json(self._gaps), "n_events": self._n_events}
            self._write(ChunkKind.CLOSING, _json_bytes(closing))
            self._sync()
        finally:
            self._file.close()

    def abandon(self) -> None:
        """Leave the log as a killed run would, without a closing chunk: it will read as broken off."""
        if self.closed:
            return
        try:
            self.flush()
            self._sync()
        finally:
            self._file.close()

    def _check_block(self, first_sample: int, codes: NDArray[np.int16], words: NDArray[np.uint64]) -> None:
        name = self.header.name
        n_channels = len(self.header.channels)
        if codes.dtype != np.int16 or codes.ndim != 2 or codes.shape != (len(words), n_channels):
            raise ValueError(
                f"capture {name}: codes are {codes.dtype} {codes.shape}, not int16 {len(words), n_channels}"
            )
        if words.dtype != np.uint64 or words.ndim != 1:
            raise ValueError(f"capture {name}: words are {words.dtype} {words.shape}, not uint64 (n,)")
        if len(words) and int(words.max()) >> len(self.header.lines):
            raise ValueError(f"capture {name}: a word has a bit beyond its {len(self.header.lines)} lines")
        if first_sample < self.n_samples:
            raise ValueError(f"capture {name}: sample {first_sample} came again, {self.n_samples} was next")
        if (first_sample + len(words)) * self.header.sample_bytes() > LARGEST_RAW_BYTES:
            raise RecordError(
                f"{self.path}: sample {first_sample} after {self.n_samples} makes the capture larger than "
                f"{LARGEST_RAW_BYTES // 1_000_000} MB. Lower the plan's rate or duration; if they are as they "
                "were, the DAQ's sample count jumped: check its cable."
            )

    def _flush_data(self) -> None:
        if not self._buffered:
            return
        codes = np.concatenate([block for block, _ in self._blocks], axis=1)
        words = [block.tobytes() for _, block in self._blocks if block is not None]
        parts = [STRETCH.pack(self.n_samples - self._buffered, self._buffered), codes.tobytes(), *words]
        self._write(ChunkKind.DATA, b"".join(parts))
        self._unsynced += self._buffered
        self._blocks.clear()
        self._buffered = 0

    def _write(self, kind: ChunkKind, payload: bytes) -> None:
        if self.closed:
            raise RecordError(f"{self.path}: the capture is closed; nothing can be added")
        rest = memoryview(encode_chunk(kind, self._sequence, payload))
        with disk_faults(self.path):
            while rest:  # an unbuffered write may take only a part
                rest = rest[self._file.write(rest) :]
        self._sequence += 1

    def _sync(self) -> None:
        if self._force:
            with disk_faults(self.path):
                os.fsync(self._file.fileno())
        self._unsynced = 0


def _json_bytes(document: Mapping[str, Any] | list[Any]) -> bytes:
    return json.dumps(document, allow_nan=False).encode("ascii")
