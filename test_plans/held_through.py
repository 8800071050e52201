"""A trim switch held while the bus dips below the lock-out and comes back: it must drive nothing until pressed anew.

The dip is fast, so that the lock-out and not the held-switch cut-off ends the drive. Nothing is measured on it but
that it went far enough.
"""

from collections.abc import Iterator

from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.bus_ramp_readings import DRIVING_V
from test_plans.conditions import required_limit
from test_plans.driving import LEAD_S, POWER_UP_RATE_V_PER_S
from test_plans.readings import FILTER_S, Record
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis
from test_plans.signals import function_named, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_switches import Held, holds_of, line_doubts

CAPTURE = "held-through"
BEYOND_V = 0.3  # that the dip goes below the lowest lock-out allowed
STANDS_S = 0.5  # low, and high again, with the switch held
DRIVES_S = 0.4  # before the dip
PAUSE_S = 0.3
AGAIN_S = 0.3
SETTLES_S = 0.1  # on and off, debounce in it
REACHED_V = 0.05


def duration_s(setup: Setup, high_v: float) -> float:
    """Return how long the capture takes."""
    swing_s = (high_v - _low_v(setup)) / POWER_UP_RATE_V_PER_S
    return LEAD_S + DRIVES_S + 2.0 * (swing_s + STANDS_S) + PAUSE_S + AGAIN_S + PAUSE_S


def hold_through(
    rig: Rig, setup: Setup, axis: TrimAxis, *, high_v: float, signals: tuple[str, ...], rate_hz: float
) -> None:
    """Hold a switch, dip the bus from `high_v` and bring it back, let go, press again; the bus ends where it stood."""
    switch = axis.switches[0].name
    rate = POWER_UP_RATE_V_PER_S
    lines = trim_lines(setup.unit)
    with rig.capture(CAPTURE, signals, sample_rate_hz=rate_hz, lines=lines, ramp_rate_v_per_s=rate) as session:
        session.press(switch, at_s=LEAD_S)
        session.wait_until(LEAD_S + DRIVES_S)
        for volts in (_low_v(setup), high_v):
            rig.ramp_supply(volts, rate_v_per_s=rate)
            rig.wait(STANDS_S)
        let_go_s = session.now_s + 0.05
        session.release(switch, at_s=let_go_s)
        session.press(switch, at_s=let_go_s + PAUSE_S)
        session.release(switch, at_s=let_go_s + PAUSE_S + AGAIN_S)
        session.wait_until(let_go_s + 2.0 * PAUSE_S + AGAIN_S)


def held_through(record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Observation]:
    """Give that the held switch drove nothing after the dip, and that a new press did."""
    holds = tuple(holds_of(record, axis))
    doubts = (*record.missing, *record.gap_doubts(), *(doubt for held in holds for doubt in line_doubts(record, held)))
    whole = len(holds) == 2
    if record.capture is not None and not whole:
        reason = f"{record.name}: {len(holds)} presses where two were asked for"
        doubts = (*doubts, Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again"))
    drove = _stretches(record, axis, holds[0]) if whole else ()
    if whole and not doubts:
        doubts = _not_dipped(record, setup, axis, holds[0], drove)
    first, again = ("bus-ramp.held-through", len(drove) > 1), ("bus-ramp.new-press", False)
    if whole:
        again = (again[0], not _stretches(record, axis, holds[1]))
    for (name, failed), title, statement in (
        (first, "Bus dip: a held switch drives nothing afterwards", "the output rests until its switch is let go"),
        (again, "Bus dip: a new press drives", "the output drives when its switch is pressed again"),
    ):
        yield Observation(
            id=name,
            title=title,
            function=function_named(setup.unit, "bus-monitor"),
            statement=statement,
            trials=int(whole),
            failures=int(whole and failed),
            detail=f"{axis.title}, bus down to {_low_v(setup):.1f} V and back",
            doubts=doubts,
            captures=record.names,
            pins=(axis.plus_pin, axis.minus_pin, setup.unit.power_pin),
        )


def _stretches(record: Record, axis: TrimAxis, held: Held) -> tuple[tuple[float, float], ...]:
    return record.driven(voltage_signal(axis.name), DRIVING_V, held.pressed_s, held.released_s + SETTLES_S)


def _not_dipped(
    record: Record, setup: Setup, axis: TrimAxis, held: Held, drove: tuple[tuple[float, float], ...]
) -> tuple[Doubt, ...]:
    """Return why the dip proves nothing: it did not go far enough, or the switch did not drive up to it."""
    limits = setup.unit.limits
    bus = record.smoothed("unit.voltage", held.pressed_s, held.released_s)
    lowest_v, last_v = (float(bus.min()), float(bus[-1])) if bus.size else (0.0, 0.0)
    if lowest_v > limits["lock-out-voltage"].low - REACHED_V or last_v < limits["release-voltage"].high + REACHED_V:
        reason = f"{record.name}: the bus went to {lowest_v:.2f} V and back to {last_v:.2f} V only"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step="see what holds the supply"),)
    if drove and drove[0][1] - drove[0][0] > SETTLES_S and drove[0][1] < held.released_s - 2.0 * FILTER_S:
        return ()
    what = "drove through it" if drove else "did not drive ahead of it"
    return (
        Doubt(
            reason=f"{record.name}: {axis.title} {what}, so the dip says nothing of a held switch",
            cause=Cause.UNDECIDED,
            next_step="see where motion is locked out",
        ),
    )


def _low_v(setup: Setup) -> float:
    return required_limit(setup, "lock-out-voltage").low - BEYOND_V
