"""The twin of a model: structure from the unit and aircraft sheets, quantities drawn by the seed."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from bench.errors import UsageError
from bench.sheets.simulation_sheet import UnitDefect, UnitSimulation
from instruments.simulated.draw import apply_defect, draw_unit
from instruments.simulated.parameters import (
    AirspeedInput,
    BridgeOutput,
    DimmerOutput,
    DiscreteInput,
    HoldUpOutput,
    PlainOutput,
    RheostatInput,
    SwitchInput,
    TrimHabits,
    TwinParameters,
)
from test_plans.reported_settings import value_of
from test_plans.sheets import FIRMWARE_REPORT, AircraftSheet, Airspeed, DimmingKind, ReportKind, Sense, UnitSheet

UNUSED_BIT_RATE = 125_000  # of a line on which nobody talks


PRESENT = 0.5  # a fault that is there or not is there from this value on
NEVER_NEGATIVE = ("_hz", "_ohm", "_f", "_s", "_scans")


def _check_possible(defect: str, severity: float, name: str, value: float) -> None:
    """Refuse a severity that takes a quantity where none can be.

    Raises:
        UsageError: the value is negative, or a frequency is not above zero.
    """
    if name.endswith(NEVER_NEGATIVE) and (value < 0.0 or (name.endswith("_hz") and value == 0.0)):
        raise UsageError(
            f"--defect {defect}:{severity:g} takes {name} to {value:g}, which no unit can have. Give less severity."
        )


def drawn_unit(
    unit: UnitSheet,
    simulation: UnitSimulation,
    aircraft: AircraftSheet,
    seed: int,
    defects: Sequence[tuple[UnitDefect, float]],
) -> TwinParameters:
    """Return the twin of a model as the seed draws it, with defects as (defect, severity)."""
    quantities = draw_unit(seed, simulation.specs, simulation.derived)
    for defect, severity in defects:
        for name, deviation in defect.deviations.items():
            quantities = apply_defect(quantities, simulation.specs, name, deviation, severity)
            _check_possible(defect.id, severity, name, quantities[name])
    reports, rules = unit.bus.reports, unit.trim_rules
    reversed_axes = _reversed_axes(unit, aircraft, quantities)
    return TwinParameters(
        nominal_voltage_v=unit.nominal_voltage_v,
        power_pin=unit.power_pin,
        power_ground_pin=unit.power_ground_pin,
        signal_ground_pin=unit.signal_ground_pin,
        discretes=tuple(
            DiscreteInput(
                name=entry.name,
                pin=entry.pin,
                active_low=entry.sense is Sense.ACTIVE_LOW,
                report_identifier=reports[entry.report].identifier if entry.report else 0,
            )
            for entry in unit.discretes
        ),
        switches=_switches(unit),
        bridges=tuple(
            BridgeOutput(
                name=axis.name,
                plus_pin=axis.plus_pin,
                minus_pin=axis.minus_pin,
                reversed=axis.name in reversed_axes,
            )
            for axis in unit.trims
        ),
        rheostats=tuple(
            RheostatInput(
                name=entry.name,
                pin=entry.pin,
                full_travel_v=entry.full_travel_v,
                open_above_v=0.5 * (entry.full_travel_v + entry.open_voltage_v) if entry.open_voltage_v else math.inf,
            )
            for entry in unit.rheostats
        ),
        dimmers=tuple(
            DimmerOutput(
                name=entry.name,
                pin=entry.pin,
                pwm=entry.kind is DimmingKind.PWM,
                rheostat=aircraft.dimming_map[entry.name],
                off_below=entry.off_below,
                low_level=entry.low_level,
                high_level=entry.high_level,
            )
            for entry in unit.dimming
        ),
        outputs=tuple(
            PlainOutput(
                name=entry.name,
                plus_pin=entry.plus_pin,
                minus_pin=entry.minus_pin or unit.power_ground_pin,
            )
            for entry in unit.outputs
            if not entry.held_up
        ),
        hold_ups=tuple(
            HoldUpOutput(name=entry.name, plus_pin=entry.plus_pin) for entry in unit.outputs if entry.held_up
        ),
        pulled_up_pins=tuple(entry.pin for entry in unit.inputs),
        node=unit.bus.node,
        on_bus=bool(reports),
        reset_count_identifier=reports["reset-count"].identifier if reports else 0,
        configuration_identifier=reports["configuration"].identifier if reports else 0,
        configuration=aircraft.configuration,
        firmware_identifier=reports[FIRMWARE_REPORT].identifier if FIRMWARE_REPORT in reports else 0,
        settings=tuple(
            (reports[name].identifier, value_of(unit, name, aircraft, reversed_axes)) for name in aircraft.settings
        ),
        level_identifiers=tuple(entry.identifier for entry in reports.values() if entry.kind is ReportKind.LEVEL),
        report_period_s=unit.bus.report_period_s,
        bit_rate=unit.bus.bit_rate or UNUSED_BIT_RATE,
        airspeed=_airspeed(unit.airspeed) if unit.airspeed is not None else AirspeedInput(),
        full_trim_airspeed_kt=unit.full_trim_airspeed_kt,
        slow_trim_airspeed_kt=rules.slow_airspeed_kt if rules else math.inf,
        slow_trim_duty=rules.slow_duty if rules else 1.0,
        trim_pwm_hz=rules.pwm_hz if rules else 0.0,
        trim_habits=TrimHabits(
            resumes_after_hand_over=rules.resumes_after_hand_over,
            opposite_works_while_stuck=rules.opposite_works_while_stuck,
            other_seat_works_while_stuck=rules.other_seat_works_while_stuck,
        )
        if rules
        else TrimHabits(),
        quantities=quantities,
    )


def _reversed_axes(unit: UnitSheet, aircraft: AircraftSheet, quantities: Mapping[str, float]) -> frozenset[str]:
    """Return the axes set to drive the other way round: the aircraft's, but for what was set wrongly."""
    wrongly = {axis.name for axis in unit.trims if quantities.get(f"{axis.name}.set_wrongly", 0.0) >= PRESENT}
    return frozenset(wrongly.symmetric_difference(aircraft.reversed_axes))


