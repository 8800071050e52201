import numpy as np

from instruments.daq_blocks import BlockBuffer
from instruments.daq_messages import DataPart


def part(first_sample, n_samples, n_channels=2, width=1):
    """A frame whose codes and line bytes tell their sample index."""
    index = np.arange(first_sample, first_sample + n_samples)
    codes = np.stack([index + 1000 * channel for channel in range(n_channels)]).astype(np.int16)
    lines = np.repeat((index % 256).astype(np.uint8)[:, None], width, axis=1)
    return DataPart(first_sample, codes, lines)


def spans(blocks):
    return [(block.first_sample, len(block.words), len(block.codes)) for block in blocks]


def test_frames_that_follow_one_another_become_one_block():
    buffer = BlockBuffer(2)
    for first in (0, 10, 20):
        buffer.add(part(first, 10))
    (block,) = buffer.take()
    assert block.codes.shape == (30, 2)
    assert block.codes[:, 0].tolist() == list(range(30))
    assert block.codes[:, 1].tolist() == list(range(1000, 1030))
    assert block.words.tolist() == list(range(30))
    assert block.codes[:, 1].flags.c_contiguous
    assert buffer.take() == []


def test_a_missing_frame_begins_a_new_block():
    buffer = BlockBuffer(2)
    for first in (0, 20, 30):
        buffer.add(part(first, 10))
    assert spans(buffer.take()) == [(0, 10, 10), (20, 20, 20)]


def test_a_gap_between_two_takes_shows_too():
    buffer = BlockBuffer(2)
    buffer.add(part(0, 10))
    buffer.take()
    buffer.add(part(15, 10))
    assert spans(buffer.take()) == [(15, 10, 10)]


def test_samples_that_came_already_are_not_handed_over_twice():
    buffer = BlockBuffer(2)
    for first in (0, 10, 5, 10, 20):
        buffer.add(part(first, 10))
    assert spans(buffer.take()) == [(0, 30, 30)]
    buffer.add(part(20, 10))
    assert buffer.take() == []


def test_what_finds_no_room_is_a_gap():
    for limits in ({"max_bytes": 100}, {"max_frames": 2}):
        buffer = BlockBuffer(2, **limits)
        for first in (0, 10, 20):
            buffer.add(part(first, 10))
        assert spans(buffer.take()) == [(0, 20, 20)]
        buffer.add(part(30, 10))
        assert spans(buffer.take()) == [(30, 10, 10)]


def test_samples_missing_at_the_end_show_as_an_empty_block_there():
    buffer = BlockBuffer(2)
    buffer.add(part(0, 10))
    buffer.finish(25)
    assert spans(buffer.take()) == [(0, 10, 10), (25, 0, 0)]
    assert buffer.take() == []


def test_a_scan_that_is_complete_ends_without_an_empty_block():
    buffer = BlockBuffer(2)
    buffer.add(part(0, 10))
    buffer.finish(10)
    assert spans(buffer.take()) == [(0, 10, 10)]


def test_lines_become_words_of_any_width():
    buffer = BlockBuffer(1)
    buffer.add(DataPart(0, np.zeros((1, 1), np.int16), np.array([[1, 2, 3, 4, 5, 6, 7, 8]], np.uint8)))
    buffer.add(DataPart(1, np.zeros((1, 1), np.int16), np.full((1, 8), 255, np.uint8)))
    (block,) = buffer.take()
    assert block.words.tolist() == [0x0807060504030201, 0xFFFFFFFFFFFFFFFF]


def test_scans_without_lines_or_without_channels_work():
    buffer = BlockBuffer(1)
    buffer.add(part(0, 5, n_channels=1, width=0))
    assert buffer.take()[0].words.tolist() == [0] * 5
    buffer = BlockBuffer(0)
    buffer.add(DataPart(0, np.empty((0, 5), np.int16), np.ones((5, 1), np.uint8)))
    (block,) = buffer.take()
    assert block.codes.shape == (5, 0)
    assert block.words.tolist() == [1] * 5
