"""What will happen when in the plant: one heap of actions on integer nanoseconds, and alarms on it.

Actions at one instant run by order, then in the order they were entered, so a run is the same however
it is sliced. Nothing here knows what the actions do.
"""

import heapq
from collections.abc import Callable
from enum import IntEnum

NS_PER_S = 1_000_000_000


class Order(IntEnum):
    """Who goes first at one instant: circuits settle, then the bench acts, then the firmware looks."""

    CIRCUIT = 0
    BENCH = 1
    FRAME_END = 2
    FIRMWARE = 3
    FRAME_START = 4


def to_ns(time_s: float) -> int:
    """Return seconds as whole nanoseconds."""
    return round(time_s * NS_PER_S)


class Agenda:
    """The plant's present time and everything scheduled after it."""

    def __init__(self) -> None:
        self.now_ns = 0
        self._heap: list[tuple[int, int, int, Callable[[], None]]] = []
        self._entered = 0

    def at(self, time_ns: int, order: Order, action: Callable[[], None]) -> None:
        """Have `action` called at `time_ns`.

        Raises:
            ValueError: the time is past.
        """
        if time_ns < self.now_ns:
            raise ValueError(f"plant: {time_ns} ns is past, it is {self.now_ns} ns now. Schedule for now or later.")
        self._entered += 1
        heapq.heappush(self._heap, (time_ns, order, self._entered, action))

    def run_until(self, time_ns: int) -> None:
        """Move on to `time_ns`, running everything due up to and including it.

        Raises:
            ValueError: the time is past.
        """
        if time_ns < self.now_ns:
            raise ValueError(f"plant: cannot go back from {self.now_ns} ns to {time_ns} ns.")
        heap = self._heap
        while heap and heap[0][0] <= time_ns:
            self.now_ns, _, _, action = heapq.heappop(heap)
            action()
        self.now_ns = time_ns


class Alarm:
    """One action that is due at most once at a time; setting it anew moves it."""

    def __init__(self, agenda: Agenda, order: Order, action: Callable[[], None]) -> None:
        self._agenda = agenda
        self._order = order
        self._action = action
        self.due_ns: int | None = None

    def set(self, time_ns: int) -> None:
        """Have the action called at `time_ns` and not at any time set before."""
        if time_ns != self.due_ns:
            self.due_ns = time_ns
            self._agenda.at(time_ns, self._order, self._ring)

    def clear(self) -> None:
        """Have the action not called."""
        self.due_ns = None

    def _ring(self) -> None:
        if self.due_ns == self._agenda.now_ns:
            self.due_ns = None
            self._action()
