"""Whether the bus stood at the unit's pins as it was set, told from samples; and whose it is where it did not. Pure."""

import math

import numpy as np
from numpy.typing import NDArray

from analysis.capture import CODE_MAX
from analysis.measurement import Doubt
from analysis.power import AGREES_WITHIN_U, LIMITING_FRACTION, limiting_doubt, limiting_samples
from analysis.verdict import Cause
from test_plans.conditions import conforming_a
from test_plans.readings import FILTER_S, Record
from test_plans.sheets import Setup

WHOLE_RANGE = 0.99  # of a current's range: from there on it may be any current
RECOVERS_BLOCKS = 4  # of 5 ms, after a limit was left
DIP_FRACTION = 0.05  # of its setting: a bus that falls further, for 5 ms, was not standing


def supply_doubts(
    record: Record, setup: Setup, condition: str, start_s: float = 0.0, stop_s: float | None = None
) -> tuple[Doubt, ...]:
    """Return doubts about the supply in a steady stretch, read from samples, attributed by the sheet.

    Off the setting without reaching the limit: the bench's (`bus_doubts`); what the supply limits while it charges the
    bus again is no draw to explain. Else any sample below the setting with the current at 97 % of the limit or more:
    it limits, which is the bench's where the limit is under 1.3 times what a conforming unit may draw, else undecided
    here (a draw the unit does not explain).
    """
    if record.capture is None:
        return ()
    if off := bus_doubts(record, setup, start_s, stop_s):
        return off
    at_s = start_s + 1e-9
    set_v, limit_a = record.setting("set_voltage_v", at_s), record.setting("current_limit_a", at_s)
    flowing = "unit.current.high" if record.holds("unit.current.high") else "unit.current"
    limiting = limiting_samples(
        record.samples(flowing, start_s, stop_s),
        record.samples("unit.voltage", start_s, stop_s),
        limit_a=limit_a,
        set_v=set_v,
        tolerance_v=supply_tolerance_v(record, setup, set_v),
    )
    if not limiting.size:
        return ()
    return (limiting_doubt(limit_a=limit_a, conforming_a=conforming_a(setup, condition)),)


def bus_doubts(record: Record, setup: Setup, start_s: float = 0.0, stop_s: float | None = None) -> tuple[Doubt, ...]:
    """Return the bench's doubts that the bus stood where it was set in a stretch with one setting, in 5 ms means.

    What is looked at is only where the supply did not limit: there nothing the unit draws can move the bus. Its mean
    off the setting by more than 3 u, either way, is the supply's, the leads' or the channel's of `unit.voltage`; so is
    a short dip by a twentieth of the setting.
    """
    set_v = record.setting("set_voltage_v", start_s + 1e-9)
    free = record.smoothed("unit.voltage", start_s, stop_s)[unlimited(record, start_s, stop_s)]
    if record.capture is None or not free.size:
        return ()
    facts = setup.bench
    bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
    read = record.mean("unit.voltage", start_s, stop_s)
    allowed_v = AGREES_WITHIN_U * math.hypot(read.standard_uncertainty, bound_v / math.sqrt(3.0))
    mean_v, lowest_v = float(free.mean()), float(free.min())
    limit_a = record.setting("current_limit_a", start_s + 1e-9)
    if lowest_v < (1.0 - DIP_FRACTION) * set_v or mean_v < set_v - allowed_v:
        at = f"{mean_v:.2f} V" if lowest_v > mean_v - DIP_FRACTION * set_v else f"down to {lowest_v:.2f} V"
        reason = f"{at} at the unit with {set_v:.2f} V set, below the limit of {limit_a:.2f} A"
        whose = _supply_reads(record, set_v, start_s, stop_s) or "the supply does not hold its setting"
        step = "check the contactor, the supply's sense leads and its current limit on a known load"
    elif mean_v > set_v + allowed_v:
        reason, whose = f"{mean_v:.2f} V at the unit with {set_v:.2f} V set", "more than was set"
        step = "check the input of unit.voltage and the supply's sense leads (bench-check)"
    else:
        return ()
    return (Doubt(reason=f"{record.name}: {reason}: {whose}", cause=Cause.BENCH, next_step=step),)


def unlimited(record: Record, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.bool_]:
    """Return in which 5 ms of a stretch the supply surely did not limit, nor just before, and no sample is lost.

    Shape (n,), as `Record.smoothed` of the bus; all False where no current is known. A current at the end of its range
    may be any current.
    """
    capture = record.capture
    flowing = "unit.current.high" if record.holds("unit.current.high") else "unit.current"
    volts, amps = record.smoothed("unit.voltage", start_s, stop_s), record.samples(flowing, start_s, stop_s)
    if capture is None or not volts.size or not amps.size:
        return np.zeros(volts.size, dtype=np.bool_)
    length = max(1, round(FILTER_S * capture.sample_rate_hz))
    highest_a = min(
        LIMITING_FRACTION * record.setting("current_limit_a", start_s + 1e-9),
        WHOLE_RANGE * CODE_MAX * capture.channels[flowing].scale,
    )
    most = amps[: volts.size * length].reshape(volts.size, length).max(axis=1)
    spoilt = most >= highest_a
    for _ in range(RECOVERS_BLOCKS):
        spoilt[1:] |= spoilt[:-1]
    span = capture.span(start_s, stop_s)
    for gap in capture.gaps:
        first = (gap.first_sample - span.start) // length
        last = (gap.first_sample + gap.n_samples - 1 - span.start) // length
        spoilt[max(0, first) : max(0, last + 1)] = True
    return np.asarray(~spoilt, dtype=np.bool_)


def stood(record: Record) -> bool:
    """Say whether the bus stood near its setting all the time, in 5 ms means."""
    volts = record.smoothed("unit.voltage")
    return bool(volts.size) and bool(volts.min() >= (1.0 - DIP_FRACTION) * record.setting("set_voltage_v"))


def supply_tolerance_v(record: Record, setup: Setup, set_v: float) -> float:
    """Return how far below its setting a supply that regulates may read: bounds of setting and reading together."""
    facts = setup.bench
    bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
    if record.capture is None or not record.holds("unit.voltage"):
        return bound_v
    channel = record.capture.channels["unit.voltage"]
    return bound_v + channel.relative_bound * abs(set_v) + channel.absolute_bound


def _supply_reads(record: Record, set_v: float, start_s: float, stop_s: float | None) -> str:
    """Say that the supply's own terminals stood at the setting all the time, where they did and were sampled."""
    at_supply = record.smoothed("supply.voltage", start_s, stop_s)
    if not at_supply.size or at_supply.min() < (1.0 - DIP_FRACTION) * set_v:
        return ""
    return (
        f"the supply's terminals stand at {float(at_supply.mean()):.2f} V; the contactor, the leads or the input of "
        "unit.voltage"
    )
