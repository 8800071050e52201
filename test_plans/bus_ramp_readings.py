"""What a slow fall and rise of the bus shows, read from its one capture. Pure."""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.edges import find_edges
from analysis.measurement import Doubt
from analysis.power import limiting_doubt, limiting_samples
from analysis.uncertainty import Estimate, combined, resolved
from analysis.verdict import Cause
from test_plans.bus_standing import DIP_FRACTION, bus_doubts, supply_tolerance_v, unlimited
from test_plans.conditions import conforming_a
from test_plans.delayed_crossing import Delay, crossing_on_ramp
from test_plans.discrete_pins import scan_s
from test_plans.readings import FILTER_S, Record, doubted, nothing
from test_plans.sheets import DimmingOutput, Setup, TrimAxis
from test_plans.signals import voltage_signal
from test_plans.trim_switches import Held, holds_of, line_doubts, others_than

STAIR_S = 0.020  # the supply moves in stairs this long, so a threshold is known to one stair
SUPPLY_LATE_S = 0.020  # from a setting to the supply's having it
CURRENT = "unit.current.high"
STEADY_S = 0.9  # the ramp has not begun yet
OBEYS_STEP = "see trim-light: whether the switch drives the output at all"
PULSE_PERIOD_S = 0.200
LETS_GO_S = 0.060
DRIVING_V = 2.0  # in 5 ms means: well above idle, well below any bus voltage of the ramp
MOTION_V = 0.5
FIT_S = 0.050
PWM_LOW_V = 0.8
PWM_HIGH_V = 2.0
SILENT_PERIODS = 5.0
REACHED_WITHIN_V = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class RampRun:
    """One run: the switch held on the fall, the presses of the rise, and why the record can't be relied on.

    Args:
        held: the first hold, None where the switch was never pressed.
        presses: the later, short holds.
        turned_s: capture time at which the bus stood lowest.
        low_v: lowest voltage asked for.
        reaction: from a crossing to what the output makes of it: up to two scans.
        obeyed: the axis was shown to obey its switches at the nominal voltage, in this run.
    """

    record: Record
    axis: TrimAxis
    held: Held | None
    presses: tuple[Held, ...]
    turned_s: float
    low_v: float
    rate_v_per_s: float
    reaction: Delay
    doubts: tuple[Doubt, ...]
    obeyed: bool = False

    @classmethod
    def of(
        cls,
        record: Record,
        setup: Setup,
        axis: TrimAxis,
        *,
        condition: str,
        low_v: float,
        obeyed: bool = False,
    ) -> Self:
        """Read the run out of its capture."""
        holds = tuple(holds_of(record, axis))
        bus = record.smoothed("unit.voltage")
        current = CURRENT if record.holds(CURRENT) else "unit.current"
        signals = ("unit.voltage", current, voltage_signal(axis.name))
        doubts = list(record.doubts(signals))
        if bus.size and bus.min() > low_v + REACHED_WITHIN_V:
            reason = f"the bus fell to {bus.min():.2f} V only, {low_v:.2f} V was asked for"
            doubts.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="see what holds the supply up"))
        doubts.extend(_off_course(record, setup) or _limiting(record, setup, condition))
        for held in holds:
            doubts.extend(line_doubts(record, held))
        return cls(
            record=record,
            axis=axis,
            held=holds[0] if holds else None,
            presses=holds[1:],
            turned_s=float(bus.argmin()) * FILTER_S if bus.size else math.nan,
            low_v=low_v,
            rate_v_per_s=record.setting("ramp_rate_v_per_s"),
            reaction=Delay.between(0.0, 2.0 * scan_s(setup.unit)),
            doubts=tuple(dict.fromkeys(doubts)),
            obeyed=obeyed,
        )

    def stretches(self, start_s: float, stop_s: float) -> tuple[tuple[float, float], ...]:
        """Return when the axis drove within a stretch."""
        return self.record.driven(voltage_signal(self.axis.name), DRIVING_V, start_s, stop_s)

    def bus_v(self, at_s: float) -> float:
        """Return the bus voltage about an instant."""
        return self.record.mean("unit.voltage", at_s - 0.01, at_s + 0.01).value

    def crossing(self, detected_s: float, delay: Delay, interval_s: float = 0.0) -> Estimate:
        """Return where the bus stood when something reacted, one stair's width in the budget."""
        found = crossing_on_ramp(
            self.record, "unit.voltage", detected_s=detected_s, delay=delay, interval_s=interval_s, half_width_s=FIT_S
        )
        stair = resolved(0.0, abs(self.rate_v_per_s) * STAIR_S, f"stair of the ramp at {detected_s:.2f} s")
        return doubted(combined(found.value, ((found, 1.0), (stair, 1.0))), *self.doubts)


