"""The end of a run: what is left on the bus, and channels that have drifted since the bench check."""

import math
from dataclasses import replace

import pytest
from synthetic_captures import Scene, judged, sheets

from analysis.finding import Finding
from analysis.repetition import repetition_id
from analysis.verdict import Cause, Verdict
from bench.judging import drifted, spoilt_by
from test_plans.signals import all_signals

UNIT = sheets().unit


def left(**volts):
    scene = Scene("discharged", 0.3)
    for signal in all_signals(UNIT):
        scene.signal(signal, 5.0 if signal == "reference.voltage" else 0.0)
    for signal, value in volts.items():
        scene.signal(signal.replace("__", ".").replace("_", "-"), value)
    return scene.capture()


def test_everything_at_zero_passes():
    assert {finding.verdict for finding in judged("discharge", left()).values()} == {Verdict.PASS}


@pytest.mark.parametrize(
    ("signal", "value"), [("unit__current", 0.1), ("pitch__voltage", 0.6), ("reference__voltage", 5.1)]
)
def test_a_channel_that_is_off_is_the_benchs_and_named(signal, value):
    found = judged("discharge", left(**{signal: value}))
    name = signal.replace("__", ".")
    assert drifted(tuple(found.values())) == (name,)
    for id_ in ("discharge.zeros", f"discharge.zero.{name}"):
        assert (found[id_].verdict, found[id_].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_what_is_left_on_the_bus_or_in_a_charged_output_is_no_drift():
    assert drifted(tuple(judged("discharge", left(unit__voltage=0.2, hold_up__voltage=3.0)).values())) == ()


def test_the_findings_that_show_a_drift_are_not_spoilt_by_it():
    capture = left(pitch__voltage=0.6)
    findings = tuple(judged("discharge", capture).values())
    assert spoilt_by("pitch.voltage", findings, [capture]) == ()


def test_with_a_finding_of_a_loop_goes_the_one_about_all_its_tries():
    capture = left(pitch__voltage=0.6)
    rests = Finding(
        id="drop",
        procedure=capture.procedure,
        function="",
        title="Drop",
        verdict=Verdict.PASS,
        cause=None,
        captures=(capture.name,),
    )
    loop = replace(
        rests,
        id=repetition_id(capture.procedure),
        attempt=9,
        trials=9,
        failures=0,
        rate_low=0.0,
        rate_high=0.34,
        rate_bound=0.28,
        captures=(),
    )
    revised = {finding.id: finding for finding in spoilt_by("pitch.voltage", [rests, loop], [capture])}
    assert (revised[loop.id].verdict, revised[loop.id].cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)
    assert math.isnan(revised[loop.id].rate_bound)
    assert spoilt_by("roll.voltage", [replace(rests, captures=()), loop], [capture]) == ()
