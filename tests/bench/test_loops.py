"""Which tries of a loop stay in a record, and when it is over."""

from dataclasses import replace

import pytest
from synthetic_captures import shipped_plans

from analysis.finding import Finding
from analysis.repetition import TryOutcome
from analysis.verdict import Cause, Verdict
from bench.loops import KEPT_EVENTS, Loop
from bench.planning import plan_steps
from bench.records.loop_facts import LoopBook, LoopFacts
from test_plans.sheets import Repeat

PASSED = (Verdict.PASS, None)
FAILED = (Verdict.FAIL, Cause.UNIT)
SPOILT = (Verdict.INCONCLUSIVE, Cause.BENCH)
(STEP,) = (step for step in plan_steps(shipped_plans()["intermittent"]) if step.name == "trim-loaded")


def a_loop(**changes):
    repeat = Repeat(tries=1000, bench_time_s=1e6, until_event=False, before_event_s=10.0)
    return Loop(replace(STEP, step=replace(STEP.step, repeat=replace(repeat, **changes))), began_s=0.0)


def take(loop, verdict, cause, title="Drop", *, lasts_s=4.0):
    attempt = loop.tries + 1
    finding = Finding(id=title, procedure=STEP.name, function="", title=title, verdict=verdict, cause=cause)
    return loop.take(attempt, [finding], now_s=attempt * lasts_s)


def test_a_step_that_is_taken_once_is_no_loop():
    with pytest.raises(ValueError, match="trim-loaded is taken once"):
        Loop(replace(STEP, step=replace(STEP.step, repeat=None)), began_s=0.0)


def test_of_tries_that_pass_the_first_and_the_last_stretch_stay():
    loop = a_loop()
    taken = [take(loop, *PASSED) for _ in range(200)]
    dropped = [attempt for one in taken for attempt in one.dropped]
    assert dropped == list(range(2, 198))
    assert [one.attempt for one in taken if one.told] == [1]


def test_the_newest_try_stays_even_where_it_is_longer_than_the_stretch():
    loop = a_loop(before_event_s=0.0)
    for _ in range(3):
        take(loop, *PASSED)
    assert take(loop, *PASSED).dropped == (3,)
    assert take(loop, *FAILED).dropped == ()  # try 4, just before it, stays too
    assert take(loop, *PASSED).dropped == ()


def test_of_events_the_first_of_a_kind_stay_and_whatever_is_new():
    loop = a_loop()
    taken = [take(loop, *FAILED) for _ in range(200)]
    assert [one.attempt for one in taken if one.told] == list(range(1, KEPT_EVENTS + 1))
    assert sum(len(one.dropped) for one in taken) == 200 - KEPT_EVENTS
    assert take(loop, *SPOILT, "Channel").told
    assert take(loop, *FAILED, "Polarity").told
    assert not take(loop, *FAILED).told


def test_what_passes_after_a_try_that_the_bench_spoilt_is_told_for_it_takes_its_place():
    loop = a_loop(before_event_s=0.0)
    take(loop, *PASSED)
    assert take(loop, *SPOILT).told
    again = take(loop, *PASSED)
    assert again.told
    later = [take(loop, *PASSED) for _ in range(20)]
    assert not any(one.told for one in later)
    assert again.attempt not in {attempt for one in later for attempt in one.dropped}


def test_where_a_record_is_judged_again_nothing_is_let_go():
    loop = Loop(STEP, began_s=0.0, keeps_all=True)
    taken = [take(loop, *FAILED, lasts_s=0.0) for _ in range(20)]
    taken += [take(loop, *PASSED, lasts_s=0.0) for _ in range(20)]
    assert not any(one.dropped for one in taken)
    assert all(one.told for one in taken[:20])
    assert not any("let go" in note for note in loop.finding(loop.ended(0.0, "")).notes)


def test_what_led_to_an_event_is_not_let_go_later():
    loop = a_loop()
    for _ in range(20):
        take(loop, *PASSED)
    take(loop, *FAILED)
    gone = {attempt for _ in range(50) for attempt in take(loop, *PASSED).dropped}
    assert gone
    assert not gone & {18, 19, 20, 21}


@pytest.mark.parametrize(
    ("changes", "verdicts", "words"),
    [
        ({"tries": 2}, [PASSED, PASSED], "ended after all 2 tries, 8.0 s"),
        ({"bench_time_s": 9.0}, [PASSED, FAILED, PASSED], "ended after its bench time, 12.0 s"),
        ({"until_event": True}, [PASSED, FAILED], "ended by an event in try 2, after 8.0 s"),
        ({"until_event": True}, [PASSED, SPOILT], "ended by a fault of the bench in try 2, after 8.0 s"),
    ],
)
def test_when_a_loop_is_over_and_why(changes, verdicts, words):
    loop = a_loop(**changes)
    for verdict in verdicts:
        assert not loop.is_over(4.0 * loop.tries)
        take(loop, *verdict)
    now_s = 4.0 * loop.tries
    assert loop.is_over(now_s)
    ended = loop.ended(now_s, "")
    assert (ended.words, ended.early, ended.spoilt) == (words, False, SPOILT in verdicts)


def test_the_finding_says_what_was_tried_and_what_was_let_go():
    loop = a_loop()
    for _ in range(100):
        take(loop, *PASSED)
    notes = loop.finding(loop.ended(400.0, "")).notes
    assert any(note.startswith("conditions tried: voltage 13.8 V") for note in notes)
    assert any(note.startswith("captures of 96 tries were let go; kept are the first try") for note in notes)
    ended = loop.ended(400.0, "told to stop")
    assert (ended.early, ended.words) == (True, "broken off after 100 whole tries, 400 s (6 min 40 s): told to stop")


def test_a_book_of_loops_holds_no_more_than_what_is_kept():
    book = LoopBook()
    for attempt in range(1, 1001):
        book.tried("p", attempt, TryOutcome.FAILED.value, ["Drop"])
        book.dropped("p", attempt)
    book.tried("p", 1001, TryOutcome.PASSED.value, [])
    book.ended("p", "over", early=False, spoilt=False)
    (facts,) = book.facts
    assert (facts.tries, facts.kept, facts.ended) == (1001, (1001,), "over")
    assert (facts.dropped, facts.dropped_shown) == ({"failed": 1000}, {"Drop": 1000})
    again = LoopBook()
    again.carry(facts)
    again.tried("p", 1001, TryOutcome.PASSED.value, [])
    assert again.facts == (replace(facts, ended="over"),)


def test_what_a_run_dropped_counts_when_its_record_is_judged_again():
    loop = a_loop()
    take(loop, *PASSED)
    loop.carry(LoopFacts(procedure=STEP.name, tries=10, dropped={"passed": 8, "failed": 1}, dropped_shown={"Drop": 1}))
    finding = loop.finding(loop.ended(0.0, ""))
    assert (finding.verdict, finding.trials, finding.failures) == (Verdict.FAIL, 10, 1)
