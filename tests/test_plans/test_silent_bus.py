"""Reports that never came: whose silence it is by the receive line, and which were lost by their message codes."""

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf

from analysis.measurement import Measurement
from analysis.verdict import Cause
from test_plans.lost_reports import lost_doubts, lost_reports
from test_plans.readings import Record
from test_plans.receive_line import LINE, foreign_bursts_s
from test_plans.silence import READY_ID, silence_doubts

READY = Measurement(
    id=READY_ID,
    limit="ready-time",
    title="ready",
    function="power",
    value=0.6,
    quantity_unit="s",
    standard_uncertainty=0.002,
)
PROVED = Shelf(earlier=[READY])
SENT_S = np.arange(0.05, 4.0, 0.1)
BATCHES_S = (0.53, 1.53, 2.53, 3.53)


def listening(*, own=True, unit=(), volts=13.8, reports=(), rate_hz=5000.0):
    """Return a capture of 4 s: the bench sends every 100 ms, the unit at the instants of `unit`."""
    scene = Scene("truth", 4.0, rate_hz, set_voltage_v=13.8, current_limit_a=0.5)
    line = np.zeros(scene.n, dtype=bool)
    for at_s in SENT_S:
        scene.event("sent", at_s, 0.001, airspeed_kt=60.0)
    for at_s in (*(SENT_S if own else ()), *unit):
        line[round(at_s * rate_hz) : round((at_s + 0.001) * rate_hz)] = True
    for at_s in reports:
        scene.report("discrete-1", at_s, state=False, counter=0)
    return scene.signal("unit.voltage", volts).line(LINE, line).capture()


def silence(capture, evidence=PROVED):
    return [doubt.cause for doubt in silence_doubts(Record(Shelf(capture), "truth"), evidence)]


def test_bursts_that_are_not_the_benchs_own_are_told_from_its_own():
    assert foreign_bursts_s(listening(unit=BATCHES_S)) == pytest.approx(BATCHES_S, abs=1e-3)
    assert foreign_bursts_s(listening()).size == 0


def test_a_line_that_was_not_sampled_is_dead_or_never_quiet_tells_nothing():
    assert foreign_bursts_s(Scene("truth", 4.0).capture()) is None
    assert foreign_bursts_s(listening(own=False)) is None
    assert foreign_bursts_s(Scene("truth", 4.0).line(LINE, True).capture()) is None


def test_a_host_that_hears_nothing_of_what_is_on_the_line_is_the_benchs():
    assert silence(listening(unit=BATCHES_S)) == [Cause.BENCH]


def test_a_host_that_falls_silent_on_the_way_is_the_benchs():
    assert silence(listening(unit=BATCHES_S, reports=(0.531,))) == [Cause.BENCH]
    assert silence(listening(unit=BATCHES_S, reports=[at_s + 0.001 for at_s in BATCHES_S])) == []


def test_silence_is_the_units_only_with_the_line_quiet_the_bus_standing_and_the_link_proved():
    assert silence(listening()) == [Cause.UNIT]
    assert silence(listening(volts=9.0)) == [Cause.UNDECIDED]
    assert silence(listening(), Shelf()) == [Cause.UNDECIDED]
    assert silence(Scene("truth", 4.0, set_voltage_v=13.8).signal("unit.voltage", 13.8).capture()) == [Cause.UNDECIDED]


def reported(*codes, counters=None):
    scene = Scene("truth", 4.0)
    for place, code in enumerate(codes):
        counter = counters[place] if counters else 0
        scene.report("discrete-1", 0.5 + 0.5 * place, state=False, counter=counter, message_code=code)
    return Record(Shelf(scene.capture()), "truth")


@pytest.mark.parametrize(
    ("codes", "lost"),
    [((4, 5, 6), []), ((254, 255, 0), []), ((4, 6, 7), [1]), ((254, 1), [2]), ((9, 0, 1), [])],
    ids=["none", "wraps", "one", "over the wrap", "started anew"],
)
def test_a_skipped_message_code_is_a_lost_report(codes, lost):
    assert [found.n for found in lost_reports(reported(*codes).reports("discrete-1"))] == lost


def test_counters_that_went_back_say_that_the_unit_was_started_and_nothing_of_losses():
    assert not list(lost_reports(reported(200, 0, counters=(7, 0)).reports("discrete-1")))


def test_a_lost_report_is_the_benchs_doubt_in_its_stretch_only():
    record = reported(4, 5, 7, 8)  # lost between 1.0 s and 1.5 s
    (doubt,) = lost_doubts(record, "discrete-1", 1.2, 1.3)
    assert doubt.cause is Cause.BENCH
    assert lost_doubts(record, "discrete-1", 0.6, 0.9) == lost_doubts(record, "discrete-1", 1.6, 1.9) == ()
