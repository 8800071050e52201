"""Hold-up output in the steady state: what it holds, lightly and fully loaded, along the bus, and what that costs.

Efficiency is the output's power over what the input takes for it: input power less what the unit takes at the same
bus voltage with the output empty.
"""

import math
from collections.abc import Iterable
from itertools import pairwise

from analysis.measurement import Curve, Doubt, Measurement, Result
from analysis.uncertainty import Estimate, difference, product, ratio, scaled
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import required_limit
from test_plans.driving import POWER_UP_RATE_V_PER_S, bring_up
from test_plans.expected import reading, typical
from test_plans.hold_up import (
    CONDITION,
    CURRENT,
    full_load,
    held_output,
    hold_up_capture,
    hold_up_needs,
    light_load,
    limit_a,
    lines_of,
    load_doubts,
    output_power,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import current_signal, voltage_signal

RATE_HZ = 5000.0
SETTLE_S = 0.1
READ_S = 0.2
ABOVE_DROP_OUT_V = 0.4
BETWEEN_V = 8.0  # where a bus stands while an engine is cranked
EMPTY, LIGHT, FULL = "empty", "light", "full"
LOADS = (EMPTY, LIGHT, FULL)
WORDS = {EMPTY: "empty", LIGHT: "lightly loaded", FULL: "at its rated current"}
EFFICIENCY = "hold-up-efficiency"
VOLTAGE, REGULATION = "hold-up-voltage", "hold-up-load-regulation"


class HoldUpRegulation:
    """Set point, regulation along bus and load, efficiency."""

    name = "hold-up-regulation"
    title = "Hold-up output: voltage along bus and load, efficiency"
    conditions = ("current_limit_a",)
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture for each bus voltage, with three loads in it."""
        output, volts = held_output(setup), _levels_v(setup)
        travel_v = sum(abs(b - a) for a, b in pairwise((setup.unit.nominal_voltage_v, *volts)))
        lowest_v = min(volts)
        return hold_up_needs(
            setup,
            tuple(
                hold_up_capture(setup, _capture(bus_v), rate_hz=RATE_HZ, duration_s=_duration_s(), bus_v=bus_v)
                for bus_v in volts
            ),
            limits=(
                (VOLTAGE, reading(setup, voltage_signal(output.name), output.held_v).standard_uncertainty),
                (EFFICIENCY, _expected_efficiency(setup, max(volts), lowest_v)),
                *_regulation_limit(setup),
            ),
            highest_v=max(volts),
            light=True,
            apart_s=3.0 + 2.0 * travel_v / POWER_UP_RATE_V_PER_S,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """At each bus voltage, from high to low: empty, lightly loaded, fully loaded."""
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        positions = {EMPTY: "open", LIGHT: light_load(setup), FULL: full_load(setup)}
        for bus_v in _levels_v(setup):
            rig.ramp_supply(bus_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
            with rig.capture(
                _capture(bus_v), signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)
            ) as session:
                for place, load in enumerate(LOADS):
                    session.wait_until(_begin_s(place))
                    put_load(rig, setup, positions[load])
                session.wait_until(_duration_s())
            put_load(rig, setup, "open")
        rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the output's voltage at every bus voltage and load, the efficiency at full load, and both as curves."""
        output = held_output(setup)
        levels: dict[str, list[tuple[float, float]]] = {load: [] for load in LOADS}
        efficiencies: list[tuple[float, float]] = []
        for bus_v in _levels_v(setup):
            record = Record(evidence, _capture(bus_v))
            for place, load in enumerate(LOADS):
                found = _voltage(record, setup, place, load, bus_v)
                levels[load].append((bus_v, found.value))
                yield found
            if REGULATION in setup.unit.limits:
                yield _regulation(record, setup, bus_v)
            efficiency = _efficiency(record, setup)
            efficiencies.append((bus_v, efficiency.value))
            yield efficiency.measurement(
                id=f"{output.name}.efficiency-at-{_at(bus_v)}",
                limit=EFFICIENCY,
                title=f"{output.title} at its rated current, {bus_v:g} V on the bus: efficiency",
                function=output.function,
                quantity_unit="%",
                pins=(output.plus_pin,),
                notes=("output power over input power, less what the unit takes with the output empty",),
            )
        yield _curve(setup, "voltage", "Hold-up output along the bus", "output, V", levels)
        yield _curve(
            setup, "efficiency", "Hold-up output: efficiency along the bus", "efficiency, %", {FULL: efficiencies}
        )


def _voltage(record: Record, setup: Setup, place: int, load: str, bus_v: float) -> Measurement:
    output = held_output(setup)
    span = _span_s(place)
    doubts = supply_doubts(record, setup, CONDITION, *span)
    if load == FULL:
        doubts = (*doubts, *load_doubts(record, setup, _begin_s(place), span[1]))
    return doubted(record.mean(voltage_signal(output.name), *span), *doubts).measurement(
        id=f"{output.name}.voltage-at-{_at(bus_v)}-{load}",
        limit=VOLTAGE,
        title=f"{output.title} {WORDS[load]}, {bus_v:g} V on the bus",
        function=output.function,
        quantity_unit="V",
        pins=(output.plus_pin,),
    )


def _regulation(record: Record, setup: Setup, bus_v: float) -> Measurement:
    """Return how far the output sags from the light load to the full one."""
    output = held_output(setup)
    light, full = _span_s(LOADS.index(LIGHT)), _span_s(LOADS.index(FULL))
    signal = voltage_signal(output.name)
    doubts: list[Doubt] = []
    for span in (light, full):
        doubts += supply_doubts(record, setup, CONDITION, *span)
    doubts += load_doubts(record, setup, _begin_s(LOADS.index(FULL)), full[1])
    return doubted(difference(record.mean(signal, *light), record.mean(signal, *full)), *doubts).measurement(
        id=f"{output.name}.load-regulation-at-{_at(bus_v)}",
        limit=REGULATION,
        title=f"{output.title}, {bus_v:g} V on the bus: sags from a light load to the full one by",
        function=output.function,
        quantity_unit="V",
        pins=(output.plus_pin,),
    )


def _regulation_limit(setup: Setup) -> tuple[tuple[str, float], ...]:
    if REGULATION not in setup.unit.limits:
        return ()
    signal, held_v = voltage_signal(held_output(setup).name), held_output(setup).held_v
    light = reading(setup, signal, held_v, when="light")
    full = reading(setup, signal, held_v - typical(setup, REGULATION), when="full")
    # A mean's noise is that of the output's own ripple, a sine of so much from peak to peak.
    ripple_v = typical(setup, "hold-up-ripple") / math.sqrt(8.0 * READ_S * RATE_HZ)
    return ((REGULATION, math.hypot(difference(light, full).standard_uncertainty, math.sqrt(2.0) * ripple_v)),)


def _efficiency(record: Record, setup: Setup) -> Estimate:
    empty, full = _span_s(LOADS.index(EMPTY)), _span_s(LOADS.index(FULL))
    added = difference(_input_power(record, full), _input_power(record, empty))
    doubts: list[Doubt] = []
    for span in (empty, full):
        doubts += supply_doubts(record, setup, CONDITION, *span)
    doubts += load_doubts(record, setup, _begin_s(LOADS.index(FULL)), full[1])
    return doubted(scaled(ratio(output_power(record, setup, *full), added), 100.0), *doubts)


def _input_power(record: Record, span: tuple[float, float]) -> Estimate:
    return product(record.mean("unit.voltage", *span), record.mean(CURRENT, *span))


def _expected_efficiency(setup: Setup, highest_v: float, lowest_v: float) -> float:
    """Return the larger uncertainty of both ends of the bus, per cent."""
    output = held_output(setup)
    efficiency = typical(setup, EFFICIENCY) / 100.0
    worst = 0.0
    for bus_v in (highest_v, lowest_v):
        power_w = output.held_v * output.rated_current_a / efficiency if efficiency else 0.0
        idle_a = setup.unit.conforming_current_a.get("unloaded", 0.0)
        bus = reading(setup, "unit.voltage", bus_v)
        full = product(bus, reading(setup, CURRENT, power_w / bus_v + idle_a))
        empty = product(bus, reading(setup, CURRENT, idle_a))
        held = product(
            reading(setup, voltage_signal(output.name), output.held_v),
            reading(setup, current_signal(output.name), output.rated_current_a),
        )
        worst = max(worst, 100.0 * ratio(held, difference(full, empty)).standard_uncertainty)
    return worst


def _levels_v(setup: Setup) -> tuple[float, ...]:
    """Return the bus voltages, from the highest the unit works at to just above where the output may drop out."""
    unit = setup.unit
    lowest_v = required_limit(setup, "hold-up-drop-out").high + ABOVE_DROP_OUT_V
    return (unit.highest_voltage_v, unit.nominal_voltage_v, unit.lowest_voltage_v, BETWEEN_V, lowest_v)


def _curve(setup: Setup, what: str, title: str, label: str, points: dict[str, list[tuple[float, float]]]) -> Curve:
    output = held_output(setup)
    return Curve(
        id=f"{output.name}.{what}",
        title=title,
        function=output.function,
        x_label="bus, V",
        y_label=label,
        series={
            WORDS[load]: (tuple(bus_v for bus_v, _ in sorted(pairs)), tuple(value for _, value in sorted(pairs)))
            for load, pairs in points.items()
            if all(math.isfinite(value) for _, value in pairs)
        },
    )


def _capture(bus_v: float) -> str:
    return f"at-{_at(bus_v)}"


def _at(bus_v: float) -> str:
    return f"{bus_v:g}-v"


def _begin_s(place: int) -> float:
    return place * (SETTLE_S + READ_S)


def _span_s(place: int) -> tuple[float, float]:
    return _begin_s(place) + SETTLE_S, _begin_s(place + 1)


def _duration_s() -> float:
    return _begin_s(len(LOADS)) + 0.05
