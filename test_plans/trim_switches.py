"""What the trim procedures share: watched signals, the stretch in which a switch was held, polarity, drop."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.readings import Record, magnitude
from test_plans.rig import SupplyPath
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import idle_outputs, voltage_signal

HALF = 0.5
DRIVES_FROM = 0.9  # of the bus: less is not driving
MOTION_V = 0.5
CLOSED_AFTER_S = 0.010


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
    """Return the doubt that a switch line, read back at its pin, was not closed while it was held."""
    capture = record.capture
    if capture is None or held.switch.name not in capture.lines:
        return record.missing
    span = capture.span(held.pressed_s + CLOSED_AFTER_S, held.released_s - CLOSED_AFTER_S)
    if capture.line(held.switch.name)[span].all():
        return ()
    return (
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


def duty_doubts(record: Record, axis: TrimAxis, start_s: float, stop_s: float) -> tuple[Doubt, ...]:
    """Return the doubt that the output was pulsed in a stretch: then its mean is no drop.

    Full duty needs airspeed below the full-trim speed; without it the unit trims slowly, and rightly so.
    """
    output = abs(record.samples(voltage_signal(axis.name), start_s, stop_s))
    bus = record.samples("unit.voltage", start_s, stop_s)
    if not output.size or not bus.size:
        return ()
    low = output < HALF * float(bus.mean())
    if not low.any() or low.all():
        return ()
    return (
        Doubt(
            reason=f"{record.name}: {axis.title} was pulsed ({100.0 * float(low.mean()):.0f} % of samples low): "
            "airspeed did not reach the unit",
            cause=Cause.BENCH,
            next_step="check that airspeed frames are sent and that the unit's node sees them",
        ),
    )


RUN_PATH = (SupplyPath.RUN.value,)
