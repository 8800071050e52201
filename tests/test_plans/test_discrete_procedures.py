"""Discretes: thresholds out of ramps, stuck and held pins, debounce from counters, latency over edges."""

import math
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, judged, results_of, setup_given, setup_of, sheets

from analysis.verdict import Cause, Verdict
from bench.judging import findings_of
from test_plans.discrete_pins import drive_for, pin_for, ramp_of, report_delay
from test_plans.driving import levels_of
from test_plans.registry import PROCEDURES

UNIT = sheets().unit
FACTS = sheets().bench.facts
LOW = UNIT.discretes[0]
SETUP = setup_of("discrete-levels")


def ramps(*, active_v=1.6, inactive_v=2.6, stuck=False, pin=None):
    """Capture of discrete 1 ramped down and up at 0.5 V/s, reported as late as a good unit does on average."""
    ramp = ramp_of(LOW, FACTS, 0.5)
    down_s, up_s = 0.3, 0.3 + ramp.duration_s + 0.15
    scene = Scene("ramps-low", up_s + ramp.duration_s + 0.2)
    top_v, bottom_v = pin_for(LOW, FACTS, ramp.inactive_v), pin_for(LOW, FACTS, ramp.active_v)
    at = (0.0, down_s, down_s + ramp.duration_s, up_s, up_s + ramp.duration_s, 99.0)
    moving = np.interp(scene.times_s, at, (top_v, top_v, bottom_v, bottom_v, top_v, top_v))
    scene.signal("discrete-1.voltage", moving if pin is None else pin)
    for time_s, value in ((0.15, ramp.inactive_v), (down_s, ramp.active_v), (up_s, ramp.inactive_v)):
        scene.drive("discrete-1", time_s, value)
    delay_s = report_delay(SETUP).mean_s
    scene.report("discrete-1", 0.1, state=False, counter=0)
    if not stuck:
        went_s = down_s + (top_v - active_v) / 0.5 + delay_s
        back_s = up_s + (inactive_v - bottom_v) / 0.5 + delay_s
        scene.report("discrete-1", went_s, state=True, counter=1)
        scene.report("discrete-1", back_s, state=False, counter=2)
    scene.report("discrete-1", scene.n / 1000.0 - 0.05, state=False, counter=0 if stuck else 2)
    return scene


def truth(*, pin=lambda value: value, follows=True):
    scene = Scene("truth", 3.0)
    values = np.full(scene.n, 5.0)
    scene.report("discrete-1", 0.5, state=False, counter=0)
    for trial in range(3):
        for offset_s, level_v, state in ((0.0, 0.0, True), (0.08, 5.0, False)):
            at_s = 1.2 + 0.16 * trial + offset_s
            scene.drive("discrete-1", at_s, level_v)
            values[round(at_s * 1000) :] = level_v
            if follows:
                scene.report("discrete-1", at_s + 0.025, state=state, counter=2 * trial + 1 + (not state))
    return scene.signal("discrete-1.voltage", pin(values))


def isolation(reads):
    scene = Scene("isolation", 0.65)
    values = np.zeros(scene.n)
    for at_s, level_v in ((0.15, 2.0), (0.40, 8.0)):
        scene.drive("discrete-1", at_s, level_v)
        values[round(at_s * 1000) :] = level_v
    return scene.signal("discrete-1.voltage", values if reads else 0.0)


def test_a_drive_level_puts_the_pin_where_it_is_wanted():
    assert pin_for(LOW, FACTS, drive_for(LOW, FACTS, 2.0)) == pytest.approx(2.0)
    assert pin_for(LOW, FACTS, 0.0) == pytest.approx(5.0 * 1000.0 / 5700.0)  # a divider of 1 kohm and 4.7 kohm


def test_the_delay_to_the_report_comes_from_the_sheets_debounce():
    # 20 to 27 ms to the bus, then the frame of about 1 ms and the host's 3 ms
    delay = report_delay(SETUP)
    assert delay.mean_s - delay.bound_s == pytest.approx(0.0209, abs=1e-4)
    assert delay.mean_s + delay.bound_s == pytest.approx(0.0311, abs=1e-4)


def test_both_thresholds_are_where_the_pin_stood_when_the_unit_saw_them():
    found = judged("discrete-levels", ramps(active_v=1.55, inactive_v=2.65).capture())
    assert found["discrete-1.threshold-active"].value == pytest.approx(1.55, abs=0.003)
    assert found["discrete-1.threshold-inactive"].value == pytest.approx(2.65, abs=0.003)
    assert found["discrete-1.hysteresis"].value == pytest.approx(1.10, abs=0.004)
    assert (
        found["discrete-1.hysteresis"].standard_uncertainty < found["discrete-1.threshold-active"].standard_uncertainty
    )


