"""NMEA 0183 sentences: published checksums, and what is no sentence."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.nmea0183 import LONGEST, checksum, decode_sentence, encode_sentence

# NMEA 0183: the exclusive or of what stands between "$" and "*", as two upper-case hexadecimal digits. The sentences
# are worked examples that circulate with receivers' manuals; their checksums follow from the rule.
PUBLISHED = [
    ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
    ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    ("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", 0x48),
    ("HCHDM,238,M", 0x3E),
    ("HEHDT,178.3,T", 0x22),
]
# What can be said: plain ASCII but for the characters with a meaning of their own.
SAID = st.text(
    st.sampled_from([chr(code) for code in range(32, 126) if chr(code) not in "$*!\\^~"]), min_size=1, max_size=76
)


@pytest.mark.parametrize(("said", "expected"), PUBLISHED)
def test_published_sentences_have_their_checksums(said, expected):
    assert checksum(said) == expected
    assert encode_sentence(said) == f"${said}*{expected:02X}\r\n".encode()
    assert decode_sentence(encode_sentence(said)) == said


def test_a_checksum_printed_wrongly_is_refused():
    # one web page prints *1E for this sentence; the rule gives 22
    with pytest.raises(ValueError, match="has checksum 1E, its characters make 22"):
        decode_sentence(b"$HEHDT,178.3,T*1E\r\n")


@pytest.mark.parametrize(
    "sentence",
    [
        b"$HEHDT,178.3,T\r\n",
        b"HEHDT,178.3,T*22\r\n",
        b"$HEHDT,178.3,T*22",
        b"$HEHDT,178.3,T*2\r\n",
        b"",
        b"$H\xe9*22\r\n",
    ],
)
def test_what_is_not_framed_is_no_sentence(sentence):
    with pytest.raises(ValueError, match=r"sentence|checksum"):
        decode_sentence(sentence)


@pytest.mark.parametrize("said", ["", "II*SP", "II$", "a\n", "caf\xe9", "I" * 77])
def test_what_can_not_be_said_is_refused(said):
    with pytest.raises(ValueError, match="NMEA 0183"):
        encode_sentence(said)


@given(SAID)
def test_whatever_is_said_comes_back_and_no_single_changed_character_does(said):
    sentence = encode_sentence(said)
    assert len(sentence) <= LONGEST
    assert decode_sentence(sentence) == said
    changed = bytes([sentence[1] ^ 0x01])
    with pytest.raises(ValueError, match="checksum"):
        decode_sentence(sentence[:1] + changed + sentence[2:])
