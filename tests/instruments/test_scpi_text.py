import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments import scpi


def reader(data):
    """Return functions that read `data` exactly and to its end, as a link would."""
    rest = bytearray(data)

    def read_exactly(count):
        if count > len(rest):
            raise TimeoutError
        taken = bytes(rest[:count])
        del rest[:count]
        return taken

    return read_exactly, lambda: read_exactly(len(rest))


@pytest.mark.parametrize(
    ("text", "value"),
    [("9.49", 9.49), ("+9.490E+00", 9.49), ("-3", -3.0), (" .5\n", 0.5), ("5.", 5.0), ("1e-3", 0.001)],
)
def test_numbers_are_read_in_every_form_of_the_standard(text, value):
    assert scpi.parse_number(text) == value


@pytest.mark.parametrize("text", ["", "nan", "inf", "9,49", "0x1F", "9.49 V", "1_000", "9.9E37", "-9.9E37", "9.91E37"])
def test_what_is_no_valid_reading_is_refused(text):
    with pytest.raises(ValueError, match=r"number|reading"):
        scpi.parse_number(text)


@given(st.floats(0.0, 100.0))
def test_a_number_is_read_back_as_written_to_nine_digits(value):
    assert scpi.parse_number(scpi.format_number(value)) == pytest.approx(value, rel=1e-8)


def test_binary_fractions_are_not_sent():
    assert scpi.format_number(0.1 + 0.2) == "0.3"


@pytest.mark.parametrize(("text", "value"), [("0", 0), ("+512", 512), ("-113\n", -113)])
def test_whole_numbers_are_read(text, value):
    assert scpi.parse_whole(text) == value


@pytest.mark.parametrize("text", ["1.0", "", "1e3", "ON"])
def test_what_is_not_whole_is_refused(text):
    with pytest.raises(ValueError, match="whole"):
        scpi.parse_whole(text)


def test_a_switch_is_0_or_1_and_nothing_else():
    assert scpi.parse_switch("1\n") is True
    assert scpi.parse_switch("0") is False
    for text in ("ON", "2", "", "1.0"):
        with pytest.raises(ValueError, match="neither"):
            scpi.parse_switch(text)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ('0,"No error"', 0),
        ('+0,"No error"', 0),  # several makers send the sign
        ('-350,"Too many errors"', -350),  # and other words; the number counts
        ('-113, "Undefined header;FOO:BAR"\n', -113),
        ('101,"own, and ""quoted"""', 101),
    ],
)
def test_entries_of_the_error_queue_go_by_their_number(text, number):
    assert scpi.parse_error_entry(text).number == number


@pytest.mark.parametrize("text", ["", "0", "No error", '0 "No error"', "9.490"])
def test_what_is_no_queue_entry_is_refused(text):
    with pytest.raises(ValueError, match="error queue"):
        scpi.parse_error_entry(text)


def test_an_identity_has_four_fields():
    identity = scpi.parse_identity("Some Maker, Model 5,SN 12,1.02-b\n")
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == (
        "Some Maker",
        "Model 5",
        "SN 12",
        "1.02-b",
    )
    for text in ("", "a,b,c", "a,b,c,d,e", ",b,c,d"):
        with pytest.raises(ValueError, match="four fields"):
            scpi.parse_identity(text)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("9.490", ["9.490"]),
        ('9.490;0,"No error"', ["9.490", '0,"No error"']),
        ('1;-113,"Undefined header;FOO"', ["1", '-113,"Undefined header;FOO"']),
        ('-113,"a ""b;c"" d;e";2', ['-113,"a ""b;c"" d;e"', "2"]),
        ("", [""]),
        ("1;;2", ["1", "", "2"]),
    ],
)
def test_replies_part_at_semicolons_outside_quotes(text, parts):
    assert scpi.split_replies(text) == parts


def test_an_empty_queue_is_drained_by_one_query():
    asked = []

    def query(command):
        asked.append(command)
        return '0,"No error"'

    assert scpi.drain_errors(query) == []
    assert asked == ["SYST:ERR?"]


# IEEE Std 488.2, 8.7.9: `#41024` and 1024 bytes, `#213` and 13 bytes.
@pytest.mark.parametrize("length", [1024, 13, 0, 5])
@pytest.mark.parametrize("terminator", [b"\n", b"\r\n"])
def test_blocks_of_definite_length_are_read(length, terminator):
    payload = (b"\n#;," * 256)[:length]
    start = f"#{len(str(length))}{length}".encode("ascii")
    read_exactly, _ = reader(start + payload + terminator)
    assert scpi.read_block(read_exactly, None) == payload


def test_a_block_of_two_floats_holds_them_in_normal_byte_order():
    # REAL,32 of 1.0 and -2.5: #18 3F 80 00 00 C0 20 00 00
    read_exactly, _ = reader(bytes.fromhex("23 31 38 3F 80 00 00 C0 20 00 00 0A"))
    assert struct.unpack(">2f", scpi.read_block(read_exactly, None)) == (1.0, -2.5)


def test_a_block_of_indefinite_length_goes_to_the_end_of_the_message():
    read_exactly, read_to_end = reader(b"#0ab\ncd\n")
    assert scpi.read_block(read_exactly, read_to_end) == b"ab\ncd"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"9.490\n", "begins with"),
        (b"#A5", "begins with"),
        (b"#2x5", "digits"),
        (b"#13abcX", "instead of a new line"),
        (b"#13abc\rX", "instead of a new line"),
        (b"#0abc", "without a new line"),
    ],
)
def test_what_is_no_block_is_refused(data, why):
    with pytest.raises(ValueError, match=why):
        scpi.read_block(*reader(data))


@given(st.binary(max_size=300))
def test_any_block_comes_back_as_it_was_written(payload):
    read_exactly, _ = reader(f"#3{len(payload):03d}".encode("ascii") + payload + b"\n")
    assert scpi.read_block(read_exactly, None) == payload
