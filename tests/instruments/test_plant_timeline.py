"""History as pieces: which holds when, what a later decision replaces, what forgetting keeps."""

import numpy as np

from instruments.simulated.timeline import Timeline


def spans(timeline, *times):
    return [(span.start, span.stop, piece) for span, _, piece in timeline.window(np.array(times, dtype=np.int64))]


def test_a_piece_holds_from_its_start_until_the_next():
    timeline = Timeline("a")
    timeline.put(10, "b")
    timeline.put(20, "c")
    assert [timeline.at(time)[1] for time in (0, 9, 10, 19, 20, 99)] == ["a", "a", "b", "b", "c", "c"]
    assert spans(timeline, 5, 9, 10, 25) == [(0, 2, "a"), (2, 3, "b"), (3, 4, "c")]
    assert spans(timeline, 5, 25) == [(0, 1, "a"), (1, 2, "c")]


def test_a_piece_put_earlier_replaces_those_that_were_to_come():
    timeline = Timeline("a")
    timeline.put(20, "later")
    timeline.put(15, "now")
    assert timeline.at(30) == (15, "now")
    timeline.put(15, "instead")
    assert spans(timeline, 14, 15) == [(0, 1, "a"), (1, 2, "instead")]


def test_forgetting_keeps_the_piece_that_still_holds():
    timeline = Timeline("a")
    timeline.put(10, "b")
    timeline.put(20, "c")
    timeline.forget_before(15)
    assert timeline.at(16) == (10, "b")
    assert timeline.at(0) == (10, "b")
    timeline.forget_before(1000)
    assert timeline.at(1000) == (20, "c")
