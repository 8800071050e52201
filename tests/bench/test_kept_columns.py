"""Columns kept for whoever asks again, within bounds."""

import numpy as np
import pytest

from bench.records.kept_columns import KeptColumns


class Reader:
    def __init__(self, n_samples):
        self.column = np.arange(n_samples, dtype=np.int16)
        self.times_read = 0

    def read(self):
        self.times_read += 1
        return self.column.copy()


def test_the_longest_unused_column_goes_when_room_is_needed():
    kept = KeptColumns(2000)
    readers = {name: Reader(500) for name in "abc"}

    def ask(name):
        return kept.get(name, 1000, readers[name].read)

    for name in "abacab":
        assert np.array_equal(ask(name), readers[name].column)
    assert {name: reader.times_read for name, reader in readers.items()} == {"a": 1, "b": 2, "c": 1}


def test_a_column_larger_than_all_room_is_kept_alone():
    kept = KeptColumns(100)
    large, small = Reader(500), Reader(10)
    kept.get("small", 20, small.read)
    for _ in range(2):
        kept.get("large", 1000, large.read)
    kept.get("small", 20, small.read)
    assert (large.times_read, small.times_read) == (1, 2)


def test_what_is_kept_cannot_be_altered():
    column = KeptColumns(100).get("a", 20, Reader(10).read)
    with pytest.raises(ValueError, match="read-only"):
        column[0] = 1
