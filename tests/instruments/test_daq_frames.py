import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.daq_frames import HEADER_BYTES, MAGIC, MAX_PAYLOAD_BYTES, TRAILER_BYTES, FrameDecoder, encode_frame

# the example of daq_protocol.md
BEAT = bytes.fromhex("B7 4E 01 20 01 00 00 00 00 00 00 00 01 00 B0 FE 15 88 87 28")


def crc_bit_by_bit(data, *, width, polynomial, start, reflected):
    """A second opinion on both checksums, straight from their definition."""
    value = start
    for octet in data:
        for bit in range(8):
            incoming = octet >> (bit if reflected else 7 - bit) & 1
            outgoing = value & 1 if reflected else value >> (width - 1) & 1
            value = value >> 1 if reflected else value << 1 & (1 << width) - 1
            if incoming ^ outgoing:
                value ^= polynomial
    return value


def crc16(data):
    return crc_bit_by_bit(data, width=16, polynomial=0x1021, start=0xFFFF, reflected=False)


def crc32(data):
    return crc_bit_by_bit(data, width=32, polynomial=0xEDB88320, start=0xFFFFFFFF, reflected=True) ^ 0xFFFFFFFF


def seen(frames):
    return [(frame.kind, frame.sequence, frame.tag, bytes(frame.payload)) for frame in frames]


def stream_of(payloads):
    return [encode_frame(0x90, sequence=n, tag=7, payload=payload) for n, payload in enumerate(payloads)]


payload_lists = st.lists(st.binary(max_size=40), min_size=1, max_size=6)


def test_the_second_opinion_gives_the_check_values_of_both_checksums():
    # catalogue of parametrised CRC algorithms: CRC-16/IBM-3740 (CCITT-FALSE) and CRC-32/ISO-HDLC, check values
    assert crc16(b"123456789") == 0x29B1
    assert crc32(b"123456789") == 0xCBF43926


def test_the_documents_example_is_what_is_sent():
    assert encode_frame(0x20, sequence=1, tag=1, payload=b"") == BEAT
    assert int.from_bytes(BEAT[14:16], "little") == crc16(BEAT[:14])
    assert int.from_bytes(BEAT[16:], "little") == crc32(BEAT[:16])
    assert seen(FrameDecoder().feed(BEAT)) == [(0x20, 1, 1, b"")]


def test_the_frame_check_covers_header_and_payload():
    frame = encode_frame(0x90, sequence=0xFFFFFFFF, tag=0xABCD, payload=b"\x01\x02\x03")
    assert frame[:14] == MAGIC + bytes.fromhex("01 90 ff ff ff ff 03 00 00 00 cd ab")
    assert int.from_bytes(frame[-4:], "little") == crc32(frame[:-4])


def test_a_payload_beyond_the_protocol_is_refused():
    with pytest.raises(ValueError, match="at most 65536"):
        encode_frame(1, sequence=0, tag=0, payload=bytes(MAX_PAYLOAD_BYTES + 1))


@given(payload_lists, st.integers(1, 30))
def test_frames_come_out_whole_however_the_bytes_are_cut(payloads, step):
    stream = b"".join(stream_of(payloads))
    decoder = FrameDecoder()
    frames = [frame for at in range(0, len(stream), step) for frame in seen(decoder.feed(stream[at : at + step]))]
    assert frames == [(0x90, n, 7, payload) for n, payload in enumerate(payloads)]
    assert (decoder.skipped_bytes, decoder.broken_frames, decoder.missing_frames) == (0, 0, 0)


@given(payload_lists, st.lists(st.binary(max_size=60), min_size=7, max_size=7))
def test_garbage_between_frames_is_skipped(payloads, garbage):
    pieces = stream_of(payloads)
    stream = b"".join(noise + frame for noise, frame in zip(garbage, pieces, strict=False))
    assert [frame[3] for frame in seen(FrameDecoder().feed(stream))] == payloads


