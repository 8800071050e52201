"""A slow fall and rise of the bus: where motion is locked out, where the unit resets, where motion is free again.

The held switch shows the lock-out, the last edge of a PWM output at half level the reset, short presses the release.
Every output is watched for motion that nobody commanded, from the first volt to the last.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, resolved, total
from analysis.verdict import Cause
from test_plans import held_through
from test_plans.bus_ramp_readings import (
    CURRENT,
    PULSE_PERIOD_S,
    STAIR_S,
    RampRun,
    lock_out_voltage,
    release_voltage,
    reset_voltage,
    resets_counted,
    uncommanded,
)
from test_plans.conditions import conforming_a, current_limit_a, number, required_limit
from test_plans.discrete_pins import scan_s
from test_plans.driving import POWER_UP_RATE_V_PER_S, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.expected import reading, typical
from test_plans.model_gaps import without_function, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import FILTER_S, Record
from test_plans.reset_counts import asked_for
from test_plans.rig import CaptureSession, Rig
from test_plans.sheets import DimmingKind, DimmingOutput, Rheostat, Setup, TrimAxis
from test_plans.signals import function_named, idle_outputs, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import RUN_PATH, load_name

CAPTURE = "ramp"
RATE_HZ = 5000.0
RAMP_RATE_V_PER_S = 0.5
REPORTED_S = 1.2  # every periodic report comes in it
DWELL_S = 0.3
PRESS_AFTER_S = 0.05
PULSE_S = 0.1
RESET_LIMIT = "reset-voltage"  # a model may have none: then the ramp turns below the lock-out
BELOW_V = 0.2
CONDITION = "ramp"
PLOTTED_POINTS = 500
TRIM_LIGHT = "trim-light"
HALF_TRAVEL, HALF_WITHIN = 0.5, 0.1  # of the rheostat's travel


class BusRamp:
    """Lock-out, reset and release on a slow bus."""

    name = "bus-ramp"
    title = "Slow fall and rise of the bus: lock-out, reset, release"
    conditions = ("high_voltage_v", "low_voltage_v", "current_limit_a", "ramp_rate_v_per_s", "load", "axes")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_function(setup, "bus-monitor") or without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the bus monitor's function."""
        return (function_named(setup.unit, "bus-monitor"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture over fall and rise, and one over a dip with a switch held."""
        axis = axes_under_test(setup)[0]
        levels = _levels(setup)
        swing_s = (levels.high_v - levels.low_v) / _rate(setup)
        duration_s = 2.0 * REPORTED_S + 2.0 * swing_s + DWELL_S + 0.5
        dip_s = held_through.duration_s(setup, levels.high_v)
        highest_v = {"unit.voltage": levels.high_v, voltage_signal(axis.name): levels.high_v}
        return Needs(
            bench_time_s=duration_s + dip_s + 4.0,
            captures=(
                CaptureNeed(
                    name=CAPTURE,
                    signals=_signals(setup, axis),
                    lines=trim_lines(setup.unit),
                    sample_rate_hz=RATE_HZ,
                    duration_s=duration_s,
                    highest_v=highest_v,
                ),
                CaptureNeed(
                    name=held_through.CAPTURE,
                    signals=_signals(setup, axis),
                    lines=trim_lines(setup.unit),
                    sample_rate_hz=RATE_HZ,
                    duration_s=dip_s,
                    highest_v=highest_v,
                ),
            ),
            highest_voltage_v=setup.unit.nominal_voltage_v,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=current_limit_a(setup, CONDITION, 3.0),
            loads=((axis.name, load_name(setup)),),
            load_current_a=axis.rated_current_a,
            stimuli=tuple(rheostat.name for rheostat in setup.unit.rheostats),
            switches=(axis.switches[0].name,),
            paths=RUN_PATH,
            bus=True,
            limits=(
                ("lock-out-voltage", _expected(setup, "lock-out-voltage")),
                ("release-voltage", _expected(setup, "release-voltage", interval_s=PULSE_PERIOD_S)),
                *(((RESET_LIMIT, _expected(setup, RESET_LIMIT)),) if RESET_LIMIT in setup.unit.limits else ()),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Fall with the switch held from just above the lock-out, rise with short presses from below the release."""
        axis, levels = axes_under_test(setup)[0], _levels(setup)
        nominal_v, limit_a = setup.unit.nominal_voltage_v, current_limit_a(setup, CONDITION, 3.0)
        bring_up(rig, setup, voltage_v=nominal_v, current_limit_a=limit_a)
        apply_loads(rig, [(axis.name, load_name(setup))])
        light_up(rig, setup)
        rig.ramp_supply(levels.high_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
        rig.wait(DWELL_S)
        with rig.capture(
            CAPTURE,
            _signals(setup, axis),
            sample_rate_hz=RATE_HZ,
            lines=trim_lines(setup.unit),
            ramp_rate_v_per_s=_rate(setup),
        ) as session:
            session.wait_until(REPORTED_S)
            self._fall(rig, session, setup, axis)
            self._rise(rig, session, setup, axis)
            session.wait_until(session.now_s + REPORTED_S)
        signals = _signals(setup, axis)
        held_through.hold_through(rig, setup, axis, high_v=levels.high_v, signals=signals, rate_hz=RATE_HZ)
        rig.idle_inputs()
        drop_loads(rig, [axis.name])
        rig.ramp_supply(nominal_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the three voltages, the number of resets, and that nothing moved by itself."""
        record = Record(evidence, CAPTURE)
        axis, output = axes_under_test(setup)[0], monitored_output(setup)
        function = function_named(setup.unit, "bus-monitor")
        run = RampRun.of(
            record,
            setup,
            axis,
            condition=CONDITION,
            low_v=_levels(setup).low_v,
            obeyed=obeyed(evidence, setup, axis),
        )
        yield _voltage(lock_out_voltage(run, setup), "lock-out", "Motion locked out below", setup)
        if output is not None and RESET_LIMIT in setup.unit.limits:
            worked = _worked(evidence, output) and lit(record, setup, output)
            yield _voltage(reset_voltage(run, output, worked=worked), "reset", "Logic resets below", setup)
        if "reset-count" in setup.unit.bus.reports:
            yield self._resets(run, setup)
            yield from asked_for(self.name, resets_counted(run), setup)
        yield _voltage(release_voltage(run), "release", "Motion free again above", setup)
        moved = uncommanded(run, setup)
        yield Observation(
            id="bus-ramp.no-uncommanded-motion",
            title="Slow bus: nothing moves by itself",
            function=function,
            statement="no motor output and no light moves without a command, "
            f"from {_levels(setup).high_v:g} V down to {_levels(setup).low_v:g} V and back",
            trials=0 if record.capture is None else 1,
            failures=int(bool(moved)),
            detail="; ".join(moved),
            doubts=run.doubts,
            captures=record.names,
            pins=(setup.unit.power_pin,),
        )
        yield from held_through.held_through(Record(evidence, held_through.CAPTURE), setup, axis)
        yield _curve(record, axis, function)

    def _fall(self, rig: Rig, session: CaptureSession, setup: Setup, axis: TrimAxis) -> None:
        levels = _levels(setup)
        rig.ramp_supply(levels.press_v, rate_v_per_s=_rate(setup))
        at_s = session.now_s + PRESS_AFTER_S
        session.press(axis.switches[0].name, at_s=at_s)
        rig.ramp_supply(levels.low_v, rate_v_per_s=_rate(setup))
        rig.wait(DWELL_S)

    def _rise(self, rig: Rig, session: CaptureSession, setup: Setup, axis: TrimAxis) -> None:
        levels = _levels(setup)
        switch = axis.switches[0].name
        rig.ramp_supply(levels.let_go_v, rate_v_per_s=_rate(setup))
        session.release(switch, at_s=session.now_s + PRESS_AFTER_S)
        rig.ramp_supply(levels.pulses_from_v, rate_v_per_s=_rate(setup))
        step_v = PULSE_PERIOD_S * _rate(setup)
        n_pulses = math.floor((levels.high_v - levels.pulses_from_v) / step_v + 1e-6)
        for pulse in range(1, n_pulses + 1):
            at_s = session.now_s + PRESS_AFTER_S
            session.press(switch, at_s=at_s)
            session.release(switch, at_s=at_s + PULSE_S)
            rig.ramp_supply(levels.pulses_from_v + pulse * step_v, rate_v_per_s=_rate(setup))

    def _resets(self, run: RampRun, setup: Setup) -> Observation:
        counted = resets_counted(run)
        unreported = Doubt(
            reason="the reset count was not reported before and after the ramp",
            cause=Cause.UNDECIDED,
            next_step="see whether the unit reports at all after the rise",
        )
        return Observation(
            id="bus-ramp.one-reset",
            title="Slow bus: resets once",
            function=function_named(setup.unit, "bus-monitor"),
            statement="the reset count goes up by one over fall and rise",
            trials=int(counted is not None),
            failures=int(counted not in {None, 1}),
            detail=f"it went up by {counted}",
            doubts=(*run.doubts, *((unreported,) if counted is None else ())),
            captures=run.record.names,
            pins=(setup.unit.power_pin,),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Where the ramp turns and where the switch is worked, taken from what the sheet's limits can reach."""

    high_v: float
    low_v: float
    press_v: float
    let_go_v: float
    pulses_from_v: float


def _levels(setup: Setup) -> Levels:
    limits = setup.unit.limits
    lock_out, release = (required_limit(setup, key) for key in ("lock-out-voltage", "release-voltage"))
    pulses_from_v = release.low - 0.2
    return Levels(
        high_v=number(setup, "high_voltage_v", release.high + 0.4),
        low_v=number(setup, "low_voltage_v", limits.get(RESET_LIMIT, lock_out).low - BELOW_V),
        press_v=lock_out.high + 0.3,
        let_go_v=pulses_from_v - 0.8,
        pulses_from_v=pulses_from_v,
    )


def _expected(setup: Setup, limit: str, *, interval_s: float = 0.0) -> float:
    """Return the uncertainty of a voltage: the channel, one stair, the reaction, how often one looks."""
    rate = _rate(setup)
    return total(
        reading(setup, "unit.voltage", typical(setup, limit)),
        resolved(0.0, rate * STAIR_S, "stair"),
        resolved(0.0, rate * interval_s, "presses"),
        bounded(0.0, rate * scan_s(setup.unit), "reaction"),
    ).standard_uncertainty


def monitored_output(setup: Setup) -> DimmingOutput | None:
    """Return the PWM output whose pulses show that the logic lives; None on a model without."""
    return next((output for output in setup.unit.dimming if output.kind is DimmingKind.PWM), None)


def rheostat_of(setup: Setup, output: DimmingOutput | None) -> Rheostat | None:
    """Return the rheostat that sets an output on this aircraft; None where there is no output, or no such rheostat."""
    wanted = setup.aircraft.dimming_map.get(output.name) if output else None
    return next((rheostat for rheostat in setup.unit.rheostats if rheostat.name == wanted), None)


def light_up(rig: Rig, setup: Setup) -> None:
    """Put the monitored output to half level."""
    rheostat = rheostat_of(setup, monitored_output(setup))
    if rheostat is not None:
        rig.drive(rheostat.name, HALF_TRAVEL * rheostat.full_travel_v)


def lit(record: Record, setup: Setup, output: DimmingOutput) -> bool:
    """Say whether the output's rheostat, read at its pin, stands about half all the time."""
    rheostat = rheostat_of(setup, output)
    pin = record.smoothed(voltage_signal(rheostat.name)) if rheostat else np.empty(0)
    if rheostat is None or not pin.size:
        return False
    return bool(np.all(np.abs(pin / rheostat.full_travel_v - HALF_TRAVEL) <= HALF_WITHIN))


def _worked(evidence: Evidence, output: DimmingOutput) -> bool:
    """Say whether the output gave pulses earlier in this run."""
    frequency = evidence.earlier(f"{output.name}.frequency")
    return frequency is not None and math.isfinite(frequency.value) and not frequency.doubts


def obeyed(evidence: Evidence, setup: Setup, axis: TrimAxis) -> bool:
    """Say whether the axis obeyed its switches in this run: it was tried, and this step waits for that to pass."""
    tried = evidence.earlier(f"{axis.name}.idle-current") is not None
    return tried and TRIM_LIGHT in setup.step.gated_by


def _voltage(found: Estimate, what: str, title: str, setup: Setup) -> Measurement:
    return found.measurement(
        id=f"bus-ramp.{what}",
        limit=f"{what}-voltage",
        title=title,
        function=function_named(setup.unit, "bus-monitor"),
        quantity_unit="V",
        pins=(setup.unit.power_pin,),
        notes=("at the pins, corrected for the ramp",) if math.isfinite(found.value) else (),
    )


def _curve(record: Record, axis: TrimAxis, function: str) -> Curve:
    bus, motor = record.smoothed("unit.voltage"), np.abs(record.smoothed(voltage_signal(axis.name)))
    step = max(1, bus.size // PLOTTED_POINTS)
    times = tuple(float(time) for time in (np.arange(bus.size) * FILTER_S)[::step])
    return Curve(
        id="bus-ramp.run",
        title="Slow fall and rise of the bus, and what the trim output does",
        function=function,
        x_label="time, s",
        y_label="V",
        series={
            "bus": (times, tuple(float(value) for value in bus[::step])),
            f"{axis.name} trim output": (times, tuple(float(value) for value in motor[::step])),
        },
        capture=record.name if record.capture else "",
    )


def _signals(setup: Setup, axis: TrimAxis) -> tuple[str, ...]:
    dimmed = {output.name for output in setup.unit.dimming}
    output = monitored_output(setup)
    rheostat = rheostat_of(setup, output)
    return (
        *(voltage_signal(name) for name in idle_outputs(setup.unit) if name not in dimmed),
        *((voltage_signal(output.name),) if output else ()),
        *((voltage_signal(rheostat.name),) if rheostat else ()),
        f"{axis.name}.current",
        CURRENT,
    )


def _rate(setup: Setup) -> float:
    return number(setup, "ramp_rate_v_per_s", RAMP_RATE_V_PER_S)
