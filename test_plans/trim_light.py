"""Trim outputs lightly loaded: each switch drives its output the right way and lets it go, and nothing else moves.

The load must be shown to be there: what is idle or lets go without one says nothing. So with the output driven its
current is held against V/R, both from their values with nothing pressed, which takes the zero errors out.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.power import consistency_doubts
from analysis.uncertainty import bounded, difference, ratio
from analysis.verdict import Cause
from test_plans.bench_agreement import branch_check
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import as_current, load_of, reading, typical, worst
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, agreement, magnitude
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import LIGHT, axis_functions, light_load, trim_needs
from test_plans.trim_switches import (
    DRIVES_FROM,
    MOTION_V,
    Held,
    hold_of,
    holds_of,
    line_doubts,
    lines_of,
    others_than,
    pulsed_doubts,
    seat_words,
    switch_id,
    watched_signals,
)

RATE_HZ = 5000.0
IDLE_S = 0.5
HOLD_S = 0.25
PAUSE_S = 0.25
SETTLE_S = 0.1  # on and off take up to 60 ms
IDLE_UNTIL_S = LEAD_S + IDLE_S - 0.01


class TrimLight:
    """Polarity, release and idle current on 1 kohm."""

    name = "trim-light"
    title = "Trim outputs on 1 kohm: polarity, release, idle current"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per axis, every output in it."""
        volts = bus_voltage_v(setup)
        axes = axes_under_test(setup)
        signals = watched_signals(setup)
        captures = tuple(
            CaptureNeed(
                name=axis.name,
                signals=(*signals, f"{axis.name}.current"),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(axis),
                highest_v=dict.fromkeys(signals, volts),
            )
            for axis in axes
        )
        return trim_needs(
            setup,
            captures,
            volts=volts,
            condition=LIGHT,
            limit_a=current_limit_a(setup, LIGHT, 0.5),
            load=light_load(setup),
            limits=(("trim-idle-current", _expected(setup)),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look with nothing pressed, then press each switch once."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, LIGHT, 0.5))
        axes, lines = axes_under_test(setup), trim_lines(setup.unit)
        apply_loads(rig, [(axis.name, light_load(setup)) for axis in axes])
        for axis in axes:
            signals = (*watched_signals(setup), f"{axis.name}.current")
            with rig.capture(axis.name, signals, sample_rate_hz=RATE_HZ, lines=lines) as session:
                play_touches(session, in_turn(lines_of(axis), first_s=LEAD_S + IDLE_S, hold_s=HOLD_S, pause_s=PAUSE_S))
                session.wait_until(_duration_s(axis))
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give idle current, polarity and release of every switch, and that nothing else moves."""
        axes = axes_under_test(setup)
        above = {axis.name: _above_bus_doubts(Record(evidence, axis.name), axis) for axis in axes}
        for axis in axes:
            record = Record(evidence, axis.name)
            yield self._idle_current(record, setup, axis, above[axis.name])
            for switch in axis.switches:
                yield from self._follows(record, setup, axis, switch, above[axis.name])
            others = idle_observation(
                record,
                setup,
                others_than(setup, [axis]),
                f"{axis.name}.others-idle",
                f"{axis.title}: moves its own output only",
                function=axis.function,
                pins=(axis.plus_pin, axis.minus_pin),
            )
            elsewhere = [doubt for name, doubts in above.items() if name != axis.name for doubt in doubts]
            yield replace(others, doubts=tuple(dict.fromkeys((*others.doubts, *elsewhere))))

    def _idle_current(self, record: Record, setup: Setup, axis: TrimAxis, channel: tuple[Doubt, ...]) -> Measurement:
        load = setup.bench.loads[axis.name][light_load(setup)]
        resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, f"load of {axis.name}")
        voltage = record.mean(voltage_signal(axis.name), 0.0, IDLE_UNTIL_S)
        return ratio(voltage, resistor).measurement(
            id=f"{axis.name}.idle-current",
            limit="trim-idle-current",
            title=f"{axis.title}: current with nothing pressed",
            function=axis.function,
            quantity_unit="A",
            pins=(axis.plus_pin, axis.minus_pin),
            doubts=(*channel, *self._unloaded_doubts(record, setup, axis)),
            notes=(f"as volts across {load.resistance_ohm:g} ohm",),
        )

    def _unloaded_doubts(self, record: Record, setup: Setup, axis: TrimAxis) -> tuple[Doubt, ...]:
        """Return why volts on the output may be no current: the load is not what it should be, or nothing shows it."""
        holds = list(holds_of(record, axis))
        shown = [held for held in holds if _driven_v(record, axis, held) >= MOTION_V]
        if record.capture is None or shown:
            return tuple(dict.fromkeys(doubt for held in shown for doubt in _load_doubts(record, setup, axis, held)))
        return (
            Doubt(
                reason=f"{record.name}: nothing drove {axis.title}, so nothing shows that its load is on",
                cause=Cause.UNDECIDED,
                next_step="measure the load at the bench's plug",
            ),
        )

    def _follows(
        self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch, channel: tuple[Doubt, ...]
    ) -> Iterator[Observation]:
        held = hold_of(record, axis, switch)
        doubts = [*record.missing, *channel]
        slow: tuple[Doubt, ...] = ()  # says nothing of letting go
        drives = lets_go = 0
        driven_v = resting_v = float("nan")
        if held is not None:
            on_s, off_s = held.pressed_s + SETTLE_S, held.released_s + SETTLE_S
            end_s = held.released_s + PAUSE_S - 0.01
            output, bus = (
                record.mean(voltage_signal(axis.name), on_s, held.released_s),
                record.mean("unit.voltage", on_s, held.released_s),
            )
            doubts.extend((*output.doubts, *bus.doubts, *record.doubts((voltage_signal(axis.name),), off_s, end_s)))
            doubts.extend(line_doubts(record, held))
            # From the beginning: a unit whose supply broke off before is still starting again.
            doubts.extend(supply_doubts(record, setup, LIGHT, 0.0, held.released_s))
            doubts.extend(_load_doubts(record, setup, axis, held))
            full_kt = setup.unit.full_trim_airspeed_kt
            slow = pulsed_doubts(record, axis, on_s, held.released_s, full_airspeed_kt=full_kt)
            driven_v = output.value * switch.polarity
            drives = int(driven_v >= DRIVES_FROM * bus.value)
            resting = record.smoothed(voltage_signal(axis.name), off_s, end_s)
            resting_v = float(np.max(np.abs(resting))) if resting.size else float("nan")
            lets_go = int(resting_v <= MOTION_V)
        for what, title, statement, good, detail, own in (
            (
                "drives",
                "drives the right way",
                f"{'plus' if switch.polarity > 0 else 'minus'} pin positive, at least 90 % of the bus",
                drives,
                f"{driven_v:.2f} V in the right direction",
                slow,
            ),
            (
                "lets-go",
                "lets go",
                f"idle {1000.0 * SETTLE_S:.0f} ms after release",
                lets_go,
                f"{resting_v:.2f} V left",
                (),
            ),
        ):
            yield Observation(
                id=switch_id(switch, what),
                title=f"{axis.title} {seat_words(switch)}: {title}",
                function=axis.function,
                statement=statement,
                trials=0 if held is None else 1,
                failures=0 if held is None else 1 - good,
                detail=detail,
                doubts=tuple(dict.fromkeys((*doubts, *own))),
                captures=record.names,
                pins=(axis.plus_pin, axis.minus_pin, switch.pin),
            )


def _load_doubts(record: Record, setup: Setup, axis: TrimAxis, held: Held) -> tuple[Doubt, ...]:
    """Return the doubt that the current does not step with the voltage as the load's resistance says."""
    window = (held.pressed_s + SETTLE_S, held.released_s)
    volts, amps = (
        difference(record.mean(signal, *window), record.mean(signal, 0.0, IDLE_UNTIL_S))
        for signal in (voltage_signal(axis.name), f"{axis.name}.current")
    )
    return consistency_doubts([branch_check(amps, volts, setup.bench.loads[axis.name][light_load(setup)], axis.name)])


def _above_bus_doubts(record: Record, axis: TrimAxis) -> tuple[Doubt, ...]:
    """Return the doubt that the output reads more than its supply, which no output has: its channel's zero moved.

    Driven one way or the other, a zero that moved adds to the magnitude.
    """
    for held in holds_of(record, axis):
        window = (held.pressed_s + SETTLE_S, held.released_s)
        if spoilt := record.doubts((voltage_signal(axis.name),), *window):
            return spoilt  # clipped, say: it shows its range, not its zero
        output, bus = record.mean(voltage_signal(axis.name), *window), record.mean("unit.voltage", *window)
        if difference(magnitude(output), bus).value > 0.0 and not agreement(difference(magnitude(output), bus)):
            return (
                Doubt(
                    reason=f"{record.name}: {axis.name}.voltage reads {output.value:.2f} V with {bus.value:.2f} V "
                    "at the unit's pins, more than an output can have",
                    cause=Cause.BENCH,
                    next_step=f"check the zeros of {axis.name}.voltage and unit.voltage (bench-check)",
                ),
            )
    return ()


def _driven_v(record: Record, axis: TrimAxis, held: Held) -> float:
    return abs(record.mean(voltage_signal(axis.name), held.pressed_s + SETTLE_S, held.released_s).value)


def _expected(setup: Setup) -> float:
    """Return the uncertainty of an idle current, as volts across the load."""
    load, found = light_load(setup), []
    for axis in axes_under_test(setup):
        ohm = load_of(setup, axis.name, load).resistance_ohm
        volts = reading(
            setup, voltage_signal(axis.name), typical(setup, "trim-idle-current") * ohm if math.isfinite(ohm) else 0.0
        )
        found.append(as_current(setup, volts, axis.name, load))
    return worst(*found)


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + IDLE_S + len(axis.switches) * (HOLD_S + PAUSE_S)
