"""A Philox stream set to a key and a place, for draws that belong to a purpose and not to an order of calls.

Making a generator for every draw costs several times the draw: numpy first asks the operating system for a seed that
a keyed generator never uses. So one is made once, and set.
"""

import numpy as np

_WORD = 0xFFFF_FFFF_FFFF_FFFF


class PhiloxStream:
    """A generator that is set before every draw; what it drew before has no effect."""

    def __init__(self) -> None:
        self._bits = np.random.Philox(key=0)
        self._generator = np.random.Generator(self._bits)
        self._counter, self._key = np.zeros(4, np.uint64), np.zeros(2, np.uint64)
        self._state = {
            "bit_generator": "Philox",
            "state": {"counter": self._counter, "key": self._key},
            "buffer": np.zeros(4, np.uint64),
            "buffer_pos": 4,  # nothing left over
            "has_uint32": 0,
            "uinteger": 0,
        }

    def at(self, key: int, block: int = 0) -> np.random.Generator:
        """Return the generator at the beginning of a block (2**64 numbers each) of the stream of a 128-bit key.

        It is good until the next call: draw at once.
        """
        self._counter[1] = block
        self._key[0], self._key[1] = key & _WORD, key >> 64
        self._bits.state = self._state  # type: ignore[assignment]  # the stubs take a literal only
        return self._generator
