"""A serial line from the bench to the unit: characters one after the other, and what the line looked like.

A character is a start bit (space), eight bits from the lowest on, a stop bit (mark). The unit has a text when its last
character has ended. Not modelled: what a receiver makes of another bit rate than its own, beyond a tolerance: here it
hears nothing; noise, slew and voltage of the line; parity.
"""

from bisect import bisect_left
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.agenda import NS_PER_S, Agenda, Order
from instruments.simulated.parameters import TextLineParameters

BITS = 10  # of a character
RATE_TOLERANCE = 0.03  # a receiver that samples mid-bit keeps in step for ten bits


class TextLine:
    """The line and the unit's receiver on it."""

    def __init__(self, agenda: Agenda, parameters: TextLineParameters, unit_bit_rate: int) -> None:
        self.on_text: Callable[[bytes], None] | None = None  # the unit has heard this
        self._agenda = agenda
        self._parameters = parameters
        self._unit_bit_rate = unit_bit_rate
        self._free_ns = 0
        self._starts: list[int] = []
        self._edges: list[NDArray[np.int64]] = []  # ns, beginning with space, of each text in `_starts`

    def send(self, data: bytes, bit_rate: float) -> None:
        """Send text, behind what is still going out.

        Args:
            data: the characters.
            bit_rate: at which the port is set.
        """
        if self._parameters.dead or not data:
            return
        actual = bit_rate * self._parameters.rate_factor
        bit_ns = NS_PER_S / actual
        start_ns = max(self._agenda.now_ns, self._free_ns)
        self._free_ns = start_ns + round(len(data) * BITS * bit_ns)
        changes = np.flatnonzero(np.diff(_spaces(data), prepend=0, append=0))
        self._starts.append(start_ns)
        self._edges.append(start_ns + np.rint(changes * bit_ns).astype(np.int64))
        if abs(actual / self._unit_bit_rate - 1.0) <= RATE_TOLERANCE:
            self._agenda.at(self._free_ns, Order.FRAME_END, lambda: self._deliver(data))

    def space(self, times_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Say at which of the rising times the line is at space, shape (n,)."""
        first = max(0, bisect_left(self._starts, int(times_ns[0])) - 1)
        last = bisect_left(self._starts, int(times_ns[-1]) + 1)
        if first == last:
            return np.zeros(len(times_ns), dtype=np.bool_)
        edges = np.concatenate(self._edges[first:last])
        return np.asarray(np.searchsorted(edges, times_ns, side="right") % 2 == 1, dtype=np.bool_)

    def forget_before(self, time_ns: int) -> None:
        """Drop texts that began long enough before `time_ns` to have ended."""
        keep = max(0, bisect_left(self._starts, time_ns) - 1)
        del self._starts[:keep]
        del self._edges[:keep]

    def _deliver(self, data: bytes) -> None:
        if self.on_text is not None:
            self.on_text(data)


def _spaces(data: bytes) -> NDArray[np.int8]:
    """Return every bit on the line in order, 1 for space, shape (10 n,)."""
    characters = np.frombuffer(data, dtype=np.uint8)
    bits = np.ones((len(data), BITS), dtype=np.int8)
    bits[:, 1:9] = 1 - np.unpackbits(characters[:, None], axis=1, bitorder="little")
    bits[:, 9] = 0
    return bits.ravel()
