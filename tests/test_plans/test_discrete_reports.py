"""Discretes' reports: what was shown when, how far the counter went between instants."""

from analysis.capture import Event
from test_plans.discrete_reports import counted_between, first_change, state_at, unlike


def report(time_s, counter, *, state):
    return Event(time_s=time_s, uncertainty_s=0.003, kind="report", fields={"state": state, "counter": counter})


REPORTS = (report(1.0, 4, state=False), report(2.0, 5, state=True), report(3.0, 8, state=False))


def test_the_state_is_that_of_the_last_report_up_to_an_instant():
    assert [state_at(REPORTS, time_s) for time_s in (0.9, 1.0, 2.5, 9.0)] == [None, False, True, False]


def test_a_change_is_a_state_after_the_other_one():
    assert first_change(REPORTS, 0.0, 9.0, state=False) is REPORTS[2]  # the first report shows no change
    assert first_change(REPORTS, 0.0, 9.0, state=True) is REPORTS[1]
    assert first_change(REPORTS, 2.1, 2.9, state=True) is None


def test_counts_go_from_instant_to_instant_and_are_unknown_before_the_first_report():
    assert counted_between(REPORTS, [0.5, 1.5, 2.5, 3.5]) == [None, 1, 3]
    assert counted_between((), [0.5, 1.5]) == [None]


def test_a_report_at_an_instant_itself_counts_for_what_follows():
    assert counted_between(REPORTS, [1.5, 2.0, 2.5]) == [0, 1]


def test_what_is_not_known_is_unlike():
    assert unlike([1, None, 1, 0, 2], 1) == [1, 3, 4]
