"""Two seats on one trim axis: who wins, how fast the axis is handed over, and what becomes of the one overridden."""

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt, Measurement, Result
from analysis.verdict import Cause
from test_plans.conditions import count
from test_plans.driving import LEAD_S, Touch, generator
from test_plans.readings import Record, doubted, nothing
from test_plans.sampled_time import interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.trim_drive import (
    SETTLE_S,
    Drive,
    axis_observation,
    drives_of,
    drives_throughout,
    first_drive,
    of_seat,
    press_doubts,
    presses_of,
    rests,
    sample_doubts,
    seats_of,
    time_measurement,
)
from test_plans.trim_timed import TimedTrim

TRIALS = 5
ALONE_S = 0.3  # the first one holds alone
BOTH_S = 0.6  # then both: longer than a hand-over that is far too late
AFTER_S = 0.3  # then the first one alone again
PAUSE_S = 0.25
PHASE_S = 0.010  # of the second press, random: the unit scans when it likes
LEAST_REST_S = 0.001  # between the two directions: no overlap


@dataclass(frozen=True, slots=True, kw_only=True)
class Contest:
    """One seat holds, another presses as well and lets go again: capture times and the two switches."""

    holder: TrimSwitch
    rival: TrimSwitch
    held_s: float
    joined_s: float
    left_s: float
    ended_s: float

    @property
    def opposed(self) -> bool:
        """Whether the two want different directions."""
        return self.holder.polarity != self.rival.polarity


