"""The avionics bus as a line: frames one at a time, by arbitration, and what the line looked like.

A frame waits until the line is free (end of frame plus intermission); of those that wait the lowest identifier
goes first. The bench's interface has a frame some time after its end, drawn per frame.
Not modelled: errors, retransmission, a missing acknowledge (somebody always acknowledges), bit timing
differences of the nodes; a frame under way is finished even if its sender loses power.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order, to_ns
from instruments.simulated.can_bits import INTERMISSION_BITS, frame_shape
from instruments.simulated.draw import keyed_uniform


@dataclass(frozen=True, slots=True)
class _Waiting:
    identifier: int
    data: bytes
    from_unit: bool


class BusLine:
    """The line with its two nodes, the unit and the bench."""

    def __init__(self, agenda: Agenda, bit_rate: int, host_latency_s: tuple[float, float], seed: int) -> None:
        self.on_bench_frame: Callable[[int, bytes], None] | None = None  # the unit has a frame of the bench
        self._agenda = agenda
        self._bit_ns = NS_PER_S / bit_rate
        self._latency_s = host_latency_s
        self._seed = seed
        self._waiting: list[_Waiting] = []
        self._free_ns = 0
        self._host_has_ns = 0  # when the host had the last of the unit's frames
        self._started = 0
        self._starts: list[int] = []
        self._edges: list[NDArray[np.int64]] = []  # ns, beginning dominant, of each frame in `_starts`
        self._received: list[tuple[int, int, bytes]] = []
        self._start = Alarm(agenda, Order.FRAME_START, self._start_frame)

    def offer(self, identifier: int, data: bytes, *, from_unit: bool) -> None:
        """Queue a frame now."""
        frame_shape(identifier, data)  # refuses what is no frame
        self._waiting.append(_Waiting(identifier, data, from_unit))
        self._start.set(max(self._agenda.now_ns, self._free_ns))

    def drop_unit_frames(self) -> None:
        """Forget what the unit has queued: it lost power."""
        self._waiting = [frame for frame in self._waiting if not frame.from_unit]

    def take(self) -> list[tuple[int, int, bytes]]:
        """Return (time in ns, identifier, data) of the unit's frames that the host has by now."""
        now_ns = self._agenda.now_ns
        taken = sorted(frame for frame in self._received if frame[0] <= now_ns)
        self._received = [frame for frame in self._received if frame[0] > now_ns]
        return taken

    def dominant(self, times_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Say at which of the rising times the line is dominant."""
        first = max(0, bisect_left(self._starts, int(times_ns[0])) - 1)
        last = bisect_left(self._starts, int(times_ns[-1]) + 1)
        if first == last:
            return np.zeros(len(times_ns), dtype=np.bool_)
        # Frames turn the line dominant and recessive by turns: after an odd number of edges it is dominant.
        passed = np.searchsorted(times_ns, np.concatenate(self._edges[first:last]))
        n_edges = np.cumsum(np.bincount(passed, minlength=len(times_ns) + 1)[: len(times_ns)])
        dominant: NDArray[np.bool_] = n_edges % 2 == 1
        return dominant

    def forget_before(self, time_ns: int) -> None:
        """Drop frames that began long enough before `time_ns` to have ended."""
        keep = max(0, bisect_left(self._starts, time_ns) - 1)
        del self._starts[:keep]
        del self._edges[:keep]

    def _start_frame(self) -> None:
        if not self._waiting:
            return
        frame = min(self._waiting, key=lambda waiting: waiting.identifier)  # of equal ones the first queued
        self._waiting.remove(frame)
        shape, start_ns = frame_shape(frame.identifier, frame.data), self._agenda.now_ns
        self._started += 1
        self._starts.append(start_ns)
        self._edges.append(start_ns + np.rint(shape.edges_bits * self._bit_ns).astype(np.int64))
        end_ns = start_ns + round(shape.length_bits * self._bit_ns)
        self._free_ns = start_ns + round((shape.length_bits + INTERMISSION_BITS) * self._bit_ns)
        if frame.from_unit:
            latency_s = keyed_uniform(*self._latency_s, self._seed, "bus", "host latency", self._started)
            self._host_has_ns = max(self._host_has_ns + 1, end_ns + to_ns(latency_s))  # an adapter hands on in order
            self._received.append((self._host_has_ns, frame.identifier, frame.data))
        else:
            self._agenda.at(end_ns, Order.FRAME_END, lambda: self._deliver(frame))
        if self._waiting:
            self._start.set(self._free_ns)

    def _deliver(self, frame: _Waiting) -> None:
        if self.on_bench_frame is not None:
            self.on_bench_frame(frame.identifier, frame.data)