def test_a_threshold_too_high_is_the_units_fail():
    found = judged("discrete-levels", ramps(active_v=2.5, inactive_v=3.5).capture())
    assert (found["discrete-1.threshold-active"].verdict, found["discrete-1.threshold-active"].cause) == (
        Verdict.FAIL,
        Cause.UNIT,
    )


def test_a_discrete_that_a_whole_ramp_does_not_move_is_the_units_fail():
    found = judged("discrete-levels", ramps(stuck=True).capture())["discrete-1.threshold-active"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_a_ramp_that_did_not_reach_the_pin_blames_nobody():
    found = judged("discrete-levels", ramps(stuck=True, pin=0.0).capture())["discrete-1.threshold-active"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_lost_samples_where_the_threshold_lies_are_the_benchs():
    scene = ramps()
    scene.gap(4.5, 600)
    found = judged("discrete-levels", scene.capture())["discrete-1.threshold-active"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_truth_counts_every_change():
    assert judged("discrete-levels", truth().capture())["discrete-1.truth"].verdict is Verdict.PASS
    stuck = judged("discrete-levels", truth(follows=False).capture())["discrete-1.truth"]
    assert (stuck.verdict, stuck.trials, stuck.failures) == (Verdict.FAIL, 6, 3)


@pytest.mark.parametrize(
    ("captures", "verdict", "cause"),
    [
        ((), Verdict.INCONCLUSIVE, Cause.UNDECIDED),
        ((True,), Verdict.FAIL, Cause.UNIT),
        ((False,), Verdict.INCONCLUSIVE, Cause.BENCH),
    ],
)
def test_a_held_pin_is_the_units_only_when_its_line_is_sound_without_the_unit(captures, verdict, cause):
    held = truth(pin=lambda values: 0.0 * values, follows=False).capture()
    shown = [isolation(reads).capture() for reads in captures]
    found = judged("discrete-levels", held, *shown)["discrete-1.truth"]
    assert (found.verdict, found.cause) == (verdict, cause)


def test_the_pull_up_current_is_carried_on_to_a_short():
    scene = Scene("pull-up", 0.65)
    values = np.full(scene.n, 5.0)
    for at_s, level_v in ((0.15, 0.0), (0.40, 2.0)):
        scene.drive("discrete-1", at_s, level_v)
        values[round(at_s * 1000) :] = level_v + (5.0 - level_v) * 1000.0 / 5700.0
    found = judged("discrete-levels", scene.signal("discrete-1.voltage", values).capture())["discrete-1.pull-current"]
    assert found.value == pytest.approx(5.0 / 4700.0, rel=0.002)
    assert found.verdict is Verdict.PASS


def pulses(name, width_s, *, counted, reaches=True):
    scene = Scene(name, 3.3, 10_000.0)
    values = np.full(scene.n, 5.0)
    levels = levels_of(LOW)
    scene.report("discrete-1", 0.9, state=False, counter=4)
    for pulse in range(20):
        at_s = 1.3 + 0.07 * pulse
        scene.drive("discrete-1", at_s, levels.active_v).drive("discrete-1", at_s + width_s, levels.inactive_v)
        values[round(at_s * 1e4) : round((at_s + width_s) * 1e4)] = 0.9
    scene.report("discrete-1", 3.2, state=False, counter=4 + counted)
    return scene.signal("discrete-1.voltage", values if reaches else 5.0).capture()


def test_short_pulses_must_leave_the_counter_and_long_ones_move_it_by_two():
    found = judged("discrete-debounce", pulses("short", 0.0149, counted=0), pulses("long", 0.0251, counted=40))
    assert found["discrete-1.rejects-short"].verdict is Verdict.PASS
    assert found["discrete-1.accepts-long"].verdict is Verdict.PASS


def test_an_accepted_short_pulse_and_a_missed_long_one_are_the_units():
    found = judged("discrete-debounce", pulses("short", 0.0149, counted=2), pulses("long", 0.0251, counted=38))
    assert [found[f"discrete-1.{what}"].failures for what in ("rejects-short", "accepts-long")] == [1, 1]
    assert found["discrete-1.accepts-long"].cause is Cause.UNIT


@pytest.mark.parametrize(
    "capture", [pulses("short", 0.0149, counted=0, reaches=False), pulses("short", 0.0160, counted=0)]
)
def test_pulses_that_were_not_at_the_pin_prove_nothing(capture):
    found = judged("discrete-debounce", capture)["discrete-1.rejects-short"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def latency(
    name="discrete-1",
    *,
    latency_s=0.023,
    n_edges=120,
    answers=True,
    heard=True,
    hidden=0,
    clock_error=0.0,
    host_s=0.002,
    made_up=None,
):
    """Every edge answered by one frame; `made_up`: a change told before the first edge, with its frame or without."""
    rate_hz = 50_000.0
    scene = Scene(name, 0.2 + 0.11 * n_edges + 0.5, rate_hz)
    pin, line = np.full(scene.n, 5.0), np.zeros(scene.n, dtype=bool)

    def frame(start_s):
        first = round(start_s * rate_hz)
        line[first : first + 46 : 2] = True

    frame(0.05)
    scene.report(name, 0.0525, state=False, counter=0)
    if made_up is not None:
        scene.report(name, 0.1025, state=True, counter=1)
        scene.report(name, 0.1325, state=False, counter=2)
    if made_up:
        frame(0.1)
        frame(0.13)
    first_counter = 1 if made_up is None else 3
    for index in range(n_edges):
        at_s, active = 0.2 + 0.11 * index, index % 2 == 0
        scene.drive(name, at_s, 0.0 if active else 5.0)
        pin[round(at_s * rate_hz) :] = 0.9 if active else 5.0
        if answers:
            frame(at_s + latency_s)
            if index < hidden:
                frame(at_s + latency_s - 0.001)  # another frame ahead of it, without a pause between
            if heard:
                heard_s = (at_s + latency_s + host_s) * (1.0 - clock_error)
                scene.report(name, heard_s, state=active, counter=index + first_counter)
    return scene.signal(f"{name}.voltage", pin).line("bus.receive", line).capture()


@pytest.mark.parametrize("way", ["active", "inactive"])
def test_the_worst_latency_each_way_passes_with_59_edges_of_its_own(way):
    found = judged("discrete-latency", latency())[f"discrete-1.latency-{way}"]
    assert found.value == pytest.approx(0.023, abs=60e-6)
    assert found.verdict is Verdict.PASS


@pytest.mark.parametrize("clock_error", [-50e-6, 50e-6])
def test_a_sample_clock_within_its_bound_does_not_spoil_the_latency(clock_error):
    found = judged("discrete-latency", latency(clock_error=clock_error, host_s=0.0011))  # just after the frame
    assert found["discrete-1.latency-active"].verdict is Verdict.PASS
    assert found["discrete-1.every-edge-reported"].verdict is Verdict.PASS


def test_the_latency_budget_takes_the_sample_clocks_own_bound():
    found = results_of("discrete-latency", latency())["discrete-1.latency-active"]
    (clock,) = (line for line in found.components if line.name == "sample clock")
    assert clock.contribution == pytest.approx(5e-5 * found.value / math.sqrt(3.0))


def test_too_few_edges_are_no_worst_case():
    found = judged("discrete-latency", latency(n_edges=100))["discrete-1.latency-active"]  # 50 each way
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_a_late_report_is_the_units_fail():
    found = judged("discrete-latency", latency(latency_s=0.050))["discrete-1.latency-inactive"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_edges_that_bring_nothing_while_periodic_reports_come_are_the_units():
    found = judged("discrete-latency", latency(answers=False))["discrete-1.every-edge-reported"]
    assert (found.verdict, found.failures) == (Verdict.FAIL, 120)


def test_frames_that_nobody_decoded_are_the_benchs():
    found = judged("discrete-latency", latency(heard=False))["discrete-1.every-edge-reported"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@pytest.mark.parametrize(("framed", "cause"), [(True, Cause.UNDECIDED), (False, Cause.BENCH)])
def test_changes_without_an_edge_are_the_benchs_only_where_no_frame_carried_them(framed, cause):
    found = judged("discrete-latency", latency(made_up=framed))
    for name in ("every-edge-reported", "latency-active", "latency-inactive"):
        assert (found[f"discrete-1.{name}"].verdict, found[f"discrete-1.{name}"].cause) == (Verdict.INCONCLUSIVE, cause)
        assert any(" 2 " in reason for reason in found[f"discrete-1.{name}"].reasons)
        assert found[f"discrete-1.{name}"].next_step


class NotingRig:
    """Takes note of the captures a follow-up asks for, and of what they drive."""

    def __init__(self):
        self.taken = []
        self.driven = []
        self.now_s = 0.0

    @contextmanager
    def capture(self, name, signals, **_how):
        self.taken.append((name, tuple(signals)))
        yield self

    def drive(self, stimulus, voltage_v, *, at_s):
        self.driven.append((stimulus, voltage_v, at_s))

    def quiet_bus(self, *, from_s, to_s):
        assert to_s - from_s == pytest.approx(0.060)

    def wait_until(self, time_s):
        self.now_s = max(self.now_s, time_s)


def test_hidden_edges_are_taken_again_and_only_those_missing():
    rig, evidence = NotingRig(), Shelf(latency(hidden=4))
    assert PROCEDURES["discrete-latency"].follow_up(rig, setup_of("discrete-latency"), evidence)
    assert rig.taken == [("discrete-1.repeat-1", ("discrete-1.voltage",))]
    assert len(rig.driven) == 2 * (1 + 1)  # of 60 each way two were hidden: one missing of 59, and one to spare
    assert rig.driven[-1][1] == levels_of(LOW).inactive_v


PAIR = UNIT.discretes[:2]


def at_lowest(*captures, trials):
    """Judge the latency at the lowest bus of a unit with two discretes, the edges shared or each its own."""
    setup = setup_given("discrete-latency-lowest", **({"trials": trials} if trials else {"trials": 0, "edges": 59}))
    procedure, setup = PROCEDURES["discrete-latency-lowest"], replace(setup, unit=replace(UNIT, discretes=PAIR))
    results = list(procedure.evaluate(Shelf(*captures), setup))
    return {f.id: f for f in findings_of(results, UNIT, procedure=procedure.name, attempt=1)}


@pytest.mark.parametrize("way", ["active", "inactive"])
def test_at_the_ends_of_the_bus_the_edges_of_all_discretes_make_one_worst_case(way):
    both = (latency("discrete-1", n_edges=60), latency("discrete-2", n_edges=60, latency_s=0.027))
    found = at_lowest(*both, trials=59)
    worst = found[f"discretes.latency-{way}.lowest-bus"]
    assert worst.verdict is Verdict.PASS
    assert worst.notes[0].startswith("60 edges")
    assert worst.notes[1] == "the latest of Discrete 2"
    assert worst.value == pytest.approx(0.027, abs=60e-6)
    assert set(worst.pins) == {discrete.pin for discrete in PAIR}
    assert "at 10 V" in worst.title
    assert found["discrete-2.every-edge-reported.lowest-bus"].trials == 60
    assert not [name for name in found if name.startswith("discrete-1.latency")]
    alone = at_lowest(*both, trials=0)[f"discrete-1.latency-{way}.lowest-bus"]
    assert alone.verdict is Verdict.INCONCLUSIVE  # 30 edges are too few for a worst case of its own


def test_one_late_discrete_fails_the_worst_case_of_all_and_what_spoils_one_spoils_it_too():
    good = latency("discrete-1", n_edges=60)
    late = at_lowest(good, latency("discrete-2", n_edges=60, latency_s=0.050), trials=59)
    assert late["discretes.latency-active.lowest-bus"].cause is Cause.UNIT
    assert late["discrete-2.every-edge-reported.lowest-bus"].verdict is Verdict.PASS
    for others in ((latency("discrete-2", n_edges=60, heard=False),), ()):
        found = at_lowest(good, *others, trials=59)["discretes.latency-active.lowest-bus"]
        assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@pytest.mark.parametrize(("trials", "each"), [(59, 30), (60, 30), (61, 31)])
def test_shared_edges_are_dealt_out_in_whole_ones_to_every_discrete(trials, each):
    setup = setup_given("discrete-latency-lowest", trials=trials)
    setup = replace(setup, unit=replace(UNIT, discretes=PAIR))
    own = replace(setup, step=replace(setup.step, conditions={"edges": each}))
    captures, wanted = (
        PROCEDURES[name].needs(given).captures
        for name, given in (("discrete-latency-lowest", setup), ("discrete-latency", own))
    )
    assert [capture.duration_s for capture in captures] == [capture.duration_s for capture in wanted]


def test_enough_edges_need_no_follow_up():
    assert not PROCEDURES["discrete-latency"].follow_up(
        NotingRig(), setup_of("discrete-latency"), Shelf(latency(hidden=1))
    )


def test_a_slow_edge_is_counted_once_and_one_that_is_counted_thrice_fails_though_the_thresholds_hold():
    calm = judged("discrete-levels", ramps().capture())["discrete-1.slow-edge"]
    assert (calm.verdict, calm.trials, calm.failures) == (Verdict.PASS, 2, 0)
    scene = ramps()
    for time_s, state, counter in ((8.8, True, 3), (8.85, False, 4)):  # on the way back, after the first report
        scene.report("discrete-1", time_s, state=state, counter=counter)
    scene.report("discrete-1", scene.n / 1000.0 - 0.04, state=False, counter=4)
    found = judged("discrete-levels", scene.capture())
    chattering = found["discrete-1.slow-edge"]
    assert (chattering.verdict, chattering.cause, chattering.failures) == (Verdict.FAIL, Cause.UNIT, 1)
    assert found["discrete-1.threshold-active"].verdict is Verdict.PASS


def test_a_slow_edge_in_a_capture_with_lost_samples_is_the_benchs():
    scene = ramps()
    scene.gap(4.5, 600)
    found = judged("discrete-levels", scene.capture())["discrete-1.slow-edge"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
