"""Switch lines that read closed although nobody closed them, and whether the bench's own frames are on the bus. Pure.

Both are digital lines sampled beside an output. What an output does while a line is closed that should be open says
nothing of the unit; what it does without airspeed says nothing before it is known that airspeed reached the unit.
"""

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.readings import Record
from test_plans.receive_line import LINE, frames_sent
from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED_LINES, airspeed_lines, switches_of

MOVES_WITHIN_S = 0.010  # from command to contact
FRAME_BEFORE_S = 0.002  # the host's time of a frame against the samples
FRAME_AFTER_S = 0.005  # a frame that waited for another one has ended
APART_S = 0.020  # a frame of the unit nearer than this could be taken for the bench's
LEAST_FRAMES = 3
NO_COMMANDS = (LINE, *AIRSPEED_LINES)  # what closes on them commands nothing by itself
SEEN_PART = 0.5  # at 2 kHz a frame of 1 ms may fall between the samples


def watched_lines(unit: UnitSheet) -> tuple[str, ...]:
    """Return every switch line of the model and, where it has a bus, the receive line."""
    return (*switches_of(unit), *((LINE,) if unit.bus.reports else ()))


def trim_lines(unit: UnitSheet) -> tuple[str, ...]:
    """Return the lines that are watched beside a trim: all the others, and what shows airspeed at its pin."""
    return (*watched_lines(unit), *airspeed_lines(unit))


def stray_lines(record: Record, start_s: float = 0.0) -> tuple[str, ...]:
    """Return the switch lines that stood closed at a time from `start_s` on when nobody held them in this capture."""
    capture = record.capture
    if capture is None:
        return ()
    start = capture.span(start_s, None).start
    words = capture.source.words()[start:]
    ever = int(np.bitwise_or.reduce(words)) if words.size else 0  # most lines never close, and are passed over
    stray = []
    for bit, line in enumerate(capture.lines):
        if line in NO_COMMANDS or not ever >> bit & 1:
            continue
        unheld = capture.line(line)
        unheld[:start] = False
        for from_s, to_s in _holds(record, line):
            unheld[capture.span(from_s - 1.0 / capture.sample_rate_hz, to_s + MOVES_WITHIN_S)] = False
        if unheld.any():
            stray.append(line)
    return tuple(stray)


def stray_doubts(record: Record, start_s: float = 0.0) -> tuple[Doubt, ...]:
    """Return the doubt that a switch line stood closed while nobody held it: a command that was not given.

    The bench's relay may have stuck, or the unit may hold its pin at ground: only the unit unplugged tells.
    """
    stray = stray_lines(record, start_s)
    if not stray:
        return ()
    return (
        Doubt(
            reason=f"{record.name}: {', '.join(stray)} read closed at the pin while nobody held it",
            cause=Cause.UNDECIDED,
            next_step="unplug the unit and read the line again (bench-check): still closed, it is the bench's",
        ),
    )


def own_frames_arrive(record: Record) -> bool | None:
    """Say whether the bench's airspeed frames show on the receive line at the unit; None where that can't be told.

    Only frames count that no report of the unit stands near to, so that it can't be the unit's frame that is seen.
    """
    capture = record.capture
    if capture is None or LINE not in capture.lines:
        return None
    dominant = capture.line(LINE)
    reports_s = record.report_times_s()
    seen = []
    for event in frames_sent(capture):
        alone = not reports_s.size or float(np.min(np.abs(reports_s - event.time_s))) > APART_S
        span = capture.span(event.time_s - FRAME_BEFORE_S, event.time_s + FRAME_AFTER_S)
        if alone and span.stop > span.start:
            seen.append(bool(dominant[span].any()))
    if len(seen) < LEAST_FRAMES:
        return None
    if not any(seen):
        return False
    return True if sum(seen) >= SEEN_PART * len(seen) else None


def _holds(record: Record, line: str) -> list[tuple[float, float]]:
    """Return (from, to) of every stretch in which a line was held, as far as the capture goes."""
    holds: list[tuple[float, float]] = []
    pressed_s: float | None = None
    for stimulus in record.stimuli(line):
        if stimulus.value and pressed_s is None:
            pressed_s = stimulus.time_s
        elif not stimulus.value and pressed_s is not None:
            holds.append((pressed_s, stimulus.time_s))
            pressed_s = None
    if pressed_s is not None:
        holds.append((pressed_s, record.duration_s))
    return holds
