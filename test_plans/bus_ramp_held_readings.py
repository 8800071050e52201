"""What an output did while one of its switches was held through a reset or a start, read from one capture. Pure."""

from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_ramp_readings import DRIVING_V, LETS_GO_S, MOTION_V, OBEYS_STEP
from test_plans.conditions import required_limit
from test_plans.held_through import REACHED_V, SETTLES_S
from test_plans.readings import FILTER_S, Record
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.trials import Trial
from test_plans.trim_switches import Held, holds_of, line_doubts, seat_words

DEAD_V = 1.0  # a bus below it comes on afterwards


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRun:
    """One axis in one capture.

    Args:
        record: the capture.
        switch: that was held; None where none was.
        moved: that it moved between the lock-out, or a dead bus, and the new press, in words; "" for nothing.
        wrong_way: that it moved the other way than its switch, in words.
        drove_before: with the switch pressed, ahead of the fall.
        drove_again: when it was pressed anew.
        doubts: why the capture shows nothing.
    """

    record: Record
    switch: TrimSwitch | None
    moved: str
    wrong_way: str
    drove_before: bool
    drove_again: bool
    doubts: tuple[Doubt, ...]

    def rests(self, *, alive: bool) -> Trial:
        """Return whether it rested. One that never drives anyhow rests for another reason."""
        return Trial(wrong=self._said(self.moved), doubts=self._all_doubts(alive=alive), captures=self.record.names)

    def drives_again(self, *, alive: bool) -> Trial:
        """Return whether it drove when pressed anew."""
        wrong = "" if self.drove_again else self._said("it did not drive")
        return Trial(wrong=wrong, doubts=self._all_doubts(alive=alive), captures=self.record.names)

    def right_way(self) -> Trial:
        """Return whether it moved the way of its switch only."""
        return Trial(wrong=self._said(self.wrong_way), doubts=self.doubts, captures=self.record.names)

    def _said(self, words: str) -> str:
        held = "" if self.switch is None else f", {seat_words(self.switch)}"
        return f"{self.record.name}{held}: {words}" if words else ""

    def _all_doubts(self, *, alive: bool) -> tuple[Doubt, ...]:
        if self.doubts or alive:
            return self.doubts
        reason = "the output drove in none of the captures, so that it rests says nothing of a held switch"
        return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=OBEYS_STEP),)


def read_run(
    record: Record, setup: Setup, axis: TrimAxis, *, from_dead: bool = False, also: tuple[Doubt, ...] = ()
) -> HeldRun:
    """Return what one axis did in a capture; `also` are doubts about the bus in it."""
    holds = tuple(holds_of(record, axis))
    if record.capture is None or len(holds) != 2:
        reason = f"{record.name}: {len(holds)} presses of {axis.title} where two were asked for"
        short = Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again")
        return HeldRun(
            record=record,
            switch=None,
            moved="",
            wrong_way="",
            drove_before=False,
            drove_again=False,
            doubts=record.missing or (short,),
        )
    first, again = holds
    signal = voltage_signal(axis.name)
    locked_s = 0.0 if from_dead else _locked_s(record, setup)
    driven = record.driven(signal, DRIVING_V, again.pressed_s, again.released_s)
    return HeldRun(
        record=record,
        switch=first.switch,
        moved=_moved(record, signal, locked_s, again.pressed_s),
        wrong_way=_wrong_way(record, signal, first.switch),
        drove_before=bool(record.driven(signal, DRIVING_V, first.pressed_s, locked_s)) and not from_dead,
        drove_again=bool(driven) and driven[-1][1] - driven[0][0] > SETTLES_S,
        doubts=_doubts(record, setup, (first, again), signal, from_dead=from_dead, also=also),
    )


def _locked_s(record: Record, setup: Setup) -> float:
    """Return when the output must be at rest: the bus is below the lowest lock-out, and a drive had time to end."""
    bus = record.smoothed("unit.voltage")
    below = np.flatnonzero(bus < required_limit(setup, "lock-out-voltage").low)
    return float(below[0]) * FILTER_S + SETTLES_S if below.size else record.duration_s


def _moved(record: Record, signal: str, from_s: float, to_s: float) -> str:
    """Return in words that an output moved in a stretch, at which bus voltage and for how long."""
    moving = record.driven(signal, MOTION_V, from_s, to_s)
    if not moving:
        return ""
    at_v = record.mean("unit.voltage", moving[0][0], moving[0][0] + 2.0 * FILTER_S).value
    lasted_s = sum(end_s - start_s for start_s, end_s in moving)
    return f"it moved for {lasted_s:.2f} s, first at {at_v:.2f} V"


def _wrong_way(record: Record, signal: str, switch: TrimSwitch) -> str:
    against = record.smoothed(signal) * -switch.polarity > MOTION_V
    if not against.any():
        return ""
    at_s = float(np.flatnonzero(against)[0]) * FILTER_S
    lasted_s = float(np.count_nonzero(against)) * FILTER_S
    at_v = record.mean("unit.voltage", at_s, at_s + 2.0 * FILTER_S).value
    return f"it moved the wrong way for {lasted_s:.3f} s, first at {at_v:.2f} V"


def _doubts(
    record: Record, setup: Setup, holds: tuple[Held, Held], signal: str, *, from_dead: bool, also: tuple[Doubt, ...]
) -> tuple[Doubt, ...]:
    """Return why a capture shows nothing: lost samples, lines that did not close, a bus that did not go its way."""
    found = [*record.doubts(("unit.voltage", signal)), *also]
    for held in holds:
        found += line_doubts(record, held)
    bus = record.smoothed("unit.voltage")
    free_v = required_limit(setup, "release-voltage").high + REACHED_V
    let_go_s = holds[0].released_s
    high = record.smoothed("unit.voltage", let_go_s - LETS_GO_S, holds[1].released_s)
    step = "see what holds the supply, and the contactor"
    if not high.size or high.min() < free_v:
        lowest = f"{high.min():.2f} V" if high.size else "nothing"
        reason = f"{record.name}: the bus stood at {lowest} when the switch was pressed anew, {free_v:.2f} V at least"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    if from_dead and bus.size and bus[0] > DEAD_V:
        reason = f"{record.name}: the bus stood at {bus[0]:.2f} V before it came on"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="check the bleed of the contactor"))
    return tuple(dict.fromkeys(found))
