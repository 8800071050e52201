"""The columns of samples read last, kept for whoever asks again: evaluation looks at the same few, window by window.

One store serves all captures, so what it holds does not grow with their number.
"""

from collections.abc import Callable, Hashable
from typing import Any

import numpy as np
from numpy.typing import NDArray


class KeptColumns:
    """Columns up to `most_bytes` together, or a single larger one; the longest unused goes first."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._kept: dict[Hashable, NDArray[np.integer[Any]]] = {}  # longest unused first
        self._n_bytes = 0

    def get(
        self, key: Hashable, n_bytes: int, read: Callable[[], NDArray[np.integer[Any]]]
    ) -> NDArray[np.integer[Any]]:
        """Return the column of that key, read-only; where it is not kept, room for `n_bytes` is made and it is read."""
        column = self._kept.pop(key, None)
        if column is None:
            while self._kept and self._n_bytes + n_bytes > self._most_bytes:
                self._n_bytes -= self._kept.pop(next(iter(self._kept))).nbytes
            column = read()
            column.setflags(write=False)
            self._n_bytes += column.nbytes
        self._kept[key] = column
        return column
