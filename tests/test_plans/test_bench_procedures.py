"""Bench check, leads and the unpowered look: what is found, and whom it is put down to."""

import numpy as np
import pytest
from synthetic_captures import Scene, judged, results_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans.bench_checks import LEVELS_V, level_of
from test_plans.signals import all_signals, stimuli_of

UNIT = sheets().unit
LINES = stimuli_of(UNIT)


def zeros(**wrong):
    scene = Scene("zeros", 0.4)
    for signal in all_signals(UNIT):
        scene.signal(signal, wrong.get(signal, 5.0 if signal == "reference.voltage" else 0.0))
    return scene


def as_driven(_line, value):
    return value


def stimuli(reads=as_driven):
    scene = Scene("stimuli", 0.9)
    for position, line in enumerate(LINES):
        values = np.zeros(scene.n)
        for step, base_v in enumerate(LEVELS_V):
            at_s = 0.15 + 0.25 * step
            level_v = level_of(position, base_v)
            scene.drive(line, at_s, level_v)
            values[round(at_s * 1000) :] = reads(line, level_v)
        scene.signal(f"{line}.voltage", values)
    return scene


def test_a_sound_bench_shows_zeros_reference_and_lines():
    found = judged("bench-check", zeros().capture(), stimuli().capture())
    for what in ("zeros", "reference", "stimulus-lines", "sample-stream"):
        assert found[f"bench-check.{what}"].verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("wrong", "finding"),
    [({"pitch.voltage": 0.2}, "zeros"), ({"roll.current": 12.0}, "zeros"), ({"reference.voltage": 5.1}, "reference")],
)
def test_a_channel_off_its_zero_or_clipped_is_the_benchs(wrong, finding):
    found = judged("bench-check", zeros(**wrong).capture())[f"bench-check.{finding}"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_a_dead_stimulus_line_is_named():
    scene = stimuli(lambda line, value: 0.0 if line == "discrete-2" else value)
    found = judged("bench-check", scene.capture())["bench-check.stimulus-lines"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "discrete-2" in found.reasons[0]
    assert "discrete-3" not in found.reasons[0]


def test_two_stimulus_lines_crossed_show_although_both_move():
    swap = {"discrete-1": 0.1, "discrete-2": -0.1}
    found = judged("bench-check", stimuli(lambda line, value: value + swap.get(line, 0.0)).capture())
    assert found["bench-check.stimulus-lines"].cause is Cause.BENCH


def test_one_lost_frame_is_found():
    found = judged("bench-check", zeros().gap(0.1, 25).capture())["bench-check.sample-stream"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def leads(*, sense=True, limited=False, amps=10.0):
    captures = []
    for name, current in (("unloaded", 0.0), ("loaded", amps)):
        scene = Scene(name, 0.3, 2000.0, set_voltage_v=14.0, current_limit_a=14.0)
        drop = 0.018 * current
        plug = 1.4 * amps if current and limited else 14.0 - (0.0 if sense else drop)
        scene.signal("supply.voltage", plug + drop).signal("unit.voltage", plug)
        scene.signal("unit.current.high", current).signal("return.current", current)
        scene.event("supply", 0.29, voltage_v=plug, current_a=current, set_v=14.0, limit_a=14.0, limiting=limited)
        captures.append(scene.capture())
    return judged("bench-leads", *captures)


def test_sound_leads_agree_in_every_way():
    assert {finding.verdict for finding in leads().values()} == {Verdict.PASS}


def test_an_open_sense_lead_is_found_as_such():
    found = leads(sense=False, amps=9.87)
    assert found["bench-leads.sense"].cause is Cause.BENCH
    assert found["bench-leads.current-limit"].verdict is Verdict.PASS


def test_an_early_limit_is_found_and_not_called_a_sense_fault():
    found = leads(limited=True, amps=2.0)
    assert found["bench-leads.current-limit"].cause is Cause.BENCH
    assert "not tried" in found["bench-leads.sense"].reasons[0]


def unpowered(volts, *, isolation=None):
    zero = Scene("zero", 0.3).signal("supply.voltage", 0.004).signal("unit.voltage", -0.006)
    look = Scene("signature", 0.3, set_voltage_v=1.0, current_limit_a=0.05)
    look.signal("supply.voltage", 1.004).signal("unit.voltage", volts - 0.006)
    captures = [zero.capture(), look.capture()]
    if isolation is not None:
        scene = Scene("isolation", 0.3, set_voltage_v=1.0, current_limit_a=0.05)
        scene.signal("supply.voltage", 1.0).signal("unit.current", isolation).signal("unit.voltage", 0.0)
        captures.append(scene.capture())
    return judged("unpowered", *captures)


def test_a_good_unit_draws_what_its_drop_over_20_ohm_says_zeros_taken_out():
    found = unpowered(0.998)["unpowered.current"]
    assert found.value == pytest.approx(0.1e-3, abs=0.1e-3)
    assert found.verdict is Verdict.PASS


def test_a_short_is_undecided_until_it_was_isolated():
    found = unpowered(0.01)["unpowered.current"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "contactor" in found.next_step


def test_a_short_that_goes_with_the_contactor_is_the_units():
    found = unpowered(0.01, isolation=0.0)["unpowered.current"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_a_short_that_stays_with_the_contactor_open_is_the_benchs():
    found = unpowered(0.01, isolation=0.05)["unpowered.current"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_wrong_polarity_is_seen():
    found = unpowered(-0.7)["unpowered.polarity"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_the_lead_resistance_stands_in_the_notes():
    result = results_of("bench-leads")["bench-leads.leads"]
    assert result.trials == 0
