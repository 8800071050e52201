import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.canaerospace import (
    INDICATED_AIRSPEED_IDENTIFIER,
    DataType,
    Payload,
    airspeed_payload,
    decode_payload,
    encode_payload,
)


def payload(data_type, value, *, node=1, service_code=0, message_code=5):
    return Payload(node=node, data_type=data_type, service_code=service_code, message_code=message_code, value=value)


def test_indicated_airspeed_has_the_published_identifier():
    # CANaerospace interface specification 1.7, normal operation data: 315 is indicated airspeed, FLOAT, m/s
    assert INDICATED_AIRSPEED_IDENTIFIER == 315


# Layout (node, type, service, message code, big-endian data) and type numbers: CANaerospace interface
# specification 1.7. Data bytes: IEEE 754 single precision, worked out from the sign, exponent and fraction.
@pytest.mark.parametrize(
    ("airspeed_kt", "message_code", "expected"),
    [
        (90.0, 5, "01 02 00 05 42 39 33 33"),  # 90 kt = 46.3 m/s
        (60.0, 0, "01 02 00 00 41 F6 EE EF"),  # 60 kt = 30.8667 m/s
        (120.0, 255, "01 02 00 FF 42 76 EE EF"),  # 120 kt = 61.7333 m/s
        (0.0, 256, "01 02 00 00 00 00 00 00"),
    ],
)
def test_airspeed_goes_out_in_metres_per_second(airspeed_kt, message_code, expected):
    assert airspeed_payload(airspeed_kt, node=1, message_code=message_code) == bytes.fromhex(expected)


def test_a_payload_is_big_endian():
    # CANaerospace interface specification 1.7: 0xDEADBEEF goes out as DE AD BE EF
    assert encode_payload(payload(DataType.ULONG, 0xDEADBEEF)) == bytes.fromhex("01 04 00 05 DE AD BE EF")
    assert encode_payload(payload(DataType.LONG, -2)) == bytes.fromhex("01 03 00 05 FF FF FF FE")


@given(
    st.one_of(
        st.tuples(st.just(DataType.FLOAT), st.floats(width=32, allow_nan=False)),
        st.tuples(st.just(DataType.LONG), st.integers(-(2**31), 2**31 - 1)),
        st.tuples(st.just(DataType.ULONG), st.integers(0, 2**32 - 1)),
    ),
    st.integers(0, 255),
    st.integers(0, 255),
)
def test_every_payload_reads_back(typed_value, node, code):
    written = payload(*typed_value, node=node, service_code=255 - node, message_code=code)
    assert decode_payload(encode_payload(written)) == written


def test_a_float_that_is_no_number_reads_back_as_none():
    assert math.isnan(decode_payload(encode_payload(payload(DataType.FLOAT, math.nan))).value)


@pytest.mark.parametrize(
    "wrong",
    [
        payload(DataType.LONG, 2**31),
        payload(DataType.ULONG, -1),
        payload(DataType.ULONG, 1.5),
        payload(DataType.FLOAT, 1e39),
        payload(DataType.FLOAT, 1.0, node=256),
        payload(DataType.FLOAT, 1.0, message_code=-1),
    ],
    ids=repr,
)
def test_what_does_not_fit_is_refused(wrong):
    with pytest.raises(ValueError, match="does not fit"):
        encode_payload(wrong)


@pytest.mark.parametrize(
    ("data", "message"),
    [(bytes(7), "has 7 bytes"), (bytes(9), "has 9 bytes"), (bytes.fromhex("01 06 00 00 00 00 00 00"), "data type 6")],
)
def test_other_payloads_are_not_guessed_at(data, message):
    with pytest.raises(ValueError, match=message):
        decode_payload(data)


@pytest.mark.parametrize("airspeed_kt", [math.nan, math.inf])
def test_an_airspeed_that_is_no_number_is_not_sent(airspeed_kt):
    with pytest.raises(ValueError, match="not a number to send"):
        airspeed_payload(airspeed_kt, node=1, message_code=0)
