"""Hold-up output at its rated current on a slow bus: where it drops out, where it comes back, and how often."""

import math
from collections.abc import Iterable

import numpy as np

from analysis.measurement import Curve, Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined, resolved, total
from analysis.verdict import Cause
from test_plans.bus_ramp_readings import STAIR_S
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import number, required_limit
from test_plans.delayed_crossing import Delay, crossing_on_ramp
from test_plans.driving import POWER_UP_RATE_V_PER_S, bring_up
from test_plans.expected import reading, typical
from test_plans.hold_up import (
    CONDITION,
    OFF_PART,
    full_load,
    held_output,
    hold_up_capture,
    hold_up_needs,
    limit_a,
    lines_of,
    load_doubts,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import FILTER_S, Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import voltage_signal

RATE_HZ = 5000.0
RAMP_RATE_V_PER_S = 0.5
BEFORE_S = 0.4
DWELL_S = 0.3
BEYOND_V = 0.4  # past either limit
ABOVE_RESET_V = 0.1
REACTION_S = 0.002  # from the crossing to what the output shows of it: its capacitor, its soft start
CAPTURE = "ramp"
DROP_OUT, RESTART = "hold-up-drop-out", "hold-up-restart"
PLOTTED_POINTS = 500


class HoldUpDropOut:
    """Drop-out and restart of the loaded output, once each."""

    name = "hold-up-drop-out"
    title = "Hold-up output on a slow bus: drop-out and restart"
    conditions = ("low_voltage_v", "current_limit_a", "ramp_rate_v_per_s")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture over fall and rise."""
        turns = _turns_v(setup)
        duration_s = BEFORE_S + DWELL_S + (turns[0] + turns[2] - 2.0 * turns[1]) / _rate(setup) + 0.5
        travel_v = 2.0 * setup.unit.nominal_voltage_v - turns[0] - turns[2]
        return hold_up_needs(
            setup,
            (hold_up_capture(setup, CAPTURE, rate_hz=RATE_HZ, duration_s=duration_s, bus_v=turns[2]),),
            limits=tuple((limit, _expected(setup, limit)) for limit in (DROP_OUT, RESTART)),
            highest_v=setup.unit.nominal_voltage_v,
            apart_s=3.0 + travel_v / POWER_UP_RATE_V_PER_S,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Fall with the output loaded until it must be lost, rise until it must be back."""
        from_v, low_v, to_v = _turns_v(setup)
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        put_load(rig, setup, full_load(setup))
        rig.ramp_supply(from_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
        with rig.capture(
            CAPTURE, signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup), ramp_rate_v_per_s=_rate(setup)
        ) as session:
            session.wait_until(BEFORE_S)
            rig.ramp_supply(low_v, rate_v_per_s=_rate(setup))
            rig.wait(DWELL_S)
            rig.ramp_supply(to_v, rate_v_per_s=_rate(setup))
            rig.wait(DWELL_S)
        put_load(rig, setup, "open")
        rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give both voltages, and that the output went and came once."""
        record, output = Record(evidence, CAPTURE), held_output(setup)
        changes = _changes(record, setup)
        spoilt = _doubts(record, setup)
        lost = next((at_s for at_s, back in changes if not back), math.nan)
        back = next((at_s for at_s, is_back in changes if is_back and at_s > lost), math.nan)
        yield doubted(_drop_out(record, lost), *spoilt).measurement(
            id=f"{output.name}.drop-out",
            limit=DROP_OUT,
            title=f"{output.title} at its rated current: drops out below",
            function=output.function,
            quantity_unit="V",
            pins=(output.plus_pin, setup.unit.power_pin),
            notes=("at the unit's pins, corrected for the ramp",) if math.isfinite(lost) else (_never(record),),
        )
        yield doubted(_restart(record, setup, lost, back), *spoilt).measurement(
            id=f"{output.name}.restart",
            limit=RESTART,
            title=f"{output.title} at its rated current: comes back above",
            function=output.function,
            quantity_unit="V",
            pins=(output.plus_pin, setup.unit.power_pin),
            notes=("at the unit's pins, corrected for the ramp",),
        )
        yield Observation(
            id=f"{output.name}.clean-drop-out",
            title=f"{output.title}: goes and comes once",
            function=output.function,
            statement="over one fall and one rise of the bus the output is lost at most once, and comes back once",
            trials=int(record.capture is not None),
            failures=int(len(changes) > 2 or (bool(changes) and not changes[-1][1])),
            detail=f"it changed {len(changes)} times: {_in_words(record, changes)}",
            doubts=spoilt,
            captures=record.names,
            pins=(output.plus_pin,),
        )
        yield _picture(record, setup)


def _drop_out(record: Record, lost_s: float) -> Estimate:
    """Return the bus voltage at which the output was lost; one that never was held at least down to the turn."""
    if record.capture is None:
        return nothing(*record.missing)
    if math.isnan(lost_s):
        bus = record.smoothed("unit.voltage")
        at_s = float(bus.argmin()) * FILTER_S if bus.size else 0.0
        return record.mean("unit.voltage", at_s - 0.05, at_s + 0.05)
    return _crossing(record, lost_s)


def _restart(record: Record, setup: Setup, lost_s: float, back_s: float) -> Estimate:
    if record.capture is None:
        return nothing(*record.missing)
    if math.isnan(lost_s):
        turn_v = _turns_v(setup)[1]
        return nothing(
            Doubt(
                reason=f"the output was not lost down to {turn_v:.2f} V, so it had nothing to come back from",
                cause=Cause.UNDECIDED,
                next_step="turn lower: give the step a low-voltage",
            )
        )
    if math.isnan(back_s):
        reason = f"the output did not come back up to {_turns_v(setup)[2]:.2f} V"
        return nothing(Doubt(reason=reason, cause=Cause.UNIT))
    return _crossing(record, back_s)


def _crossing(record: Record, at_s: float) -> Estimate:
    delay = Delay.between(0.0, REACTION_S)
    found = crossing_on_ramp(record, "unit.voltage", detected_s=at_s, delay=delay, half_width_s=0.05)
    rate = abs(record.setting("ramp_rate_v_per_s"))
    stair = resolved(0.0, rate * STAIR_S, f"stair of the ramp at {at_s:.2f} s")
    return doubted(combined(found.value, ((found, 1.0), (stair, 1.0))), *found.doubts)


def _changes(record: Record, setup: Setup) -> tuple[tuple[float, bool], ...]:
    """Return (capture time, whether it is there from then on) of every time the output went or came."""
    output = held_output(setup)
    values = record.samples(voltage_signal(output.name))
    if record.capture is None or not values.size:
        return ()
    there = values > OFF_PART * output.held_v
    turns = np.flatnonzero(there[1:] != there[:-1]) + 1
    return tuple((float(index) / record.capture.sample_rate_hz, bool(there[index])) for index in turns)


def _doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    if record.capture is None:
        return record.missing
    span = (0.05, BEFORE_S)
    return tuple(
        dict.fromkeys(
            (
                *record.doubts(signals_of(setup)),
                *supply_doubts(record, setup, CONDITION, *span),
                *load_doubts(record, setup, *span),
                *_short_of(record, setup),
            )
        )
    )


def _short_of(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return the bench's doubt that the ramp reached where it was to turn."""
    bus, low_v = record.smoothed("unit.voltage"), _turns_v(setup)[1]
    if not bus.size or bus.min() <= low_v + 0.05:
        return ()
    reason = f"the bus fell to {bus.min():.2f} V only, {low_v:.2f} V was asked for"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="see what holds the supply up"),)


