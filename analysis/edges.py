"""Where a sampled signal changes state: Schmitt edges, reference-level instants, line edges, burst starts.

Positions are sample indices; nothing here knows a sample rate except `burst_starts`, which is told an idle time.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64] | NDArray[np.float32] | NDArray[np.int16]

BLOCK_SAMPLES = 128 * 1024  # masks of one block stay in cache: measured fastest between 64 Ki and 128 Ki


class Edges(NamedTuple):
    """Changes of state in order: `positions` int64 (n,), `rising` bool (n,); directions alternate."""

    positions: NDArray[np.int64]
    rising: NDArray[np.bool_]


def find_edges(samples: Samples, low: float, high: float) -> Edges:
    """Find changes of state with hysteresis: high above `high`, low below `low`, unchanged between.

    A position is the first sample beyond the threshold. The state ahead of the first sample beyond either
    threshold is unknown, so that one is no edge. NaN lies beyond neither threshold and changes nothing. For
    ramps slow against the noise, `high - low` of at least 8 sigma keeps extra edges away.

    Args:
        samples: shape (n,), float64, float32 or int16.
        low: lower threshold, in the unit of the samples.
        high: upper threshold, same unit; not below `low`.

    Raises:
        ValueError: `low` is above `high`, or one of them is NaN.

    >>> import numpy as np
    >>> find_edges(np.array([0.0, 1.2, 3.0, 1.2, 0.0]), 1.0, 2.0)
    Edges(positions=array([2, 4]), rising=array([ True, False]))
    """
    if not low <= high:
        raise ValueError(f"thresholds: low {low} is not at or below high {high}")
    if np.issubdtype(samples.dtype, np.integer):
        # Integer thresholds that decide alike: comparing int16 with a float would convert the whole record.
        high = math.floor(high) if math.isfinite(high) else high
        low = math.ceil(low) if math.isfinite(low) else low
    return _alternating(*_run_starts(samples, low, high))


def _run_starts(samples: Samples, low: float, high: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the first samples of every run above `high` and of every run below `low`.

    A run that goes on from one block to the next shows twice; `_alternating` drops the repetition.
    """
    above = np.zeros(BLOCK_SAMPLES + 1, dtype=np.bool_)  # element 0 stays false, so that a first sample can start a run
    below = np.zeros(BLOCK_SAMPLES + 1, dtype=np.bool_)
    starts = np.empty(BLOCK_SAMPLES, dtype=np.bool_)
    rising: list[NDArray[np.int64]] = []
    falling: list[NDArray[np.int64]] = []
    for first in range(0, len(samples), BLOCK_SAMPLES):
        block = samples[first : first + BLOCK_SAMPLES]
        n = len(block)
        for mask, found in ((above, rising), (below, falling)):
            if mask is above:
                np.greater(block, high, out=mask[1 : n + 1])
            else:
                np.less(block, low, out=mask[1 : n + 1])
            np.greater(mask[1 : n + 1], mask[:n], out=starts[:n])
            positions = np.flatnonzero(starts[:n])
            if positions.size:
                found.append(positions.astype(np.int64, copy=False) + first)
    empty = np.empty(0, dtype=np.int64)
    return np.concatenate([empty, *rising]), np.concatenate([empty, *falling])


def _alternating(rising: NDArray[np.int64], falling: NDArray[np.int64]) -> Edges:
    """Merge both kinds of candidates in order and keep those that change the state."""
    positions = np.concatenate([rising, falling])
    upward = np.zeros(len(positions), dtype=np.bool_)
    upward[: len(rising)] = True
    order = np.argsort(positions, kind="stable")
    positions, upward = positions[order], upward[order]
    changes = np.flatnonzero(upward[1:] != upward[:-1]) + 1
    return Edges(positions[changes], upward[changes])


def crossing_positions(samples: Samples, edges: Edges, level: float) -> NDArray[np.float64]:
    """Locate where each edge crosses `level`: the reference-level instant, in fractional samples.

    Linear interpolation between the two samples that straddle the level (IEEE Std 181-2011, reference level
    instants). The crossing nearest to the edge's position is taken, searched back from it where the level is
    already passed there and forward where not, never beyond the neighbouring edges.

    Returns:
        float64, shape (n_edges,); NaN where the level is not crossed near an edge.
    """
    bounds = np.concatenate([[0], edges.positions, [len(samples) - 1]])
    result = np.full(len(edges.positions), np.nan)
    ends = samples[edges.positions].astype(np.float64)
    starts = samples[edges.positions - 1].astype(np.float64)
    straddled = np.where(edges.rising, (starts < level) & (ends >= level), (starts > level) & (ends <= level))
    np.divide(level - starts, ends - starts, out=result, where=straddled)
    result += edges.positions - 1
    for k in np.flatnonzero(~straddled).tolist():  # only slow edges are longer than one sample
        position, rising = int(edges.positions[k]), bool(edges.rising[k])
        after = _first_at_level(samples, level, rising, position, (int(bounds[k]), int(bounds[k + 2])))
        if after is not None:
            start, end = float(samples[after - 1]), float(samples[after])
            result[k] = after - 1 + (level - start) / (end - start)
    return result


def _first_at_level(samples: Samples, level: float, rising: bool, position: int, within: tuple[int, int]) -> int | None:
    """Return the sample that arrives at `level`, nearest to `position`; its neighbour before has not arrived.

    Looked for in growing stretches, as most edges are short and a slow ramp may be a whole record.
    """
    earliest, latest = within

    def arrived(first: int, stop: int) -> NDArray[np.bool_]:
        stretch = samples[first:stop]
        return stretch >= level if rising else stretch <= level

    width = 16
    if arrived(position, position + 1)[0]:
        while True:
            first = max(earliest, position - width)
            ahead = np.flatnonzero(~arrived(first, position))
            if ahead.size:
                return first + int(ahead[-1]) + 1
            if first == earliest:
                return None
            width *= 8
    while True:
        stop = min(latest, position + width) + 1
        there = np.flatnonzero(arrived(position, stop))
        if there.size:
            return position + int(there[0])
        if stop > latest:
            return None
        width *= 8


def line_edges(line: NDArray[np.bool_]) -> Edges:
    """Find changes of a digital line, bool (n,); a position is the first sample of the new state."""
    positions = np.flatnonzero(line[1:] != line[:-1]).astype(np.int64) + 1
    return Edges(positions, line[positions])


def burst_starts(line: NDArray[np.bool_], sample_rate_hz: float, idle_s: float) -> NDArray[np.int64]:
    """Return the first true sample after every stretch of at least `idle_s` without one.

    On a bus receive line (true while dominant) these are the frame starts. A record that begins within a burst
    does not show that burst's start; it counts only after a full idle stretch.

    Args:
        line: bool, shape (n,).
        sample_rate_hz: of the line.
        idle_s: longer than any pause within a burst.

    Returns:
        int64, shape (n_bursts,).
    """
    idle_samples = math.ceil(idle_s * sample_rate_hz - 1e-6)  # 0.5 ms at 50 kS/s is 25 samples, not 26
    positions, rising = line_edges(line)
    starts = positions[rising]
    if not starts.size:
        return np.empty(0, dtype=np.int64)
    ends = positions[~rising]
    idle_since = np.concatenate([[0], ends]) if not line[0] else ends
    return starts[starts - idle_since[: len(starts)] >= idle_samples]
