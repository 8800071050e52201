"""Trim outputs at the lowest and the highest bus voltage: drop and latency against the nominal bus.

Drops are compared at the rated current: each is scaled by rated over measured current, as a resistor load draws less
from a lower bus.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from analysis.measurement import Doubt, Measurement, Result
from analysis.uncertainty import Estimate, difference, exact, product, ratio
from analysis.verdict import Cause
from test_plans.conditions import RESERVE, conforming_a, count, number
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.expected import reading, through, typical, worst
from test_plans.model_gaps import without_trim
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Rig
from test_plans.sampled_time import interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.trim_bench import axis_capture, axis_functions, load_name, trim_needs
from test_plans.trim_drive import (
    SETTLE_S,
    drives_of,
    first_drive,
    press_doubts,
    presses_of,
    sample_doubts,
    time_measurement,
)
from test_plans.trim_loaded import CONDITION
from test_plans.trim_switches import drop_of, seat_words, switch_id
from test_plans.trim_timed import duration_s, expected_time, take

PRESSES = 3
HOLD_S = 0.3
SPACING_S = 0.5003  # a little further in the unit's scan with every press
SUPPLY_SETTLE_S = 0.3
LATENCY_WITHIN_S = 0.25


class TrimBusVoltage:
    """Drop and latency of every switch at three bus voltages."""

    name = "trim-bus-voltage"
    title = "Trim outputs: dependence on the bus voltage"
    conditions = ("current_limit_a", "load", "axes", "trials")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per axis and voltage."""
        axes = axes_under_test(setup)
        highest_v = setup.unit.highest_voltage_v
        captures = tuple(
            axis_capture(setup, axis, volts, _name(axis, what), duration_s(_schedule(setup, axis)))
            for what, volts in _voltages(setup)
            for axis in axes
        )
        needs = trim_needs(
            setup,
            captures,
            volts=highest_v,
            condition=CONDITION,
            limit_a=_limit_a(setup),
            load=load_name(setup),
            limits=(
                ("trim-drop-by-bus", _expected_change(setup)),
                ("trim-latency", expected_time(setup, "trim-latency")),
            ),
        )
        return replace(
            needs,
            bench_time_s=needs.bench_time_s + len(_voltages(setup)) * SUPPLY_SETTLE_S,
            supply_current_a=needs.supply_current_a * _rise(setup),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Press every switch at each voltage; the bus ends where it began."""
        limit_a = _limit_a(setup)
        nominal_v = setup.unit.nominal_voltage_v
        bring_up(rig, setup, voltage_v=nominal_v, current_limit_a=limit_a)
        for what, volts in _voltages(setup):
            rig.set_supply(volts, limit_a)
            rig.wait(SUPPLY_SETTLE_S)
            for axis in axes_under_test(setup):
                apply_loads(rig, [(axis.name, load_name(setup))])
                take(rig, setup, axis, _name(axis, what), _schedule(setup, axis))
                drop_loads(rig, [axis.name])
        rig.set_supply(nominal_v, limit_a)
        rig.wait(SUPPLY_SETTLE_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each switch the change of its drop and its latencies at the lowest and the highest voltage."""
        (nominal, _), *others = _voltages(setup)
        for axis in axes_under_test(setup):
            usual = Record(evidence, _name(axis, nominal))
            for what, volts in others:
                record = Record(evidence, _name(axis, what))
                for switch in axis.switches:
                    change = difference(
                        _scaled_drop(record, setup, axis, switch), _scaled_drop(usual, setup, axis, switch)
                    )
                    yield change.measurement(
                        id=switch_id(switch, f"drop-change-{what}"),
                        limit="trim-drop-by-bus",
                        title=f"{axis.title} {seat_words(switch)}: drop at {volts:g} V less drop at nominal bus",
                        function=axis.function,
                        quantity_unit="V",
                        pins=(axis.plus_pin, axis.minus_pin),
                        notes=(f"both scaled to {axis.rated_current_a:g} A",),
                    )
                    yield from _latencies(record, setup, (axis, switch), what, volts)


def _rise(setup: Setup) -> float:
    """Return by how much a resistor draws more from the highest bus than from the nominal one."""
    return setup.unit.highest_voltage_v / setup.unit.nominal_voltage_v


def _limit_a(setup: Setup) -> float:
    """Return the supply's current limit: what the step says, else enough for a conforming unit on the highest bus."""
    return number(setup, "current_limit_a", round(RESERVE * conforming_a(setup, CONDITION) * _rise(setup), 3))


def _scaled_drop(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Estimate:
    """Return the drop at rated current, from the first press of a switch."""
    presses = presses_of(record, switch)
    doubts = [*sample_doubts(record, setup, axis, CONDITION), *press_doubts(record, switch, presses)]
    if not presses:
        return nothing(*doubts)
    window = (presses[0].closed_s + SETTLE_S, presses[0].opened_s)
    drop, current = drop_of(record, axis, *window), magnitude(record.mean(f"{axis.name}.current", *window))
    if not current.value > 0.5 * axis.rated_current_a * setup.unit.lowest_voltage_v / setup.unit.nominal_voltage_v:
        if not doubts:
            reason = f"{axis.title} {seat_words(switch)}: {current.value:.3f} A through its load while held"
            doubts.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="see trim-light and trim-loaded"))
        return nothing(*doubts)
    return doubted(at_rated(drop, current, axis), *doubts)


