"""One switch stuck past its cut-off: whether the pilots can still trim with the opposite direction and the other seat.

What must work, and what must not, is the unit sheet's to say.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt, Result
from analysis.verdict import Cause
from test_plans.driving import LEAD_S, Touch
from test_plans.readings import Record
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.trim_cut_off import HOLD_FACTOR
from test_plans.trim_drive import (
    SETTLE_S,
    Drive,
    axis_observation,
    drives_of,
    drives_throughout,
    press_doubts,
    presses_of,
    rests,
    sample_doubts,
)
from test_plans.trim_switches import seat_words, switch_id
from test_plans.trim_timed import TimedTrim

TRY_S = 0.35
PAUSE_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Stuck:
    """One switch held past its cut-off, and the others tried meanwhile."""

    switch: TrimSwitch
    pressed_s: float
    cut_by_s: float  # from here on it must be cut off
    tries: tuple[tuple[TrimSwitch, Touch], ...]
    ended_s: float


class TrimStuckSwitch(TimedTrim):
    """Ways out while one switch is stuck, every switch."""

    name = "trim-stuck-switch"
    title = "Trim outputs: ways out while a switch is stuck"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def serves(self, axis: TrimAxis) -> bool:
        """Say whether there is another switch to try."""
        return len(axis.switches) > 1

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:  # noqa: ARG002
        """Return for each switch its long hold, and the presses of all others in it."""
        return tuple(
            touch
            for stuck in _scenes(axis)
            for touch in (
                Touch(switch=stuck.switch.name, closed_s=stuck.pressed_s, opened_s=stuck.ended_s),
                *(attempt for _, attempt in stuck.tries),
            )
        )

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each stuck switch what the others do, and that it drives nothing itself any more."""
        drives = drives_of(record, axis)
        doubts = list(sample_doubts(record, setup, axis))
        for switch in axis.switches:
            doubts.extend(press_doubts(record, switch, presses_of(record, switch)))
        for stuck in _scenes(axis):
            reasons = list(doubts)
            if not reasons and not _was_cut_off(record, axis, drives, stuck):
                reasons.append(_not_cut(stuck))
            known = record.capture is not None
            for opposite, what in ((True, "opposite-direction"), (False, "other-seat")):
                tries = [attempt for attempt in stuck.tries if (attempt[0].seat == stuck.switch.seat) is opposite]
                if not tries:
                    continue
                works = _works(setup, opposite=opposite)
                yield axis_observation(
                    axis,
                    record,
                    id_=switch_id(stuck.switch, f"stuck-{what}"),
                    title=f"{seat_words(stuck.switch)} stuck: {what.replace('-', ' ')}",
                    statement="drives as ever" if works else "drives nothing until the stuck switch is released",
                    tried=[_tried(record, axis, drives, attempt, works=works) for attempt in tries] if known else [],
                    doubts=reasons,
                )
            rest = [(attempt.opened_s + SETTLE_S, attempt.opened_s + PAUSE_S) for _, attempt in stuck.tries]
            yield axis_observation(
                axis,
                record,
                id_=switch_id(stuck.switch, "stuck-rests"),
                title=f"{seat_words(stuck.switch)} stuck: stays cut off",
                statement="a stuck switch drives nothing after another one was used",
                tried=["" if rests(record, axis, *span) else "it drove again" for span in rest] if known else [],
                doubts=reasons,
            )


def _works(setup: Setup, *, opposite: bool) -> bool:
    rules = setup.unit.trim_rules
    if rules is None:
        return False
    return rules.opposite_works_while_stuck if opposite else rules.other_seat_works_while_stuck


def _scenes(axis: TrimAxis) -> tuple[Stuck, ...]:
    found: list[Stuck] = []
    at_s = LEAD_S
    for switch in axis.switches:
        cut_by_s = at_s + HOLD_FACTOR * axis.cut_off_s
        try_s = cut_by_s + SETTLE_S
        tries = []
        for other in axis.switches:
            if other is not switch:
                tries.append((other, Touch(switch=other.name, closed_s=try_s, opened_s=try_s + TRY_S)))
                try_s += TRY_S + PAUSE_S
        found.append(Stuck(switch=switch, pressed_s=at_s, cut_by_s=cut_by_s, tries=tuple(tries), ended_s=try_s))
        at_s = try_s + PAUSE_S
    return tuple(found)


def _was_cut_off(record: Record, axis: TrimAxis, drives: tuple[Drive, ...], stuck: Stuck) -> bool:
    drove = any(stuck.pressed_s <= drive.start_s < stuck.cut_by_s for drive in drives)
    return drove and rests(record, axis, stuck.cut_by_s, stuck.cut_by_s + SETTLE_S)


def _not_cut(stuck: Stuck) -> Doubt:
    return Doubt(
        reason=f"{stuck.switch.name} was not cut off in {stuck.cut_by_s - stuck.pressed_s:.1f} s, or never drove",
        cause=Cause.UNDECIDED,
        next_step="see trim-cut-off",
    )


def _tried(
    record: Record, axis: TrimAxis, drives: tuple[Drive, ...], attempt: tuple[TrimSwitch, Touch], *, works: bool
) -> str:
    switch, touch = attempt
    from_s = touch.closed_s + SETTLE_S
    if works:
        good = drives_throughout(drives, switch.polarity, from_s, touch.opened_s)
        return "" if good else f"{switch.seat} {switch.direction} drove nothing"
    return "" if rests(record, axis, from_s, touch.opened_s) else f"{switch.seat} {switch.direction} drove"
