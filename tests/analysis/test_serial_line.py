"""Characters on a sampled serial line, against a line drawn bit by bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.serial_line import bursts, decode, length_s

RATE_HZ = 30_000.0
BIT_RATE = 4800.0


def line_of(texts, sample_rate_hz=RATE_HZ, bit_rate=BIT_RATE, duration_s=0.5):
    """Draw a line: true at space; `texts` as (start in s, characters)."""
    times_s = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    space = np.zeros(times_s.size, dtype=bool)
    for start_s, text in texts:
        for place, octet in enumerate(text):
            bits = [0, *((octet >> bit) & 1 for bit in range(8)), 1]
            for index, bit in enumerate(bits):
                begin_s = start_s + (10 * place + index) / bit_rate
                if not bit:
                    space |= (times_s >= begin_s) & (times_s < begin_s + 1.0 / bit_rate)
    return space


def test_texts_are_told_apart_with_start_and_length():
    text = b"$IIASP,62.5,N*0C\r\n"
    found = bursts(line_of([(0.1, text), (0.3, text)]), RATE_HZ, BIT_RATE)
    assert [burst.start_s for burst in found] == pytest.approx([0.1, 0.3], abs=1.0 / RATE_HZ)
    # 18 characters of 10 bits, without the stop bit of the last: 179 bits of 4800 a second
    assert length_s(len(text), BIT_RATE) == pytest.approx(179 / 4800)
    assert [burst.length_s for burst in found] == pytest.approx([179 / 4800] * 2, abs=2.0 / RATE_HZ)


def test_a_silent_line_has_no_texts():
    assert bursts(np.zeros(100, dtype=bool), RATE_HZ, BIT_RATE) == ()
    assert decode(np.zeros(100, dtype=bool), RATE_HZ, BIT_RATE) == b""


@given(st.binary(min_size=1, max_size=12), st.floats(0.01, 0.011), st.sampled_from([1200.0, 4800.0, 9600.0]))
def test_whatever_was_sent_is_read_at_any_phase_and_rate(text, start_s, bit_rate):
    space = line_of([(start_s, text)], bit_rate=bit_rate, duration_s=0.03 + 10 * len(text) / bit_rate)
    assert decode(space, RATE_HZ, bit_rate) == text


def test_a_line_at_half_its_rate_is_no_such_text():
    text = b"$IIASP,62.5,N*0C\r\n"
    slow = line_of([(0.1, text)], bit_rate=0.5 * BIT_RATE)
    assert decode(slow, RATE_HZ, BIT_RATE) != text
    (burst,) = bursts(slow, RATE_HZ, BIT_RATE)
    assert burst.length_s == pytest.approx(2.0 * length_s(len(text), BIT_RATE), rel=0.01)


def test_a_line_held_at_space_and_a_text_cut_off_are_no_text():
    assert decode(np.ones(1000, dtype=bool), RATE_HZ, BIT_RATE) is None
    assert decode(line_of([(0.099, b"abc")], duration_s=0.1), RATE_HZ, BIT_RATE) is None


def test_too_few_samples_a_bit_are_refused():
    with pytest.raises(ValueError, match=r"1\.6 samples a bit"):
        decode(np.zeros(10, dtype=bool), 30_000.0, 19_200.0)
