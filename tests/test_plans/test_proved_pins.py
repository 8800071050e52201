"""What isolation proved of a pin is known to everything that is looked at later."""

from dataclasses import replace

import pytest
from synthetic_captures import Scene, Shelf, setup_of

from analysis.judge import observe
from analysis.measurement import Curve, Doubt, Observation
from analysis.verdict import Cause, Verdict
from test_plans.held_pins import reach_doubts
from test_plans.proved_pins import Proof, proofs, settled
from test_plans.readings import Record

HELD = Doubt(reason="pin P2-4 does not follow its stimulus; gone with the unit isolated", cause=Cause.UNIT, pin="P2-4")
UNMOVED = Doubt(reason="no edges at P2-4", cause=Cause.UNDECIDED, next_step="measure the line", pin="P2-4")
ELSEWHERE = replace(UNMOVED, reason="no edges at P2-5", pin="P2-5")
LOST = Doubt(reason="samples were lost", cause=Cause.BENCH, next_step="run it again")
PROVED = {"P2-4": Proof(procedure="discrete-levels", result_id="discrete-4.truth")}


def seen(*doubts):
    return Observation(
        id="discrete-4.bounce", title="Bounce", function="discretes", statement="s", trials=1, failures=1, doubts=doubts
    )


def after(proved, *doubts):
    (result,) = settled([seen(*doubts)], proved)
    return observe(result, procedure="discrete-bounce")


def test_what_a_proved_fault_keeps_from_being_tested_is_the_units_and_no_fail_of_its_own():
    finding = after(PROVED, UNMOVED, replace(UNMOVED, reason="not beyond its limits"))
    assert (finding.verdict, finding.cause, finding.next_step) == (Verdict.INCONCLUSIVE, Cause.UNIT, "")
    (reason,) = finding.reasons
    assert "the unit holds pin P2-4" in reason
    assert "discrete-levels proved" in reason
    assert "finding discrete-4.truth" in reason


@pytest.mark.parametrize(
    ("proved", "doubts", "cause"),
    [
        ({}, (UNMOVED,), Cause.UNDECIDED),  # nothing is proved
        (PROVED, (ELSEWHERE,), Cause.UNDECIDED),  # of another pin
        (PROVED, (UNMOVED, LOST), Cause.BENCH),  # whatever else is wrong, the bench's comes first
    ],
)
def test_nothing_else_becomes_the_units(proved, doubts, cause):
    finding = after(proved, *doubts)
    assert (finding.verdict, finding.cause) == (Verdict.INCONCLUSIVE, cause)


def test_the_result_that_proves_it_fails_and_has_no_other_explanation_left():
    finding = after({}, HELD, UNMOVED)
    assert (finding.verdict, finding.cause) == (Verdict.FAIL, Cause.UNIT)
    assert finding.reasons == (HELD.reason,)


def test_only_what_was_proved_by_isolation_counts_as_proof():
    curve = Curve(id="c", title="c", function="f", x_label="x", y_label="y", series={})
    assert dict(proofs("discrete-levels", [curve, seen(UNMOVED), seen(LOST)])) == {}
    assert dict(proofs("discrete-levels", [seen(HELD)])) == {
        "P2-4": Proof(procedure="discrete-levels", result_id="discrete-4.bounce")
    }
    later = list(settled([seen(UNMOVED), curve], PROVED))
    assert dict(proofs("discrete-bounce", later)) == {}  # what follows from a proof is none
    assert later[1] is curve


@pytest.mark.parametrize(
    ("levels_v", "words"), [((0.0, 0.004), "stayed at 0.00 V"), ((0.0, 2.0), "was moved from 0.00 V to 2.00 V only")]
)
def test_a_pin_that_stays_is_not_said_to_have_moved(levels_v, words):
    setup = setup_of("discrete-debounce")
    discrete = setup.unit.discretes[3]
    scene = Scene("short", 1.0)
    scene.signal(f"{discrete.name}.voltage", [levels_v[0]] * 500 + [levels_v[1]] * 500).drive(discrete.name, 0.1, 5.0)
    (doubt,) = reach_doubts(Record(Shelf(scene.capture()), "short"), setup, discrete)
    assert words in doubt.reason
    assert doubt.pin == discrete.pin
