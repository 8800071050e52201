"""The twin of a model: structure from the unit and aircraft sheets, quantities drawn by the seed."""

from collections.abc import Sequence

from bench.sheets.simulation_sheet import UnitDefect, UnitSimulation
from instruments.simulated.draw import apply_defect, draw_unit
from instruments.simulated.parameters import (
    BridgeOutput,
    DimmerOutput,
    DiscreteInput,
    PlainOutput,
    RheostatInput,
    SwitchInput,
    TwinParameters,
)
from test_plans.sheets import AircraftSheet, DimmingKind, ReportKind, Sense, UnitSheet


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
    reports = unit.bus.reports
    return TwinParameters(
        power_pin=unit.power_pin,
        power_ground_pin=unit.power_ground_pin,
        signal_ground_pin=unit.signal_ground_pin,
        discretes=tuple(
            DiscreteInput(
                name=entry.name,
                pin=entry.pin,
                active_low=entry.sense is Sense.ACTIVE_LOW,
                report_identifier=reports[entry.report].identifier,
            )
            for entry in unit.discretes
        ),
        switches=_switches(unit),
        bridges=tuple(
            BridgeOutput(name=axis.name, plus_pin=axis.plus_pin, minus_pin=axis.minus_pin) for axis in unit.trims
        ),
        rheostats=tuple(
            RheostatInput(name=entry.name, pin=entry.pin, full_travel_v=entry.full_travel_v) for entry in unit.rheostats
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
                level_v=simulation.output_levels_v.get(entry.name, 0.0),
            )
            for entry in unit.outputs
        ),
        pulled_up_pins=tuple(entry.pin for entry in unit.inputs),
        node=unit.bus.node,
        reset_count_identifier=reports["reset-count"].identifier,
        configuration_identifier=reports["configuration"].identifier,
        configuration=aircraft.configuration,
        level_identifiers=tuple(entry.identifier for entry in reports.values() if entry.kind is ReportKind.LEVEL),
        report_period_s=unit.bus.report_period_s,
        bit_rate=unit.bus.bit_rate,
        airspeed_identifier=unit.bus.airspeed_identifier,
        airspeed_lost_s=unit.bus.airspeed_lost_s,
        full_trim_airspeed_kt=unit.full_trim_airspeed_kt,
        slow_trim_airspeed_kt=simulation.slow_trim_airspeed_kt,
        slow_trim_duty=simulation.slow_trim_duty,
        trim_pwm_hz=simulation.trim_pwm_hz,
        quantities=quantities,
    )


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
