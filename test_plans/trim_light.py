"""Trim outputs lightly loaded: each switch drives its output the right way and lets it go, and nothing else moves."""

from collections.abc import Iterable, Iterator

import numpy as np

from analysis.measurement import Measurement, Observation, Result
from analysis.uncertainty import bounded, ratio
from test_plans.conditions import bus_voltage_v, current_limit_a, text
from test_plans.driving import (
    LEAD_S,
    Action,
    apply_loads,
    axes_under_test,
    bring_up,
    drop_loads,
    play,
    press_at,
    release_at,
)
from test_plans.idle import idle_observation
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, supply_doubts
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.trim_switches import (
    DRIVES_FROM,
    MOTION_V,
    RUN_PATH,
    hold_of,
    line_doubts,
    lines_of,
    others_than,
    seat_words,
    switch_id,
    watched_signals,
)

RATE_HZ = 5000.0
IDLE_S = 0.5
HOLD_S = 0.25
PAUSE_S = 0.25
SETTLE_S = 0.1  # on and off take up to 60 ms
CONDITION = "light-load"


class TrimLight:
    """Polarity, release and idle current on 1 kohm."""

    name = "trim-light"
    title = "Trim outputs on 1 kohm: polarity, release, idle current"

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return tuple(dict.fromkeys(axis.function for axis in axes_under_test(setup)))

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per axis, every output in it."""
        volts = bus_voltage_v(setup)
        axes = axes_under_test(setup)
        load = _load(setup)
        signals = watched_signals(setup)
        captures = tuple(
            CaptureNeed(
                name=axis.name,
                signals=(*signals, f"{axis.name}.current"),
                lines=lines_of(axis),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(axis),
                highest_v=dict.fromkeys(signals, volts),
            )
            for axis in axes
        )
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + 1.0,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=setup.unit.conforming_current_a.get(CONDITION, 0.0),
            current_limit_a=current_limit_a(setup, CONDITION, 0.5),
            loads=tuple((axis.name, load) for axis in axes),
            load_current_a=volts / 1000.0,
            switches=tuple(switch.name for axis in axes for switch in axis.switches),
            paths=RUN_PATH,
            bus=True,
            limits=(("trim-idle-current", 10e-6),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look with nothing pressed, then press each switch once."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 0.5))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, _load(setup)) for axis in axes])
        for axis in axes:
            signals = (*watched_signals(setup), f"{axis.name}.current")
            with rig.capture(axis.name, signals, sample_rate_hz=RATE_HZ, lines=lines_of(axis)) as session:
                actions: list[Action] = []
                for position, switch in enumerate(axis.switches):
                    at_s = LEAD_S + IDLE_S + position * (HOLD_S + PAUSE_S)
                    actions.append(press_at(session, switch.name, at_s))
                    actions.append(release_at(session, switch.name, at_s + HOLD_S))
                play(session, actions)
                session.wait_until(_duration_s(axis))
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give idle current, polarity and release of every switch, and that nothing else moves."""
        for axis in axes_under_test(setup):
            record = Record(evidence, axis.name)
            yield self._idle_current(record, setup, axis)
            for switch in axis.switches:
                yield from self._follows(record, setup, axis, switch)
            yield idle_observation(
                record,
                setup,
                others_than(setup, [axis]),
                f"{axis.name}.others-idle",
                f"{axis.title}: moves its own output only",
            )

    def _idle_current(self, record: Record, setup: Setup, axis: TrimAxis) -> Measurement:
        load = setup.bench.loads[axis.name][_load(setup)]
        resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, f"load of {axis.name}")
        voltage = record.mean(voltage_signal(axis.name), 0.0, LEAD_S + IDLE_S - 0.01)
        return ratio(voltage, resistor).measurement(
            id=f"{axis.name}.idle-current",
            limit="trim-idle-current",
            title=f"{axis.title}: current with nothing pressed",
            function=axis.function,
            quantity_unit="A",
            pins=(axis.plus_pin, axis.minus_pin),
            notes=(f"as volts across {load.resistance_ohm:g} ohm",),
        )

    def _follows(self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Iterator[Observation]:
        held = hold_of(record, axis, switch)
        doubts = list(record.missing)
        drives = lets_go = 0
        driven_v = resting_v = float("nan")
        if held is not None:
            on_s, off_s = held.pressed_s + SETTLE_S, held.released_s + SETTLE_S
            end_s = held.released_s + PAUSE_S - 0.01
            output, bus = (
                record.mean(voltage_signal(axis.name), on_s, held.released_s),
                record.mean("unit.voltage", on_s, held.released_s),
            )
            doubts.extend((*output.doubts, *bus.doubts, *record.gap_doubts(off_s, end_s)))
            doubts.extend(line_doubts(record, held))
            doubts.extend(supply_doubts(record, setup, CONDITION, on_s, held.released_s))
            driven_v = output.value * switch.polarity
            drives = int(driven_v >= DRIVES_FROM * bus.value)
            resting = record.smoothed(voltage_signal(axis.name), off_s, end_s)
            resting_v = float(np.max(np.abs(resting))) if resting.size else float("nan")
            lets_go = int(resting_v <= MOTION_V)
        for what, title, statement, good, detail in (
            (
                "drives",
                "drives the right way",
                f"{'plus' if switch.polarity > 0 else 'minus'} pin positive, at least 90 % of the bus",
                drives,
                f"{driven_v:.2f} V in the right direction",
            ),
            (
                "lets-go",
                "lets go",
                f"idle {1000.0 * SETTLE_S:.0f} ms after release",
                lets_go,
                f"{resting_v:.2f} V left",
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
                doubts=tuple(dict.fromkeys(doubts)),
                captures=record.names,
                pins=(axis.plus_pin, axis.minus_pin, switch.pin),
            )


def _load(setup: Setup) -> str:
    return text(setup, "load", "1 kohm")


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + IDLE_S + len(axis.switches) * (HOLD_S + PAUSE_S)
