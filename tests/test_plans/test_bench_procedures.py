"""Bench check, leads and the unpowered look: what is found, and whom it is put down to."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, judged, results_of, setup_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans.bench_channels import feeds_of, unproved
from test_plans.bench_checks import LEVELS_V, level_of
from test_plans.signals import idle_outputs, stimuli_of, wired_signals

UNIT = sheets().unit
LINES = stimuli_of(UNIT)


def zeros(**wrong):
    scene = Scene("zeros", 0.4)
    for signal in wired_signals(setup_of("bench-check")):
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


def fed(*, gain=1.0, crossed=False):
    outputs = [feed.output for feed in feeds_of(setup_of("bench-check"))]
    bent = outputs.index("pwm-1")
    scene = Scene("fed", 0.02 + 0.06 * len(outputs))
    for place, output in enumerate(outputs):
        at_s = 0.02 + 0.06 * place
        scene.event("note", at_s, load=output, position="10 kohm").event(
            "note", at_s + 0.06, load=output, position="open"
        )
    for place, output in enumerate(outputs):
        shown = {bent: bent + 1, bent + 1: bent}.get(place, place) if crossed else place
        at_s = 0.02 + 0.06 * shown
        on = (scene.times_s >= at_s) & (scene.times_s < at_s + 0.06)
        scene.signal(f"{output}.voltage", np.where(on, 5.0 * (gain if place == bent else 1.0), 0.0))
    return judged("bench-check", scene.capture())["bench-check.output-channels"]


def test_channels_of_fed_outputs_show_the_reference():
    assert fed().verdict is Verdict.PASS


@pytest.mark.parametrize("bent", [{"gain": 0.0}, {"gain": 0.9}, {"gain": 1.03}, {"crossed": True}])
def test_a_dead_bent_or_crossed_output_channel_is_the_benchs(bent):
    found = fed(**bent)
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "pwm-1" in found.reasons[0]


@pytest.mark.parametrize(
    ("error", "verdict"), [(5e-5, Verdict.PASS), (1e-3, Verdict.INCONCLUSIVE), (-0.01, Verdict.INCONCLUSIVE)]
)
def test_a_sample_clock_that_runs_off_bench_time_is_found(error, verdict):
    scene = Scene("clock", 8.0014 * (1.0 + error)).signal("unit.voltage", 0.0).event("note", 8.0014, 0.005, ends=True)
    found = judged("bench-check", scene.capture())["bench-check.sample-clock"]
    assert (found.verdict, found.cause) == (verdict, None if verdict is Verdict.PASS else Cause.BENCH)


def test_a_sample_clock_that_was_not_looked_at_is_not_sound():
    assert judged("bench-check", zeros().capture())["bench-check.sample-clock"].verdict is Verdict.INCONCLUSIVE


def test_every_channel_of_an_output_is_proved_on_this_bench():
    fed_outputs = {feed.output for feed in feeds_of(setup_of("bench-check"))}
    assert fed_outputs >= {*idle_outputs(UNIT), "ground"}
    assert not any(
        "nothing but" in note
        for name, result in results_of("power-up").items()
        if ".idle." in name
        for note in result.notes
    )


def test_what_rests_on_a_channel_nothing_proves_says_so():
    setup = setup_of("power-up")
    loads = {output: positions for output, positions in setup.bench.loads.items() if output != "flap"}
    without = replace(setup, bench=replace(setup.bench, loads=loads))
    assert unproved(setup, ("flap",)) == ()
    assert unproved(without, ("flap", "light-1")) == ("channel of flap: proved by nothing but its zero",)


def loaded(lines=None, ohm=1000.0):
    """Every line at 8 V behind its resistor with 10 kohm at its pin; `lines` behind another one."""
    scene = Scene("loaded", 0.25)
    for line in stimuli_of(UNIT):
        series_ohm = ohm if line in (lines or ()) else 1000.0
        scene.drive(line, 0.1, 8.0)
        scene.signal(f"{line}.voltage", np.where(scene.times_s >= 0.1, 8.0 * 1e4 / (1e4 + series_ohm), 0.0))
    return judged("bench-check", scene.capture())["bench-check.stimulus-resistance"]


def test_lines_with_their_own_resistor_are_sound_under_load():
    assert loaded().verdict is Verdict.PASS


@pytest.mark.parametrize("ohm", [900.0, 1100.0, 11_000.0, 1e9])
def test_a_line_with_another_resistance_is_the_benchs(ohm):
    found = loaded(["rheostat-1"], ohm)
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "rheostat-1" in found.reasons[0]
    assert "rheostat-2" not in found.reasons[0]


@pytest.mark.parametrize(("rms_v", "verdict"), [(1.0e-3, Verdict.PASS), (3.0e-3, Verdict.INCONCLUSIVE)])
def test_a_channel_noisier_than_stated_is_the_benchs(rms_v, verdict):
    noise = np.random.Generator(np.random.Philox(key=1)).normal(0.0, rms_v, 400)
    found = judged("bench-check", zeros(**{"light-1.voltage": noise}).capture())["bench-check.noise"]
    assert found.verdict is verdict
    assert verdict is Verdict.PASS or "light-1.voltage is noisy" in found.reasons[0]


def test_one_lost_frame_is_found():
    found = judged("bench-check", zeros().gap(0.1, 25).capture())["bench-check.sample-stream"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def leads(*, sense=True, limited=False, amps=10.0, narrow_gain=1.0):
    captures = []
    for name, current in (("unloaded", 0.0), ("narrow", 1.5), ("loaded", amps)):
        set_v = 2.1 if name == "narrow" else 14.0
        scene = Scene(name, 0.3, 2000.0, set_voltage_v=set_v, current_limit_a=14.0)
        drop = 0.018 * current
        plug = 1.4 * amps if name == "loaded" and limited else set_v - (0.0 if sense or set_v < 14.0 else drop)
        scene.signal("supply.voltage", plug + drop).signal("unit.voltage", plug)
        scene.signal("unit.current", 0.002 + narrow_gain * current)
        scene.signal("unit.current.high", current).signal("return.current", current)
        scene.event("supply", 0.29, voltage_v=plug, current_a=current, set_v=14.0, limit_a=14.0, limiting=limited)
        captures.append(scene.capture())
    return judged("bench-leads", *captures)


def test_sound_leads_agree_in_every_way():
    assert {finding.verdict for finding in leads().values()} == {Verdict.PASS}


@pytest.mark.parametrize("narrow_gain", [0.0, 0.65, 0.97, 1.5], ids=["open", "-35 %", "-3 %", "+50 %"])
def test_a_narrow_current_channel_with_a_wrong_gain_is_found(narrow_gain):
    found = leads(narrow_gain=narrow_gain)
    for what in ("load", "forward", "return"):
        assert found[f"bench-leads.narrow-{what}"].cause is Cause.BENCH
    assert found["bench-leads.load"].verdict is Verdict.PASS


def test_an_open_sense_lead_is_found_as_such():
    found = leads(sense=False, amps=9.87)
    assert found["bench-leads.sense"].cause is Cause.BENCH
    assert found["bench-leads.current-limit"].verdict is Verdict.PASS


def test_an_early_limit_is_found_and_not_called_a_sense_fault():
    found = leads(limited=True, amps=2.0)
    assert found["bench-leads.current-limit"].cause is Cause.BENCH
    assert found["bench-leads.sense"].reasons[0] == "the supply limits at this current, so its sense lead shows nothing"
    assert found["bench-leads.sense"].next_step


def unpowered(volts, *, isolation=None, shunt_a=None):
    zero = Scene("zero", 0.3).signal("supply.voltage", 0.004).signal("unit.voltage", -0.006)
    zero.signal("unit.current", 0.002)
    look = Scene("signature", 0.3, set_voltage_v=1.0, current_limit_a=0.05)
    look.signal("supply.voltage", 1.004).signal("unit.voltage", volts - 0.006)
    look.signal("unit.current", 0.002 + ((1.0 - volts) / 20.0 if shunt_a is None else shunt_a))
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


@pytest.mark.parametrize(("volts", "shunt_a"), [(0.0, 0.0), (0.79, 0.00105)], ids=["open path", "200 ohm path"])
def test_a_path_whose_drop_is_no_current_is_the_benchs_and_nothing_is_isolated(volts, shunt_a):
    found = unpowered(volts, shunt_a=shunt_a, isolation=0.0)
    for what in ("current", "polarity"):
        finding = found[f"unpowered.{what}"]
        assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert "shunt" in found["unpowered.current"].reasons[0]
    assert not found["unpowered.current"].notes


def test_wrong_polarity_is_seen():
    found = unpowered(-0.7)["unpowered.polarity"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_the_lead_resistance_stands_in_the_notes():
    result = results_of("bench-leads")["bench-leads.leads"]
    assert result.trials == 0