def lock_out_voltage(run: RampRun, setup: Setup) -> Estimate:
    """Return the bus voltage at which the held switch stopped driving.

    A drive that ends when a held switch is cut off anyhow does not show the lock-out: it was not locked out before.
    """
    if run.held is None:
        return nothing(*(run.doubts or (_cut_short(run),)))
    stretches = run.stretches(run.held.pressed_s, run.turned_s)
    if not stretches:
        return nothing(*run.doubts, _did_not_drive(run, run.held))
    on_s, off_s = stretches[0]
    if off_s >= run.turned_s - 2.0 * FILTER_S:
        reason = f"{run.axis.title} still drove at {run.low_v:.2f} V: motion was never locked out"
        return nothing(*(run.doubts or (Doubt(reason=reason, cause=Cause.UNIT),)))
    cut_off = setup.unit.limits.get("trim-cut-off")
    if cut_off is not None and cut_off.low <= off_s - on_s <= cut_off.high:
        return nothing(*(run.doubts or (_cut_off_first(run, setup, off_s - on_s, run.bus_v(off_s)),)))
    return run.crossing(off_s, run.reaction)


def release_voltage(run: RampRun) -> Estimate:
    """Return the bus voltage between the last short press that did not drive and the first that did."""
    if not run.presses:
        return nothing(*(run.doubts or (_cut_short(run),)))
    stretches = run.stretches(run.presses[0].pressed_s, run.record.duration_s)
    if stretches:
        return run.crossing(stretches[0][0], run.reaction, PULSE_PERIOD_S)
    if run.doubts:
        return nothing(*run.doubts)
    last_v = run.bus_v(run.presses[-1].pressed_s)
    drove_before = run.held is not None and bool(run.stretches(run.held.pressed_s, run.turned_s))
    return nothing(
        Doubt(
            reason=f"no press drove {run.axis.title} up to {last_v:.2f} V",
            cause=Cause.UNIT if drove_before or run.obeyed else Cause.UNDECIDED,
            next_step="" if drove_before or run.obeyed else OBEYS_STEP,
        )
    )


def reset_voltage(run: RampRun, output: DimmingOutput, *, worked: bool = False) -> Estimate:
    """Return the bus voltage at the last edge of a PWM output before it fell silent.

    The reset comes up to half a period after that edge, so a quarter period of ramp is taken off. An output without
    pulses is the unit's where it `worked` before, at the nominal voltage, and its rheostat stands at half.
    """
    record, capture = run.record, run.record.capture
    if capture is None or run.doubts:
        return nothing(*run.doubts)
    spoilt = record.doubts((voltage_signal(output.name),))
    if spoilt:
        return nothing(*spoilt)
    edges = find_edges(record.samples(voltage_signal(output.name)), PWM_LOW_V, PWM_HIGH_V).positions
    instants_s = edges / capture.sample_rate_hz
    if instants_s.size < SILENT_PERIODS:
        return nothing(
            Doubt(
                reason=f"{output.title} showed no pulses with its rheostat at half",
                cause=Cause.UNIT if worked else Cause.UNDECIDED,
                next_step="" if worked else "see dimming-curve: whether the output works at all",
            )
        )
    ends_s = np.append(instants_s, capture.duration_s)
    silent = np.flatnonzero(np.diff(ends_s) > SILENT_PERIODS / output.frequency_hz)
    if not silent.size or instants_s[silent[0]] > run.turned_s:
        reason = f"{output.title} still pulsed at {run.low_v:.2f} V: the unit did not reset"
        return nothing(Doubt(reason=reason, cause=Cause.UNIT))
    quarter_s = 0.25 / output.frequency_hz
    found = run.crossing(float(instants_s[silent[0]]), Delay(mean_s=-quarter_s, bound_s=quarter_s))
    counted = resets_counted(run)
    return found if counted else doubted(found, _not_counted(counted))


def resets_counted(run: RampRun) -> int | None:
    """Return how far the reset count went over the run; None where it was not reported before and after."""
    before = run.record.count("reset-count", last=True, before_s=run.turned_s)
    after = run.record.count("reset-count", last=True)
    came_after = [event for event in run.record.reports("reset-count") if event.time_s > run.turned_s]
    return None if before is None or after is None or not came_after else after - before


def uncommanded(run: RampRun, setup: Setup) -> tuple[str, ...]:
    """Return in words every output that moved without a command, at which bus voltage."""
    found = []
    for name in (
        run.axis.name,
        *(name for name in others_than(setup, [run.axis]) if run.record.holds(voltage_signal(name))),
    ):
        if name in {output.name for output in setup.unit.dimming}:
            continue
        moving = np.abs(run.record.smoothed(voltage_signal(name))) > MOTION_V
        if name == run.axis.name:
            for start_s, stop_s in _commanded(run):
                moving[max(0, int(start_s / FILTER_S)) : int(stop_s / FILTER_S) + 1] = False
        if moving.any():
            at_s = float(np.flatnonzero(moving)[0]) * FILTER_S
            found.append(f"{name} at {run.bus_v(at_s):.2f} V")
    return tuple(found)