def _airspeed(airspeed: Airspeed) -> AirspeedInput:
    common = AirspeedInput(
        route=airspeed.route.value,
        lost_s=airspeed.lost_s,
        frozen_s=airspeed.frozen_s,
        lowest_kt=airspeed.lowest_kt,
        highest_kt=airspeed.highest_kt,
        identifier=airspeed.identifier,
        pin=airspeed.pin,
    )
    text, analogue, switch = airspeed.text, airspeed.analogue, airspeed.switch
    if text is not None:
        return replace(
            common,
            bit_rate=text.bit_rate,
            sentence=text.sentence,
            speed_unit=text.speed_unit,
            converts_units=text.converts_units,
        )
    if analogue is not None:
        return replace(
            common,
            low_kt=analogue.low_kt,
            low_v=analogue.low_v,
            high_kt=analogue.high_kt,
            high_v=analogue.high_v,
            lost_below_v=-math.inf if analogue.lost_below_v is None else analogue.lost_below_v,
            pull_v=analogue.pull_voltage_v,
            pull_ohm=analogue.pull_resistance_ohm,
        )
    return common if switch is None else replace(common, closed_when_fast=switch.closed_when_fast)


def _switches(unit: UnitSheet) -> tuple[SwitchInput, ...]:
    """Return the trim switches; the seat that comes first in the unit sheet has priority."""
    switches: list[SwitchInput] = []
    for axis in unit.trims:
        seats = list(dict.fromkeys(switch.seat for switch in axis.switches))
        switches += [
            SwitchInput(
                name=switch.name,
                pin=switch.pin,
                axis=axis.name,
                rank=seats.index(switch.seat),
                direction=switch.polarity,
            )
            for switch in axis.switches
        ]
    return tuple(switches)
