"""Bits of CAN frames against published check values, frame arithmetic and an independent receiver."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.simulated.can_bits import crc15, frame_bits, frame_shape

UNSTUFFED_BITS_OF_8_BYTES = 1 + 11 + 3 + 4 + 64 + 15 + 1 + 2 + 7


def receive(bits):
    """Decode as a receiver does: remove stuff bits, divide the message by the generator, return what it carried."""
    stripped, position, run, last = [], 0, 0, None
    length = None
    while length is None or len(stripped) < length:
        bit = bits[position]
        position += 1
        if run == 5:
            assert bit != last, "six equal bits inside the stuffed part"
            last, run = bit, 1
            continue
        run = run + 1 if bit == last else 1
        last = bit
        stripped.append(bit)
        if len(stripped) == 19:
            length = 19 + 8 * number(stripped[15:19]) + 15
    if run == 5:
        assert bits[position] != last
        position += 1
    # A polynomial division without a register: the remainder of message and CRC together is 0.
    dividend = number(stripped)
    for shift in range(len(stripped) - 16, -1, -1):
        if dividend >> (shift + 15) & 1:
            dividend ^= 0xC599 << shift
    assert dividend == 0
    return (
        number(stripped[1:12]),
        bytes(number(stripped[i : i + 8]) for i in range(19, length - 15, 8)),
        bits[position:],
    )


def levels(identifier, data):
    return tuple(int(bit) for bit in frame_bits(identifier, data))


def number(bits):
    return int("".join(str(bit) for bit in bits), 2)


def test_crc_of_the_usual_nine_characters_is_the_catalogued_one():
    # CRC-15/CAN, catalogue of parametrised CRC algorithms: check 0x059E for "123456789".
    assert crc15(b"123456789") == 0x059E


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_a_receiver_gets_back_identifier_and_data_and_the_tail_is_fixed(identifier, data):
    got_identifier, got_data, tail = receive(levels(identifier, data))
    assert (got_identifier, got_data) == (identifier, data)
    assert tail == (1, 0, 1, 1, 1, 1, 1, 1, 1, 1)


@given(st.integers(0, 0x7FF), st.binary(min_size=8, max_size=8))
def test_a_frame_of_8_bytes_has_108_bits_and_at_most_24_stuff_bits(identifier, data):
    assert UNSTUFFED_BITS_OF_8_BYTES <= frame_shape(identifier, data).length_bits <= UNSTUFFED_BITS_OF_8_BYTES + 24


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_edges_say_the_same_as_the_bits(identifier, data):
    bits, shape = levels(identifier, data), frame_shape(identifier, data)
    level, rebuilt = 1, []
    for position in range(shape.length_bits):
        level ^= position in shape.edges_bits
        rebuilt.append(level)
    assert tuple(rebuilt) == bits
    assert shape.edges_bits[0] == 0
    assert len(shape.edges_bits) % 2 == 0


def test_what_is_no_frame_is_refused():
    with pytest.raises(ValueError, match="more than 11 bits"):
        frame_bits(0x800, b"")
    with pytest.raises(ValueError, match="9 data bytes"):
        frame_bits(1, bytes(9))
