"""What the trim procedures share: watched signals, the stretch in which a switch was held, polarity, drop."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.airspeed_line import airspeed_arrives, arrival_doubts, reached
from test_plans.readings import Record, magnitude
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import idle_outputs, voltage_signal
from test_plans.switch_lines import stray_doubts

HALF = 0.5
DRIVES_FROM = 0.9  # of the bus: less is not driving
MOTION_V = 0.5
CLOSED_AFTER_S = 0.010
LEAST_PULSES = 3
LONGEST_PAUSE_S = 0.020  # a longer one is a break, no pulse


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A stretch in which one switch was held closed, in capture time."""

    switch: TrimSwitch
    pressed_s: float
    released_s: float


def holds_of(record: Record, axis: TrimAxis) -> Iterator[Held]:
    """Yield every stretch in which a switch of the axis was held, seat by seat."""
    for switch in axis.switches:
        pressed_s = None
        for stimulus in record.stimuli(switch.name):
            if stimulus.value and pressed_s is None:
                pressed_s = stimulus.time_s
            elif not stimulus.value and pressed_s is not None:
                yield Held(switch=switch, pressed_s=pressed_s, released_s=stimulus.time_s)
                pressed_s = None


def hold_of(record: Record, axis: TrimAxis, switch: TrimSwitch) -> Held | None:
    """Return the first stretch in which this switch was held; None where it never was."""
    return next((held for held in holds_of(record, axis) if held.switch is switch), None)


def line_doubts(record: Record, held: Held) -> tuple[Doubt, ...]:
    """Return the doubt that a line, read back at its pin, was not closed while held, or that another one was closed."""
    capture = record.capture
    if capture is None or held.switch.name not in capture.lines:
        return record.missing
    stray = stray_doubts(record)
    span = capture.span(held.pressed_s + CLOSED_AFTER_S, held.released_s - CLOSED_AFTER_S)
    if capture.line(held.switch.name)[span].all():
        return stray
    return (
        *stray,
        Doubt(
            reason=f"{record.name}: line {held.switch.name} did not close pin {held.switch.pin} to ground",
            cause=Cause.UNDECIDED,
            next_step="unplug the unit and work the line again (bench-check)",
        ),
    )


def lines_of(axis: TrimAxis) -> tuple[str, ...]:
    """Return the switch lines of an axis, read back at their pins."""
    return tuple(switch.name for switch in axis.switches)


def watched_signals(setup: Setup) -> tuple[str, ...]:
    """Return the voltage of every output that must stay idle unless commanded."""
    return tuple(voltage_signal(name) for name in idle_outputs(setup.unit))


def others_than(setup: Setup, axes: Iterable[TrimAxis]) -> tuple[str, ...]:
    """Return every output that must stay idle while these axes are driven."""
    driven = {axis.name for axis in axes}
    return tuple(name for name in idle_outputs(setup.unit) if name not in driven)


def seat_words(switch: TrimSwitch) -> str:
    """Return seat and direction in words: `up, left seat`; without seat where there is but one."""
    return f"{switch.direction}, {switch.seat} seat" if switch.seat not in {"", "centre"} else switch.direction


def switch_id(switch: TrimSwitch, what: str) -> str:
    """Return the id of a characteristic of one switch: `pitch.left.up.drop`."""
    return f"{switch.axis}.{switch.seat}.{switch.direction}.{what}"


def drop_of(record: Record, axis: TrimAxis, start_s: float, stop_s: float) -> Estimate:
    """Return unit voltage less the magnitude of the output's: what both legs of the bridge drop."""
    output = record.mean(voltage_signal(axis.name), start_s, stop_s)
    return difference(record.mean("unit.voltage", start_s, stop_s), magnitude(output))


def duty_doubts(
    record: Record, axis: TrimAxis, start_s: float, stop_s: float, *, full_airspeed_kt: float = 0.0
) -> tuple[Doubt, ...]:
    """Return the doubt that the output was pulsed or interrupted in a stretch: then its mean is no drop."""
    if pulsed := pulsed_doubts(record, axis, start_s, stop_s, full_airspeed_kt=full_airspeed_kt):
        return pulsed
    low = _low(record, axis, start_s, stop_s)
    if not low.any() or low.all():
        return ()
    return (
        Doubt(
            reason=f"{record.name}: {axis.title} drove with a break, {100.0 * float(low.mean()):.0f} % of samples low",
            cause=Cause.UNDECIDED,
            next_step="see trim-light, and whether the unit counted a reset",
        ),
    )


def pulsed_doubts(
    record: Record, axis: TrimAxis, start_s: float, stop_s: float, *, full_airspeed_kt: float = 0.0
) -> tuple[Doubt, ...]:
    """Return the doubt that the output was pulsed in a stretch, and whose doing that is.

    Full duty needs airspeed up to `full_airspeed_kt`; without it the unit trims slowly, and rightly so. The bench's
    frames missing on the line are the bench's doing. Frames on the line, slow enough and beside the unit's own reports
    over the same pair, have reached the unit. Where that is not known, or no airspeed is given, nobody is blamed.
    """
    low = _low(record, axis, start_s, stop_s)
    falls = int(np.count_nonzero(low[1:] & ~low[:-1]))
    capture = record.capture
    if capture is None or falls < LEAST_PULSES:
        return ()
    if float(np.count_nonzero(low)) / falls > LONGEST_PAUSE_S * capture.sample_rate_hz:
        return ()
    arrive = airspeed_arrives(record)
    cause, why = Cause.UNDECIDED, "it can't be told whether airspeed reached the unit"
    step = "check that airspeed is sent, and how it reaches the unit"
    if arrive is False:
        doubt = arrival_doubts(record)[0]
        cause, why, step = doubt.cause, f"airspeed did not reach the unit ({doubt.reason})", doubt.next_step
    elif reached(record) and _slow_enough(record, full_airspeed_kt):
        cause, why, step = Cause.UNIT, "although airspeed stands on its pins", ""
    elif arrive:
        why, step = (
            "although airspeed stands on the unit's pins",
            "see trim-light: whether it drives at full duty",
        )
    return (
        Doubt(
            reason=f"{record.name}: {axis.title} was pulsed ({100.0 * float(low.mean()):.0f} % of samples low): {why}",
            cause=cause,
            next_step=step,
        ),
    )


def _low(record: Record, axis: TrimAxis, start_s: float, stop_s: float) -> NDArray[np.bool_]:
    """Return at which samples of a stretch the output stood below half of a bus that was there, shape (n,)."""
    output = np.abs(record.samples(voltage_signal(axis.name), start_s, stop_s))
    bus = record.samples("unit.voltage", start_s, stop_s)
    if not output.size or output.size != bus.size:
        return np.zeros(0, dtype=np.bool_)
    return np.asarray((output < HALF * bus) & (bus > HALF * float(bus.mean())), dtype=np.bool_)


def _slow_enough(record: Record, full_airspeed_kt: float) -> bool:
    sent = [] if record.capture is None else record.capture.events_of("sent")
    return bool(sent) and all(float(event.fields.get("airspeed_kt", np.nan)) <= full_airspeed_kt for event in sent)
