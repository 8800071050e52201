"""Why one try of an interruption shows nothing of the unit: the bus before and after, the switch, the reports. Pure."""

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_standing import bus_doubts, supply_doubts
from test_plans.conditions import conforming_a
from test_plans.hold_up import load_doubts
from test_plans.interruption import READ_S, Break, Course, State
from test_plans.interruption_states import CONDITIONS, current_of, limit_a, signals_of
from test_plans.readings import Record
from test_plans.receive_line import foreign_bursts_s
from test_plans.reset_counts import ITEM
from test_plans.sheets import Setup
from test_plans.silence import HEARD_WITHIN_S

LEFT_A = 0.3  # that an open switch may leave
STANDS_PART = 0.95  # of its setting: from there up the bus is back
CHARGES = 3.0  # times what charging the unit takes at the least: later than that the bus is not back at once
LATE_S = 0.002
LIMITS_PART = 0.9  # of the current limit: from there up the supply may be limiting
MOST_F = 0.01  # of an input whose capacitance the sheet does not bound


def sample_doubts(record: Record, setup: Setup, one: Break, tries: Sequence[Course]) -> list[list[Doubt]]:
    """Return for each try why its samples ahead of the break can't be relied on; one signal after the other."""
    found: list[list[Doubt]] = [[] for _ in tries]
    for signal in signals_of(setup, one.state):
        for course, doubts in zip(tries, found, strict=True):
            doubts.extend(record.doubts((signal,), course.open_s - READ_S, course.open_s))
    return found


def try_doubts(record: Record, setup: Setup, one: Break, course: Course, *, heard: bool) -> Iterator[Doubt]:
    """Yield why a try shows nothing; `heard` says whether the unit reported after it."""
    if record.capture is None:
        yield from record.missing
        return
    before = (course.open_s - READ_S, course.open_s)
    yield from record.gap_doubts(course.pressed_s, course.end_s)
    yield from supply_doubts(record, setup, CONDITIONS[one.state], *before)
    if one.state is State.HOLD_UP:
        yield from load_doubts(record, setup, *before)
    if record.count(ITEM, before_s=course.open_s) is None:
        reason = f"{record.name}: no report ahead of the break at {course.open_s:.2f} s"
        step = "see ready time, and what came before"
        yield Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step)
    yield from _still_flows(record, one, course)
    after = tuple(bus_doubts(record, setup, course.end_s - READ_S, course.end_s))
    yield from after or _late(record, setup, one, course)
    if not heard:
        yield from _unheard(record, course)


def _still_flows(record: Record, one: Break, course: Course) -> Iterator[Doubt]:
    """Yield the bench's doubt that the bus switch did not open."""
    left_a = abs(record.mean(current_of(one.state), course.open_s + 0.5 * one.open_s, course.close_s - 1e-4).value)
    if not left_a <= LEFT_A:
        reason = f"{record.name}: {left_a:.2f} A still flowed with the bus switch open at {course.open_s:.2f} s"
        step = "listen to the bus switch, and measure its contacts with the unit unplugged"
        yield Doubt(reason=reason, cause=Cause.BENCH, next_step=step)


def _late(record: Record, setup: Setup, one: Break, course: Course) -> Iterator[Doubt]:
    """Yield the doubt that the bus stayed away longer than the switch was open: a harder break than was asked.

    Charging the unit takes its capacitance times the bus by what the supply gives beyond the unit's draw. Whose it is
    where it takes longer, the current tells: below the limit all the while it is the bench's.
    """
    capture, limit = record.capture, setup.unit.limits.get("input-capacitance")
    if capture is None:
        return
    most_f = MOST_F if limit is None or not np.isfinite(limit.high) else limit.high
    volts_v, supply_a = setup.unit.nominal_voltage_v, limit_a(setup, one.state)
    allowed_s = LATE_S + CHARGES * most_f * volts_v / (supply_a - conforming_a(setup, CONDITIONS[one.state]))
    stretch = (course.close_s + allowed_s, course.close_s + allowed_s + READ_S)
    volts = record.samples("unit.voltage", *stretch)
    low = np.flatnonzero(volts < STANDS_PART * volts_v)
    if not low.size:
        return
    late_s = allowed_s + float(low[-1]) / capture.sample_rate_hz
    amps = record.samples(current_of(one.state), course.close_s + LATE_S, course.close_s + late_s)
    clipped = capture.clipped(current_of(one.state), course.close_s + LATE_S, course.close_s + late_s)
    free = not clipped and amps.size and float(amps.max()) < LIMITS_PART * supply_a
    yield Doubt(
        reason=f"{record.name}: the bus was back {late_s * 1e3:.0f} ms after the switch closed, "
        f"{allowed_s * 1e3:.0f} ms allowed"
        + (f", at {float(amps.max()):.1f} A of {supply_a:.1f} A set" if free else ""),
        cause=Cause.BENCH if free else Cause.UNDECIDED,
        next_step="record the supply's current as the bus comes back, with a known good unit",
    )


def _unheard(record: Record, course: Course) -> Iterator[Doubt]:
    """Yield the doubt that a unit which was not heard did report, or that nobody can tell."""
    bursts_s = None if record.capture is None else foreign_bursts_s(record.capture)
    if bursts_s is None:
        yield Doubt(
            reason=f"{record.name}: no report after the break, and the receive line does not tell whether one was sent",
            cause=Cause.UNDECIDED,
            next_step="check the bus lines and their termination, then put a known good unit on the bench",
        )
        return
    unheard = int(np.count_nonzero((bursts_s > course.close_s + HEARD_WITHIN_S) & (bursts_s < course.end_s)))
    if unheard:
        yield Doubt(
            reason=f"{record.name}: the host had no report, while the receive line shows {unheard} bursts that are not "
            "the bench's own",
            cause=Cause.BENCH,
            next_step="check the bus interface, then run it again",
        )