class TrimPriority(TimedTrim):
    """Seat priority, hand-over and resumption, every pair of directions."""

    name = "trim-priority"
    title = "Trim outputs: seat priority and hand-over"
    conditions = ("voltage_v", "current_limit_a", "load", "axes", "trials")
    limits = ("trim-hand-over",)

    def serves(self, axis: TrimAxis) -> bool:
        """Say whether the axis has two seats."""
        return len(seats_of(axis)) > 1

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
        """Return the presses of every contest."""
        touches = []
        for contest in self._contests(setup, axis):
            touches.append(Touch(switch=contest.holder.name, closed_s=contest.held_s, opened_s=contest.ended_s))
            touches.append(Touch(switch=contest.rival.name, closed_s=contest.joined_s, opened_s=contest.left_s))
        return tuple(touches)

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give who wins both ways round, hand-over time, no overlap, and what follows once the winner lets go."""
        drives = drives_of(record, axis)
        doubts = list(sample_doubts(record, setup, axis))
        for switch in axis.switches:
            doubts.extend(press_doubts(record, switch, presses_of(record, switch)))
        contests = self._contests(setup, axis) if record.capture is not None else ()
        first, second = seats_of(axis)[:2]
        over = [contest for contest in contests if contest.rival.seat == first]
        under = [contest for contest in contests if contest.rival.seat != first]
        yield axis_observation(
            axis,
            record,
            id_=f"{axis.name}.priority",
            title=f"{first} seat takes over from {second} seat",
            statement=f"{1000.0 * (BOTH_S - AFTER_S):.0f} ms after it presses too, the {first} seat's direction drives",
            tried=[_not_taken_over(drives, contest) for contest in over],
            doubts=doubts,
        )
        yield axis_observation(
            axis,
            record,
            id_=f"{axis.name}.keeps",
            title=f"{second} seat does not disturb {first} seat",
            statement=f"the {first} seat drives on without a break whatever the {second} seat presses",
            tried=[_disturbed(drives, contest) for contest in under],
            doubts=doubts,
        )
        yield self._hand_over(record, axis, drives, [contest for contest in over if contest.opposed], doubts)
        yield axis_observation(
            axis,
            record,
            id_=f"{axis.name}.no-overlap",
            title="hand-over without overlap",
            statement="between the two directions the output rests",
            tried=[_overlap(drives, contest) for contest in over if contest.opposed],
            doubts=doubts,
        )
        rules = setup.unit.trim_rules
        resumes = rules is not None and rules.resumes_after_hand_over
        yield axis_observation(
            axis,
            record,
            id_=f"{axis.name}.resumption",
            title=f"{second} seat still held once {first} seat lets go",
            statement="it drives again" if resumes else "it needs a new press",
            tried=[_after(record, axis, drives, contest, resumes=resumes) for contest in over],
            doubts=doubts,
        )

    def _contests(self, setup: Setup, axis: TrimAxis) -> tuple[Contest, ...]:
        """Return every pair of directions, both seats holding first, so many times."""
        first, second = (of_seat(axis, seat) for seat in seats_of(axis)[:2])
        phases = generator(self.name, axis.name)
        found = []
        at_s = LEAD_S
        for holders, rivals in ((second, first), (first, second)):
            for holder in holders:
                for rival in rivals:
                    for _ in range(count(setup, "trials", TRIALS)):
                        joined_s = at_s + ALONE_S + float(phases.uniform(0.0, PHASE_S))
                        found.append(
                            Contest(
                                holder=holder,
                                rival=rival,
                                held_s=at_s,
                                joined_s=joined_s,
                                left_s=joined_s + BOTH_S,
                                ended_s=joined_s + BOTH_S + AFTER_S,
                            )
                        )
                        at_s = found[-1].ended_s + PAUSE_S
        return tuple(found)

    def _hand_over(
        self,
        record: Record,
        axis: TrimAxis,
        drives: tuple[Drive, ...],
        contests: list[Contest],
        doubts: list[Doubt],
    ) -> Measurement:
        times_s = []
        for contest in contests:
            drive = first_drive(drives, contest.rival.polarity, contest.joined_s, contest.left_s)
            if drive is not None:
                times_s.append(drive.start_s - contest.joined_s)
        found = interval_in(record, max(times_s)) if times_s else nothing()
        reasons = list(doubts)
        if len(times_s) < len(contests) and not reasons:
            late = len(contests) - len(times_s)
            reasons.append(Doubt(reason=f"{late} of {len(contests)} times it was not handed over", cause=Cause.UNIT))
        return time_measurement(
            doubted(found, *reasons),
            axis,
            id_=f"{axis.name}.hand-over",
            limit="trim-hand-over",
            title="hand-over to the seat with priority, from its press to its drive, at worst",
            trials=len(times_s),
        )


def _words(contest: Contest) -> str:
    holder, rival = contest.holder, contest.rival
    return f"{rival.seat} {rival.direction} against {holder.seat} {holder.direction} held"


def _not_taken_over(drives: tuple[Drive, ...], contest: Contest) -> str:
    late_s = contest.left_s - AFTER_S
    if drives_throughout(drives, contest.rival.polarity, late_s, contest.left_s):
        return ""
    return f"{_words(contest)}: did not take over"


def _disturbed(drives: tuple[Drive, ...], contest: Contest) -> str:
    if drives_throughout(drives, contest.holder.polarity, contest.joined_s, contest.ended_s):
        return ""
    return f"{_words(contest)}: the drive was broken off"


def _overlap(drives: tuple[Drive, ...], contest: Contest) -> str:
    """Say what is wrong where the old direction runs into the new one."""
    new = first_drive(drives, contest.rival.polarity, contest.joined_s, contest.left_s)
    old = [drive for drive in drives if drive.direction == contest.holder.polarity and drive.start_s < contest.joined_s]
    if new is None or not old:
        return f"{_words(contest)}: was not handed over"
    rest_s = new.start_s - old[-1].end_s
    return "" if rest_s >= LEAST_REST_S else f"{_words(contest)}: {1000.0 * rest_s:.1f} ms of rest between"


def _after(record: Record, axis: TrimAxis, drives: tuple[Drive, ...], contest: Contest, *, resumes: bool) -> str:
    from_s = contest.left_s + SETTLE_S
    if resumes:
        good = drives_throughout(drives, contest.holder.polarity, from_s, contest.ended_s)
        return "" if good else f"{_words(contest)}: did not drive again"
    return "" if rests(record, axis, from_s, contest.ended_s) else f"{_words(contest)}: drove without a new press"
