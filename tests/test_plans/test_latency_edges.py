"""Pairing of pin edges with frames and contents."""

import numpy as np
import pytest

from analysis.capture import Event
from test_plans.latency_edges import Burst, Outcome, PinEdge, Strays, bursts_of, pair

FRAME_S = 0.001


def frame(start_s, *, single=True, length_s=FRAME_S):
    return Burst(start_s=start_s, end_s=start_s + length_s, single=single)


def content(time_s, counter, *, state, item="discrete-1"):
    fields = {"item": item, "state": state, "counter": counter}
    return Event(time_s=time_s, uncertainty_s=0.003, kind="report", fields=fields)


def outcomes(edges, bursts, contents, *, timebase_bound=50e-6):
    results, stray = pair(edges, bursts, contents, "discrete-1", timebase_bound=timebase_bound)
    return [result.outcome for result in results], stray, [result.latency_s for result in results]


EDGES = (PinEdge(time_s=0.100, state=True), PinEdge(time_s=0.210, state=False))


def test_an_edge_with_its_own_frame_is_measured_from_pin_to_frame_start():
    bursts = (frame(0.123), frame(0.232))
    found, stray, latencies = outcomes(EDGES, bursts, (content(0.125, 1, state=True), content(0.234, 2, state=False)))
    assert found == [Outcome.MEASURED, Outcome.MEASURED]
    assert stray == Strays()
    assert latencies == pytest.approx([0.023, 0.022])


def test_an_edge_behind_another_frame_is_hidden():
    bursts = (frame(0.122, single=False, length_s=0.002), frame(0.232))
    contents = (
        content(0.124, 7, state=True, item="discrete-2"),
        content(0.1255, 1, state=True),
        content(0.234, 2, state=False),
    )
    found, _, _ = outcomes(EDGES, bursts, contents)
    assert found == [Outcome.HIDDEN, Outcome.MEASURED]


def test_a_frame_nobody_decoded_is_not_the_units_silence():
    bursts = (frame(0.123), frame(0.232))
    found, _, _ = outcomes(EDGES, bursts, (content(0.234, 2, state=False),))
    assert found == [Outcome.NO_CONTENT, Outcome.MEASURED]


def test_a_counter_that_skips_says_that_contents_were_lost():
    edges = (*EDGES, PinEdge(time_s=0.320, state=True))
    bursts = (frame(0.123), frame(0.342))
    found, _, _ = outcomes(edges, bursts, (content(0.125, 1, state=True), content(0.344, 3, state=True)))
    assert found == [Outcome.MEASURED, Outcome.NO_CONTENT, Outcome.MEASURED]


def test_neither_frame_nor_content_is_no_answer():
    found, stray, _ = outcomes(EDGES, (frame(0.500),), (content(0.502, 0, state=False),))
    assert found == [Outcome.NO_ANSWER, Outcome.NO_ANSWER]
    assert stray == Strays()


def test_a_content_without_frame_is_told_apart():
    found, _, _ = outcomes(EDGES[:1], (), (content(0.125, 1, state=True),))
    assert found == [Outcome.NO_FRAME]


def test_a_content_without_edge_is_stray():
    contents = (content(0.050, 0, state=False), content(0.080, 1, state=True))
    found, stray, _ = outcomes((PinEdge(time_s=0.5, state=True),), (frame(0.048), frame(0.078)), contents)
    assert stray == Strays(carried=1)
    assert found == [Outcome.NO_ANSWER]


def test_a_content_with_neither_edge_nor_frame_is_known_to_the_host_alone():
    contents = (content(0.050, 0, state=False), content(0.080, 1, state=True))
    _, stray, _ = outcomes((PinEdge(time_s=0.5, state=True),), (frame(0.048),), contents)
    assert stray == Strays(unseen=1)


def test_a_bench_frame_later_than_the_quiet_time_does_not_answer_an_edge():
    found, _, _ = outcomes(EDGES[:1], (frame(0.161),), (content(0.050, 0, state=False),))
    assert found == [Outcome.NO_ANSWER]


@pytest.mark.parametrize("clock_error", [-50e-6, 43e-6, 50e-6])
@pytest.mark.parametrize("host_latency_s", [0.0002, 0.002, 0.003])
def test_a_sample_clock_at_the_end_of_its_bound_still_pairs_late_in_a_capture(clock_error, host_latency_s):
    # 14 s into a capture a clock that is 50 ppm off has drifted 0.7 ms against the host that stamps the contents
    edges = (PinEdge(time_s=14.0, state=True), PinEdge(time_s=14.11, state=False))
    bursts = tuple(frame(edge.time_s + 0.023) for edge in edges)
    contents = tuple(
        content((burst.end_s + host_latency_s) * (1.0 - clock_error), counter, state=edge.state)
        for counter, (edge, burst) in enumerate(zip(edges, bursts, strict=True), start=1)
    )
    found, stray, latencies = outcomes(edges, bursts, contents)
    assert (found, stray) == ([Outcome.MEASURED, Outcome.MEASURED], Strays())
    assert latencies == pytest.approx([0.023, 0.023])


def test_a_content_further_off_than_both_clocks_can_be_belongs_to_no_frame():
    burst = frame(14.023)
    for time_s in (burst.end_s - 0.0012, burst.end_s + 0.003 + 0.0021):
        found, _, _ = outcomes((PinEdge(time_s=14.0, state=True),), (burst,), (content(time_s, 1, state=True),))
        assert found == [Outcome.NO_FRAME]


def test_bursts_start_half_the_bound_before_the_first_dominant_sample_and_know_one_frame_from_two():
    line = np.zeros(5000, dtype=bool)
    line[1000:1045:2] = True  # one frame of 0.9 ms
    line[2000:2110:2] = True  # two without a pause
    single, double = bursts_of(line, 50_000.0, 125_000)
    assert single.start_s == pytest.approx(0.02 - 30e-6)
    assert (single.single, double.single) == (True, False)
