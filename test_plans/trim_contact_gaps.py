"""A held trim switch whose contact breaks for 5 ms again and again: the cut-off's clock runs on; then it is re-armed.

A worn switch that stays closed through a runaway chatters; a clock that each gap starts afresh never cuts it off.
"""

from collections.abc import Iterator

from analysis.measurement import Doubt, Measurement, Result
from analysis.verdict import Cause
from test_plans.driving import LEAD_S, Touch, generator
from test_plans.readings import Record, doubted, nothing
from test_plans.sampled_time import interval_in
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
    time_measurement,
)
from test_plans.trim_switches import seat_words, switch_id
from test_plans.trim_timed import TimedTrim

GAP_S = 0.005
GAP_EVERY_S = (0.25, 0.30)
REST_S = 0.30  # released after the cut-off
AGAIN_S = 0.35  # then pressed anew
PAUSE_S = 0.25


class TrimContactGaps(TimedTrim):
    """Cut-off in spite of contact gaps, and re-arming after it, every switch."""

    name = "trim-contact-gaps"
    title = "Trim outputs: cut-off with contact gaps, and re-arming"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")
    limits = ("trim-cut-off",)

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:  # noqa: ARG002
        """Return for each switch a hold of 1.3 times the cut-off in pieces, and a new press."""
        return tuple(touch for plan in _plans(axis) for touch in (*plan.pieces, plan.again))

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each switch the cut-off, that it stays off through further gaps, and that a new press drives."""
        drives = drives_of(record, axis)
        bad = sample_doubts(record, setup, axis)
        for plan in _plans(axis):
            switch = plan.switch
            doubts = (*bad, *press_doubts(record, switch, presses_of(record, switch)))
            held = [drive for drive in drives if plan.began_s <= drive.start_s < plan.ended_s]
            yield _cut_off(record, axis, plan, held, doubts)
            known = record.capture is not None and bool(held)
            later = [drive for drive in held[1:] if drive.duration_s > 0.0]
            off_s = held[0].end_s + SETTLE_S if held else plan.ended_s
            stays = not later and (off_s >= plan.ended_s or rests(record, axis, off_s, plan.ended_s))
            yield axis_observation(
                axis,
                record,
                id_=switch_id(switch, "gaps-stay-off"),
                title=f"{seat_words(switch)}: contact gaps do not re-arm",
                statement="after the cut-off a held switch with 5 ms gaps drives nothing",
                tried=["" if stays else f"drove {len(held)} times in one hold"] if known else [],
                doubts=doubts or (() if known else (_silent(switch),)),
            )
            again = drives_throughout(drives, switch.polarity, plan.again.closed_s + SETTLE_S, plan.again.opened_s)
            yield axis_observation(
                axis,
                record,
                id_=switch_id(switch, "re-arms"),
                title=f"{seat_words(switch)}: drives again after a cut-off",
                statement="once released and pressed anew, a switch that was cut off drives",
                tried=["" if again else "a new press after the cut-off drove nothing"] if known else [],
                doubts=doubts or (() if known else (_silent(switch),)),
            )


class _Plan:
    """What is done with one switch: capture times."""

    def __init__(self, axis: TrimAxis, switch: TrimSwitch, began_s: float) -> None:
        gaps = generator("trim-contact-gaps", switch.name)
        hold_s = HOLD_FACTOR * axis.cut_off_s
        self.switch = switch
        self.began_s = began_s
        self.ended_s = began_s + hold_s
        pieces = []
        at_s = began_s
        while at_s < self.ended_s:
            until_s = at_s + float(gaps.uniform(*GAP_EVERY_S))
            if until_s + GAP_EVERY_S[0] > self.ended_s:
                until_s = self.ended_s
            pieces.append(Touch(switch=switch.name, closed_s=at_s, opened_s=until_s))
            at_s = until_s + GAP_S
        self.pieces = tuple(pieces)
        again_s = self.ended_s + REST_S
        self.again = Touch(switch=switch.name, closed_s=again_s, opened_s=again_s + AGAIN_S)


def _plans(axis: TrimAxis) -> tuple[_Plan, ...]:
    found: list[_Plan] = []
    at_s = LEAD_S
    for switch in axis.switches:
        found.append(_Plan(axis, switch, at_s))
        at_s = found[-1].again.opened_s + PAUSE_S
    return tuple(found)


def _cut_off(record: Record, axis: TrimAxis, plan: _Plan, held: list[Drive], doubts: tuple[Doubt, ...]) -> Measurement:
    """Return drive on to drive off; a drive that outlasts the hold is a proved fault of the unit."""
    found = nothing(*(doubts or (_silent(plan.switch),)))
    if held and not doubts:
        if held[0].end_s < plan.ended_s:
            found = interval_in(record, held[0].duration_s)
        else:
            reason = f"still driving after {held[0].duration_s:.1f} s with a switch held but for gaps of 5 ms"
            found = nothing(Doubt(reason=reason, cause=Cause.UNIT))
    return time_measurement(
        doubted(found),
        axis,
        id_=switch_id(plan.switch, "gaps-cut-off"),
        limit="trim-cut-off",
        title=f"{seat_words(plan.switch)}: cut-off of a held switch with contact gaps",
        trials=1,
    )


def _silent(switch: TrimSwitch) -> Doubt:
    return Doubt(
        reason=f"{switch.name} drove nothing",
        cause=Cause.UNDECIDED,
        next_step="see trim-light: whether the switch drives the output at all",
    )