@given(payload_lists, st.data())
def test_a_changed_byte_costs_its_own_frame_and_no_other(payloads, data):
    pieces = stream_of(payloads)
    victim = data.draw(st.integers(0, len(pieces) - 1))
    at = data.draw(st.integers(0, len(pieces[victim]) - 1))
    broken = bytearray(pieces[victim])
    broken[at] ^= data.draw(st.integers(1, 255))
    decoder = FrameDecoder()
    frames = seen(decoder.feed(b"".join([*pieces[:victim], bytes(broken), *pieces[victim + 1 :]])))
    frames += seen(decoder.give_up_unfinished())
    assert [frame[1] for frame in frames] == [n for n in range(len(payloads)) if n != victim]
    assert decoder.skipped_bytes <= len(broken)


@given(payload_lists, st.data())
def test_a_truncated_frame_costs_itself_and_no_other(payloads, data):
    pieces = stream_of(payloads)
    victim = data.draw(st.integers(0, len(pieces) - 1))
    pieces[victim] = pieces[victim][: data.draw(st.integers(0, len(pieces[victim]) - 1))]
    decoder = FrameDecoder()
    frames = seen(decoder.feed(b"".join(pieces)))
    for _ in range(len(pieces[victim])):  # each gives up a byte at least
        frames += seen(decoder.give_up_unfinished())
    assert [frame[1] for frame in frames] == [n for n in range(len(payloads)) if n != victim]


def test_after_silence_a_frame_begun_no_longer_hides_what_came_inside_it():
    whole = encode_frame(0x80, sequence=1, tag=2, payload=b"reply")
    begun = encode_frame(0x90, sequence=0, tag=7, payload=bytes(200))[:50]
    decoder = FrameDecoder()
    assert decoder.feed(begun + whole) == []
    assert seen(decoder.give_up_unfinished()) == [(0x80, 1, 2, b"reply")]
    assert decoder.give_up_unfinished() == []


def test_frames_that_never_came_are_counted_by_their_sequence():
    pieces = stream_of([b"a", b"b", b"c", b"d", b"e"])
    decoder = FrameDecoder()
    decoder.feed(pieces[0] + pieces[3] + pieces[4])
    assert decoder.missing_frames == 2


def test_the_sequence_wraps_without_a_missing_frame():
    decoder = FrameDecoder()
    for sequence in (0xFFFFFFFF, 0x100000000):
        decoder.feed(encode_frame(1, sequence=sequence, tag=0, payload=b""))
    assert decoder.missing_frames == 0


def test_a_device_that_counts_anew_is_not_billions_of_missing_frames():
    decoder = FrameDecoder()
    for sequence in (1000, 0):
        decoder.feed(encode_frame(1, sequence=sequence, tag=0, payload=b""))
    assert decoder.missing_frames == 0


def test_a_decoder_never_holds_more_than_one_unfinished_frame():
    decoder = FrameDecoder()
    largest = encode_frame(0x90, sequence=0, tag=0, payload=bytes(MAX_PAYLOAD_BYTES))
    held = 0
    for _ in range(3):
        for at in range(0, len(largest), 10_000):
            piece = largest[at : at + 10_000]
            held += len(piece) - len(largest) * len(decoder.feed(piece))
            assert held < HEADER_BYTES + MAX_PAYLOAD_BYTES + TRAILER_BYTES
    assert (held, decoder.skipped_bytes) == (0, 0)
    for n in range(1, 21):
        decoder.feed(bytes(10_000))
        assert n * 10_000 - decoder.skipped_bytes <= HEADER_BYTES


def test_another_version_and_an_impossible_length_are_no_frames():
    for at, value in ((2, 2), (10, 2)):
        header = bytearray(BEAT[:14])
        header[at] = value
        frame = bytes(header) + crc16(header).to_bytes(2, "little")
        assert FrameDecoder().feed(frame + crc32(frame).to_bytes(4, "little")) == []