def at_rated(drop: Estimate, current: Estimate, axis: TrimAxis) -> Estimate:
    """Return a drop at a current as it is at rated current, the bridge being a resistor."""
    return ratio(product(drop, exact(axis.rated_current_a)), current)


def _expected_change(setup: Setup) -> float:
    """Return the uncertainty of a drop at the ends of the bus less that at nominal, both scaled to rated current."""
    (_, nominal_v), *others = _voltages(setup)
    return worst(
        *(
            difference(_expected_drop(setup, axis, volts), _expected_drop(setup, axis, nominal_v))
            for axis in axes_under_test(setup)
            for _, volts in others
        )
    )


def _expected_drop(setup: Setup, axis: TrimAxis, volts: float) -> Estimate:
    current_a = through(setup, axis.name, load_name(setup), volts)
    if not current_a:
        return exact(0.0)  # said already: the bench has no such load
    drop_v = typical(setup, "trim-drop") * volts / setup.unit.nominal_voltage_v
    output = reading(setup, voltage_signal(axis.name), volts - drop_v)
    drop = difference(reading(setup, "unit.voltage", volts), output)
    return at_rated(drop, reading(setup, f"{axis.name}.current", current_a), axis)


def _latencies(
    record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], what: str, volts: float
) -> Iterator[Measurement]:
    axis, switch = place
    presses = presses_of(record, switch)
    drives = drives_of(record, axis)
    doubts = [*sample_doubts(record, setup, axis, CONDITION), *press_doubts(record, switch, presses)]
    pairs = [
        (press, first_drive(drives, switch.polarity, press.closed_s, press.closed_s + LATENCY_WITHIN_S))
        for press in presses
    ]
    unanswered = sum(drive is None for _, drive in pairs)
    if unanswered and not doubts:
        doubts.append(Doubt(reason=f"{unanswered} presses drove nothing the right way", cause=Cause.UNIT))
    for way, times_s in (
        ("on", [drive.start_s - press.closed_s for press, drive in pairs if drive is not None]),
        ("off", [drive.end_s - press.opened_s for press, drive in pairs if drive is not None]),
    ):
        worst_s = max(times_s, default=math.nan)
        yield time_measurement(
            doubted(interval_in(record, worst_s) if times_s else nothing(), *doubts),
            axis,
            id_=switch_id(switch, f"latency-{way}-{what}"),
            limit="trim-latency",
            title=f"{seat_words(switch)}: latency {way} at {volts:g} V",
            trials=len(times_s),
        )


def _voltages(setup: Setup) -> tuple[tuple[str, float], ...]:
    unit = setup.unit
    return (
        ("nominal", unit.nominal_voltage_v),
        ("lowest", unit.lowest_voltage_v),
        ("highest", unit.highest_voltage_v),
    )


def _schedule(setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
    n = count(setup, "trials", PRESSES)
    instants = [LEAD_S + place * SPACING_S for place in range(n * len(axis.switches))]
    return tuple(
        Touch(switch=axis.switches[place // n].name, closed_s=at_s, opened_s=at_s + HOLD_S)
        for place, at_s in enumerate(instants)
    )


def _name(axis: TrimAxis, what: str) -> str:
    return f"{axis.name}.{what}"
