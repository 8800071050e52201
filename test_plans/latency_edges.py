"""Edges at a pin paired with the unit's frames on the bus and with the content the host decoded of them.

Pure: arrays and events in, one outcome per edge out. A frame's start comes from the sampled receive line, what it
says from the host; the two meet in time.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Event
from analysis.edges import burst_starts, line_edges

IDLE_S = 0.0005  # no frame holds the line recessive for that long
START_BOUND_S = 60e-6  # the first dominant sample comes at most this long after the frame's first bit
CONTENT_WITHIN_S = 0.025
ANSWER_WITHIN_S = 0.5
LONGEST_FRAME_BITS = 135
QUIET_S = 0.060  # the bench sends nothing for that long after an edge
NEXT_EDGE_S = 0.100  # edges are at least that far apart
OWN_FRAMES_S = 0.055  # so a frame within this is the unit's
HOST_SLACK_S = 0.0002  # sample grid and start of the scan against the host's clock


class Outcome(StrEnum):
    """What became of one edge at the pin."""

    MEASURED = "measured"
    HIDDEN = "hidden"  # its frame followed another one without a pause: no start of its own
    NO_FRAME = "content without frame"
    NO_CONTENT = "frame without content"
    NO_ANSWER = "neither frame nor content"


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """A stretch of bus traffic without a pause, in capture time; `single` where it can only be one frame."""

    start_s: float
    end_s: float
    single: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PinEdge:
    """One edge at a pin: instant, and the state the unit must report for it."""

    time_s: float
    state: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeResult:
    """One edge and what became of it; `latency_s` is from pin to frame start, NaN unless measured."""

    edge: PinEdge
    outcome: Outcome
    latency_s: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Strays:
    """Contents that tell of a change though no edge was at the pin.

    Args:
        carried: those a burst on the receive line can have carried, so that the unit sent them.
        unseen: those nothing on the line can have carried, so that only the bench's host knows of them.
    """

    carried: int = 0
    unseen: int = 0


def bursts_of(line: NDArray[np.bool_], sample_rate_hz: float, bit_rate: int) -> tuple[Burst, ...]:
    """Return the bursts on a receive line (true while dominant), bool, shape (n,).

    Starts lie half of the 60 us bound before the first dominant sample, so that their error is +/- 30 us.
    """
    starts = burst_starts(line, sample_rate_hz, IDLE_S)
    positions, rising = line_edges(line)
    ends = positions[~rising]
    longest_s = LONGEST_FRAME_BITS / bit_rate
    found = []
    for index, start in enumerate(starts):
        next_start = starts[index + 1] if index + 1 < starts.size else line.size
        n_before = int(np.searchsorted(ends, next_start, side="right"))  # ends up to the next start
        end = int(ends[n_before - 1]) if n_before and ends[n_before - 1] > start else int(next_start)
        start_s, end_s = float(start) / sample_rate_hz, end / sample_rate_hz
        found.append(Burst(start_s=start_s - 0.5 * START_BOUND_S, end_s=end_s, single=end_s - start_s <= longest_s))
    return tuple(found)


def pair(
    edges: Sequence[PinEdge], bursts: Sequence[Burst], reports: Sequence[Event], item: str, *, timebase_bound: float
) -> tuple[tuple[EdgeResult, ...], Strays]:
    """Return what became of each edge, and the contents of `item` that came without an edge.

    Args:
        edges: at the pin, in order of time, states alternating.
        bursts: on the receive line, in order of time.
        reports: every decoded frame of the unit in the capture, in order of time (items of others included).
        item: report item of the discrete.
        timebase_bound: how far the sample clock may run off the host's, as a fraction of time.

    Contents answer edges in order and by state. Change counters that skip say that the host lost contents: then the
    edges between are counted as frames without content, not as the unit's silence.
    """
    own = [place for place, event in enumerate(reports) if event.fields.get("item") == item]
    changes = _changes(reports, own, edges)
    taken: dict[int, int] = {}  # index of the edge to place of the content
    stray: list[int] = []
    edge_times_s = [edge.time_s for edge in edges]
    for place in changes:
        index = _edge_for(reports[place], edges, edge_times_s)
        if index is None or index in taken:
            stray.append(place)
        else:
            taken[index] = place
    skipped = _skipped([reports[place] for place in changes])
    carriers = _carriers(reports, bursts, timebase_bound)
    claimed = set(carriers)
    results = []
    for index, edge in enumerate(edges):
        content = taken.get(index)
        if content is not None:
            results.append(_answered(edge, carriers[content], bursts))
        elif skipped > 0 or _unclaimed_frame(edge, bursts, claimed):
            skipped -= 1
            results.append(EdgeResult(edge=edge, outcome=Outcome.NO_CONTENT))
        else:
            results.append(EdgeResult(edge=edge, outcome=Outcome.NO_ANSWER))
    carried = sum(carriers[place] is not None for place in stray)
    return tuple(results), Strays(carried=carried, unseen=len(stray) - carried)


def _changes(reports: Sequence[Event], own: Sequence[int], edges: Sequence[PinEdge]) -> list[int]:
    """Return the places, among `own`, of the reports that say something new: the counter moved.

    Of the first one nothing is known before it: it is taken as an answer when it shows the state of the last edge
    and comes before the next edge can.
    """
    found: list[int] = []
    counter: int | None = None
    for place in own:
        event = reports[place]
        shown = int(event.fields["counter"])
        news = _answers_last_edge(event, edges) if counter is None else shown != counter
        if news:
            found.append(place)
        counter = shown
    return found


def _answers_last_edge(event: Event, edges: Sequence[PinEdge]) -> bool:
    last = next((edge for edge in reversed(edges) if edge.time_s < event.time_s), None)
    return last is not None and bool(event.fields["state"]) is last.state and event.time_s - last.time_s <= NEXT_EDGE_S


def _skipped(changes: Sequence[Event]) -> int:
    counters = [int(event.fields["counter"]) for event in changes]
    return sum(max(0, later - earlier - 1) for earlier, later in pairwise(counters))


def _edge_for(event: Event, edges: Sequence[PinEdge], edge_times_s: Sequence[float]) -> int | None:
    """Return the latest edge of that state before the content and not too long before it."""
    state = bool(event.fields["state"])
    for index in range(bisect_left(edge_times_s, event.time_s) - 1, -1, -1):
        if event.time_s - edge_times_s[index] > ANSWER_WITHIN_S:
            break
        if edges[index].state is state:
            return index
    return None


def _carriers(reports: Sequence[Event], bursts: Sequence[Burst], timebase_bound: float) -> list[int | None]:
    """Return for every content, in order, the earliest burst that can have carried it and is not yet explained.

    The host has a content after its frame's end and within its own stated uncertainty; a burst of several frames
    carries several contents, a single frame one. Frames are timed by the sample clock and contents by the host's, so
    that either may seem early by what the two have drifted apart since the capture began.
    """
    ends_s = [burst.end_s for burst in bursts]
    carriers: list[int | None] = []
    explained: set[int] = set()
    for event in reports:
        clocks_s = HOST_SLACK_S + timebase_bound * abs(event.time_s)
        seen_s = event.time_s + clocks_s
        carrier = None
        # those that ended earlier than this are too old
        for index in range(bisect_left(ends_s, event.time_s - event.uncertainty_s - 2.0 * clocks_s), len(bursts)):
            burst = bursts[index]
            if burst.start_s >= seen_s:
                break
            possible = seen_s <= burst.end_s + event.uncertainty_s + 2.0 * clocks_s
            in_time = not burst.single or event.time_s - burst.start_s <= CONTENT_WITHIN_S + clocks_s
            over = not burst.single or burst.end_s <= seen_s
            if possible and in_time and over and index not in explained:
                carrier = index
                break
        if carrier is not None and bursts[carrier].single:
            explained.add(carrier)
        carriers.append(carrier)
    return carriers


def _answered(edge: PinEdge, carrier: int | None, bursts: Sequence[Burst]) -> EdgeResult:
    if carrier is None:
        return EdgeResult(edge=edge, outcome=Outcome.NO_FRAME)
    burst = bursts[carrier]
    if not burst.single or burst.start_s <= edge.time_s:
        return EdgeResult(edge=edge, outcome=Outcome.HIDDEN)
    return EdgeResult(edge=edge, outcome=Outcome.MEASURED, latency_s=burst.start_s - edge.time_s)


def _unclaimed_frame(edge: PinEdge, bursts: Sequence[Burst], claimed: set[int | None]) -> bool:
    """Say whether a frame that nobody decoded came in the stretch in which the bench sends none."""
    first = bisect_right(bursts, edge.time_s, key=lambda burst: burst.start_s)
    for index in range(first, len(bursts)):
        if bursts[index].start_s - edge.time_s > OWN_FRAMES_S:
            return False
        if index not in claimed:
            return True
    return False