def _commanded(run: RampRun) -> list[tuple[float, float]]:
    """Return the stretches in which the axis may drive; after the lock-out a held switch commands nothing."""
    allowed = [(press.pressed_s, press.released_s + LETS_GO_S) for press in run.presses]
    if run.held is not None:
        stretches = run.stretches(run.held.pressed_s, run.held.released_s)
        end_s = stretches[0][1] if stretches else run.held.pressed_s
        allowed.append((run.held.pressed_s, end_s + LETS_GO_S))
    return allowed


def _limiting(record: Record, setup: Setup, condition: str) -> tuple[Doubt, ...]:
    """Return the doubt that the supply reached its limit anywhere on the ramp."""
    if record.capture is None:
        return ()
    limit_a, set_v = record.setting("current_limit_a"), set_voltage(record)
    behind_v = abs(record.setting("ramp_rate_v_per_s")) * (STAIR_S + SUPPLY_LATE_S)
    limiting = limiting_samples(
        record.samples(CURRENT if record.holds(CURRENT) else "unit.current"),
        record.samples("unit.voltage"),
        limit_a=limit_a,
        set_v=set_v,
        tolerance_v=supply_tolerance_v(record, setup, float(set_v.max())) + behind_v,
    )
    if not limiting.size:
        return ()
    return (limiting_doubt(limit_a=limit_a, conforming_a=conforming_a(setup, condition)),)


def _off_course(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return the bench's doubt that the bus stood and then moved as it was told, where nothing limited it."""
    steady = bus_doubts(record, setup, 0.0, STEADY_S)
    if steady or len(record.notes("set_voltage_v")) < 2:
        return steady
    bus, told = record.smoothed("unit.voltage"), set_voltage(record)
    length = max(1, told.size // max(1, bus.size))
    off_v = np.where(unlimited(record), bus - told[: bus.size * length : length], 0.0)
    worst = int(np.abs(off_v).argmax())
    if abs(float(off_v[worst])) <= DIP_FRACTION * float(told.max()):
        return ()
    reason = f"{record.name}: the bus stood at {bus[worst]:.2f} V when {bus[worst] - off_v[worst]:.2f} V was set"
    step = "check the contactor, the supply's sense leads and the input of unit.voltage"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)


def set_voltage(record: Record) -> NDArray[np.float64]:
    """Return what the supply was set to at every sample of a ramp, shape (n,), V.

    A setting is noted when a ramp has arrived; at the ramp's rate it was on its way there until then.
    """
    if record.capture is None:
        return np.empty(0)
    times_s = np.arange(record.capture.n_samples) / record.capture.sample_rate_hz
    rate = abs(record.setting("ramp_rate_v_per_s"))
    settings = [
        (0.0, record.setting("set_voltage_v")),
        *((at_s, float(v)) for at_s, v in record.notes("set_voltage_v")),
    ]
    corners: list[tuple[float, float]] = [settings[0]]
    for (before_s, from_v), (at_s, to_v) in pairwise(settings):
        began_s = at_s - abs(to_v - from_v) / rate if rate > 0.0 else at_s
        corners += [(max(before_s, began_s), from_v), (at_s, to_v)]
    at, volts = zip(*corners, strict=True)
    return np.asarray(np.interp(times_s, at, volts), dtype=np.float64)


def _did_not_drive(run: RampRun, held: Held) -> Doubt:
    return Doubt(
        reason=f"{run.axis.title} did not drive when pressed at {run.bus_v(held.pressed_s):.2f} V",
        cause=Cause.UNIT if run.obeyed and not run.doubts else Cause.UNDECIDED,
        next_step="" if run.obeyed else OBEYS_STEP,
    )


def _cut_off_first(run: RampRun, setup: Setup, drove_s: float, at_v: float) -> Doubt:
    below_all = at_v < setup.unit.limits["lock-out-voltage"].low - REACHED_WITHIN_V
    return Doubt(
        reason=f"{run.axis.title} drove for {drove_s:.2f} s, as long as a held switch may, and was not locked out "
        f"down to {at_v:.2f} V",
        cause=Cause.UNIT if below_all else Cause.UNDECIDED,
        next_step="" if below_all else "run the ramp faster, so that the lock-out comes before the cut-off",
    )


def _cut_short(run: RampRun) -> Doubt:
    return Doubt(reason=f"{run.record.name}: the ramp was cut short", cause=Cause.BENCH, next_step="run it again")


def _not_counted(counted: int | None) -> Doubt:
    seen = "was not reported before and after" if counted is None else "did not move"
    return Doubt(
        reason=f"the output fell silent, but the reset count {seen}",
        cause=Cause.UNDECIDED,
        next_step="look whether the unit reports while its output is silent",
    )