def _never(record: Record) -> str:
    bus = record.smoothed("unit.voltage")
    return f"it held down to the turn at {bus.min():.2f} V" if bus.size else "nothing was sampled"


def _in_words(record: Record, changes: tuple[tuple[float, bool], ...]) -> str:
    words = [
        f"{'back' if there else 'lost'} at {record.mean('unit.voltage', at_s - 0.01, at_s + 0.01).value:.2f} V"
        for at_s, there in changes[:6]
    ]
    return ", ".join(words) or "not at all"


def _picture(record: Record, setup: Setup) -> Curve:
    output = held_output(setup)
    bus, held = record.smoothed("unit.voltage"), record.smoothed(voltage_signal(output.name))
    step = max(1, bus.size // PLOTTED_POINTS)
    times = tuple(float(time) for time in (np.arange(bus.size) * FILTER_S)[::step])
    return Curve(
        id=f"{output.name}.drop-out-run",
        title="Slow fall and rise of the bus, and the loaded hold-up output",
        function=output.function,
        x_label="time, s",
        y_label="V",
        series={
            "bus": (times, tuple(float(value) for value in bus[::step])),
            "hold-up output": (times, tuple(float(value) for value in held[::step])),
        },
        capture=record.name if record.capture else "",
    )


def _expected(setup: Setup, limit: str) -> float:
    rate = _rate(setup)
    return total(
        reading(setup, "unit.voltage", typical(setup, limit)),
        resolved(0.0, rate * STAIR_S, "stair"),
        bounded(0.0, 0.5 * rate * REACTION_S, "reaction"),
    ).standard_uncertainty


def _turns_v(setup: Setup) -> tuple[float, float, float]:
    """Return where the ramp begins, turns and ends: past both limits, and clear of the reset."""
    limits = setup.unit.limits
    clear_v = limits["reset-voltage"].high + ABOVE_RESET_V if "reset-voltage" in limits else 0.0
    low_v = max(clear_v, required_limit(setup, DROP_OUT).high - 3.0 * BEYOND_V)
    return (
        required_limit(setup, DROP_OUT).high + BEYOND_V,
        number(setup, "low_voltage_v", low_v),
        required_limit(setup, RESTART).high + BEYOND_V,
    )


def _rate(setup: Setup) -> float:
    return number(setup, "ramp_rate_v_per_s", RAMP_RATE_V_PER_S)
