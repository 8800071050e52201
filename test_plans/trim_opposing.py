"""Both directions of one seat pressed at once: neither may drive, whichever came first."""

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.measurement import Result
from test_plans.conditions import count
from test_plans.driving import LEAD_S, Touch
from test_plans.readings import Record
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.trim_drive import (
    SETTLE_S,
    axis_observation,
    of_seat,
    opposite_of,
    press_doubts,
    presses_of,
    rests,
    sample_doubts,
    seats_of,
)
from test_plans.trim_timed import TimedTrim

TRIALS = 3
ALONE_S = (0.25, 0.0)  # the first one holds alone for so long; 0: both at once
BOTH_S = 0.35
PAUSE_S = 0.2
PHASE_S = 0.0017  # further on in the unit's scan with every trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Clash:
    """Two directions of one seat: capture times."""

    first: TrimSwitch
    second: TrimSwitch
    pressed_s: float
    joined_s: float
    ended_s: float


class TrimOpposing(TimedTrim):
    """Opposing presses in every seat."""

    name = "trim-opposing"
    title = "Trim outputs: both directions of one seat at once"
    conditions = ("voltage_v", "current_limit_a", "load", "axes", "trials")

    def serves(self, axis: TrimAxis) -> bool:
        """Say whether a seat of the axis has two directions."""
        return any(opposite_of(axis, switch) is not None for switch in axis.switches)

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
        """Return the presses of every clash; both end together."""
        return tuple(
            touch
            for clash in _clashes(setup, axis)
            for touch in (
                Touch(switch=clash.first.name, closed_s=clash.pressed_s, opened_s=clash.ended_s),
                Touch(switch=clash.second.name, closed_s=clash.joined_s, opened_s=clash.ended_s),
            )
        )

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each seat that the output rests while both are pressed."""
        doubts = list(sample_doubts(record, setup, axis))
        for switch in axis.switches:
            doubts.extend(press_doubts(record, switch, presses_of(record, switch)))
        clashes = _clashes(setup, axis) if record.capture is not None else ()
        for seat in seats_of(axis):
            here = [clash for clash in clashes if clash.first.seat == seat]
            yield axis_observation(
                axis,
                record,
                id_=f"{axis.name}.{seat}.opposing-rests",
                title=f"{seat} seat, both directions at once",
                statement=f"the output rests from {1000.0 * SETTLE_S:.0f} ms after the second press on",
                tried=[
                    ""
                    if rests(record, axis, clash.joined_s + SETTLE_S, clash.ended_s)
                    else f"it drove with {clash.first.direction} and {clash.second.direction} pressed"
                    for clash in here
                ],
                doubts=doubts,
            )


def _clashes(setup: Setup, axis: TrimAxis) -> tuple[Clash, ...]:
    """Return for every seat: either direction first, and both at once."""
    found = []
    at_s = LEAD_S
    for seat in seats_of(axis):
        for switch in of_seat(axis, seat):
            other = opposite_of(axis, switch)
            if other is None:
                continue
            for alone_s in ALONE_S:
                for trial in range(count(setup, "trials", TRIALS)):
                    joined_s = at_s + alone_s + trial * PHASE_S
                    found.append(
                        Clash(
                            first=switch,
                            second=other,
                            pressed_s=at_s if alone_s else joined_s,
                            joined_s=joined_s,
                            ended_s=joined_s + BOTH_S,
                        )
                    )
                    at_s = found[-1].ended_s + PAUSE_S
    return tuple(found)
