"""Discretes that were never reported, and the one that moves with another: what is evidence, and of what."""

import pytest
from synthetic_captures import Scene, Shelf, judged, setup_of, sheets

from analysis.capture import Event
from analysis.verdict import Cause, Verdict
from test_plans.readings import Record
from test_plans.reported_discretes import independence, unreported_doubts

UNIT = sheets().unit
ONE, TWO, THREE = UNIT.discretes[:3]
WITHIN_S = 0.075


def said(time_s, counter):
    return Event(time_s=time_s, uncertainty_s=0.003, kind="report", fields={"counter": counter, "state": False})


def switched(reports_of_two, *, own_s=()):
    """Discrete 1 is switched at 2.0 and 2.08 s; what discrete 2 reports says whether it moved."""
    own = [said(0.5, 0), said(2.025, 1), said(2.105, 2), said(3.2, 2)]
    return independence(
        {ONE.name: [2.0, 2.08], TWO.name: list(own_s)},
        {ONE.name: own, TWO.name: reports_of_two},
        (ONE, TWO),
        within_s=WITHIN_S,
    )


def test_reports_before_and_after_with_the_same_count_are_a_trial_each_switching():
    found = switched([said(1.0, 7), said(2.9, 7)])
    assert (found.trials, found.moved, found.unseen) == (2, (), (ONE,))  # discrete 2 was never switched


@pytest.mark.parametrize("reports", [[], [said(1.0, 7)], [said(2.9, 7)], [said(1.0, 7), said(2.04, 7)]])
def test_without_a_report_before_and_one_late_enough_after_there_is_no_trial(reports):
    found = switched(reports)
    assert found.trials == 0
    assert TWO in found.unseen


def test_a_change_that_came_with_the_switching_is_named_with_it():
    found = switched([said(1.0, 7), said(2.027, 8), said(2.107, 9), said(3.1, 9)])
    assert found.moved == ("Discrete 2 with Discrete 1", "Discrete 2 with Discrete 1")


def test_a_change_seen_only_in_the_next_periodic_report_is_seen_all_the_same():
    assert switched([said(1.0, 7), said(2.9, 9)]).moved == ("Discrete 2 with Discrete 1",)


def test_a_discrete_that_was_itself_switched_meanwhile_is_no_witness():
    found = switched([said(1.0, 7), said(2.9, 8)], own_s=[2.3])
    assert TWO in found.unseen
    assert found.moved == ()


def truth(*, others=True, duration_s=4.0, moves_with=None):
    """Discrete 1 is switched three times; the others are reported every second, if they are at all."""
    scene = Scene("truth", duration_s)
    for discrete in UNIT.discretes:
        scene.signal(f"{discrete.name}.voltage", 5.0)
    for index in range(6):
        at_s = 1.2 + 0.08 * index
        scene.drive(ONE.name, at_s, 5.0 * (index % 2))
        scene.report(ONE.report, at_s + 0.025, state=index % 2 == 0, counter=index + 1)
        if moves_with:
            scene.report(moves_with.report, at_s + 0.026, state=index % 2 == 0, counter=index + 1)
    scene.report(ONE.report, 0.5, state=False, counter=0)
    for discrete in UNIT.discretes[1:] if others else ():
        for second in range(int(duration_s)):
            counter = 6 if discrete is moves_with and second > 1 else 0
            scene.report(discrete.report, second + 0.6, state=False, counter=counter)
    return scene


def independent(scene):
    return judged("discrete-levels", scene.capture())["discretes.independence"]


def test_no_report_of_the_others_proves_nothing():
    found = independent(truth(others=False))
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert found.trials == 0


def test_lost_samples_put_the_independence_in_doubt():
    found = independent(truth().gap(1.5, 50))
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.BENCH)


def test_a_discrete_that_moves_with_another_is_the_units():
    scene = truth(moves_with=TWO)
    for index in range(2):  # discrete 3 is switched too, so that every one of them is a witness
        scene.drive(THREE.name, 2.7 + 0.08 * index, 5.0 * index)
    scene.report(ONE.report, 2.5, state=False, counter=6).report(ONE.report, 3.5, state=False, counter=6)
    found = independent(scene)
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)
    assert "Discrete 2 with Discrete 1" in found.reasons[0]


def heard(*, other_reports, duration_s=4.0):
    scene = Scene("truth", duration_s).signal("discrete-1.voltage", 5.0)
    for index in range(other_reports):
        scene.report("reset-count", 0.4 + index, count=0)
    return scene


@pytest.mark.parametrize(
    ("scene", "causes"),
    [
        (heard(other_reports=3), [Cause.UNIT]),
        (heard(other_reports=1), [Cause.UNDECIDED]),
        (heard(other_reports=2, duration_s=1.8), [Cause.UNDECIDED]),
        (heard(other_reports=0), [Cause.UNDECIDED]),
        (heard(other_reports=3).report(ONE.report, 0.5, state=False, counter=0), []),
    ],
)
def test_a_discrete_never_reported_is_the_units_once_other_periodic_reports_came(scene, causes):
    doubts = unreported_doubts(Record(Shelf(scene.capture()), "truth"), Shelf(), setup_of("discrete-levels"), ONE)
    assert [doubt.cause for doubt in doubts] == causes
    assert all(doubt.next_step for doubt in doubts if doubt.cause is not Cause.UNIT)


def test_truth_thresholds_and_debounce_say_the_same_of_a_discrete_never_reported():
    scene = heard(other_reports=3).drive(ONE.name, 1.2, 0.0).drive(ONE.name, 1.28, 5.0)
    found = judged("discrete-levels", scene.capture())[f"{ONE.name}.truth"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)
    scene.name = "short"
    found = judged("discrete-debounce", scene.capture())[f"{ONE.name}.rejects-short"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)


def test_a_discrete_reported_only_after_its_switch_is_undecided_with_the_next_step():
    scene = Scene("truth", 1.9).signal("discrete-1.voltage", 5.0)
    scene.drive(ONE.name, 1.2, 0.0).drive(ONE.name, 1.28, 5.0).report(ONE.report, 1.8, state=False, counter=2)
    found = judged("discrete-levels", scene.capture())[f"{ONE.name}.truth"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert found.next_step
