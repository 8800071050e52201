"""History as pieces: what held from one instant until the next piece began."""

from bisect import bisect_right
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")


class Timeline(Generic[T]):
    """Pieces in order of their start; the first one holds for all time before it as well."""

    def __init__(self, first: T) -> None:
        self._starts = [0]
        self._pieces = [first]

    @property
    def last(self) -> T:
        """The piece that was put last."""
        return self._pieces[-1]

    @property
    def last_start_ns(self) -> int:
        """When the piece that was put last begins."""
        return self._starts[-1]

    def put(self, start_ns: int, piece: T) -> None:
        """Let `piece` hold from `start_ns` on; what was put for that instant or later is forgotten."""
        while self._starts and self._starts[-1] >= start_ns:
            self._starts.pop()
            self._pieces.pop()
        self._starts.append(start_ns)
        self._pieces.append(piece)

    def at(self, time_ns: int) -> tuple[int, T]:
        """Return (start in ns, piece) that holds at `time_ns`."""
        index = max(0, bisect_right(self._starts, time_ns) - 1)
        return self._starts[index], self._pieces[index]

    def window(self, times_ns: NDArray[np.int64]) -> list[tuple[slice, int, T]]:
        """Return (slice of `times_ns`, start in ns, piece) for every piece that holds at any of the rising times."""
        first_ns = int(times_ns[0])
        if self._starts[-1] <= first_ns:  # most often nothing has changed for long
            return [(slice(0, len(times_ns)), self._starts[-1], self._pieces[-1])]
        first = max(0, bisect_right(self._starts, first_ns) - 1)
        last = max(0, bisect_right(self._starts, int(times_ns[-1])) - 1)
        if first == last:
            return [(slice(0, len(times_ns)), self._starts[first], self._pieces[first])]
        inner = np.asarray(self._starts[first + 1 : last + 1], dtype=np.int64)
        bounds = [0, *np.searchsorted(times_ns, inner).tolist(), len(times_ns)]
        return [
            (slice(low, high), self._starts[index], self._pieces[index])
            for index, low, high in zip(range(first, last + 1), bounds[:-1], bounds[1:], strict=True)
            if low < high
        ]

    def forget_before(self, time_ns: int) -> None:
        """Drop pieces that ended before `time_ns`."""
        if len(self._starts) == 1:
            return
        keep = max(0, bisect_right(self._starts, time_ns) - 1)
        del self._starts[:keep]
        del self._pieces[:keep]
