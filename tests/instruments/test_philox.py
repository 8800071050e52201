"""One generator set to a place draws what a generator made for that place draws."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from instruments.simulated.philox import PhiloxStream

KEYS = st.integers(0, 2**128 - 1)


@given(st.lists(st.tuples(KEYS, st.integers(0, 2**32)), min_size=1, max_size=5))
def test_whatever_was_drawn_before_a_draw_is_that_of_a_new_generator(places):
    stream = PhiloxStream()
    for key, block in places:
        bits = np.random.Philox(key=key, counter=[0, block, 0, 0])
        expected = np.random.Generator(bits)
        found = stream.at(key, block)
        assert found.random(dtype=np.float32) == expected.random(dtype=np.float32)  # leaves half a word over
        assert np.array_equal(found.standard_normal(7), expected.standard_normal(7))
