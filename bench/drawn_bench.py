"""The simulated bench: structure from its sheet, true errors drawn by the seed inside the stated bounds."""

import math
from collections.abc import Mapping
from dataclasses import replace

from bench.sheets.bench_file import FEED_DEFECTS, LOAD_DEFECTS, MOTOR_DEFECTS, TEXT_DEFECTS
from bench.sheets.bench_sheet import BenchSheet, SignalWiring, SupplySheet
from bench.sheets.signals import RECEIVE_LINE
from bench.sheets.simulation_sheet import BenchDefect, BenchSimulation
from bench.spoilt_feed import HARD_SEVERITY, spoilt_feed
from instruments.simulated.draw import keyed_uniform
from instruments.simulated.parameters import (
    AnalogInputParameters,
    AnalogOutputParameters,
    BenchParameters,
    DaqParameters,
    DigitalInputParameters,
    DigitalOutputParameters,
    ElectronicLoadParameters,
    MotorParameters,
    PathParameters,
    Probe,
    SupplyParameters,
    TextLineParameters,
)
from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED, AIRSPEED_TEXT

LEAST_RATE_FACTOR = 0.01  # a line that stands still sends nothing, which is another defect


class _Errors:
    """True errors of one simulated bench, each drawn evenly within its part of a stated bound."""

    def __init__(self, seed: int, part: float) -> None:
        self._seed = seed
        self._part = part

    def within(self, bound: float, *what: str) -> float:
        reach = self._part * bound
        return keyed_uniform(-reach, reach, self._seed, "bench", *what)


def drawn_bench(unit: UnitSheet, sheet: BenchSheet, simulation: BenchSimulation, seed: int) -> BenchParameters:
    """Return a simulated bench whose true errors the seed draws inside the bounds of its sheet."""
    errors = _Errors(seed, simulation.error_part)
    return BenchParameters(
        supply=_supply(sheet.supply, "supply", simulation, errors),
        dip_source=None if sheet.dip_source is None else _supply(sheet.dip_source, "dip source", simulation, errors),
        path=PathParameters(
            positive_ohm=sheet.lead_positive_ohm,
            negative_ohm=sheet.lead_negative_ohm,
            series_ohm={
                name: ohm * (1.0 + errors.within(sheet.facts.path_resistance_bound.get(name, 0.0), "path", name))
                for name, ohm in sheet.path_resistance_ohm.items()
            },
            bleed_ohm=sheet.bleed_ohm,
            break_s=keyed_uniform(0.5, 1.0, seed, "bench", "bus switch") * sheet.switch_break_s,
        ),
        daq=DaqParameters(
            inputs={wire.channel: _input(wire, errors) for wire in sheet.signals.values()},
            outputs={
                output: AnalogOutputParameters(
                    pin=sheet.stimulus_pins[name],
                    series_ohm=sheet.stimulus_resistance_ohm
                    * (1.0 + errors.within(sheet.stimulus_resistance_bound, "stimulus resistance", name)),
                    gain_error=errors.within(sheet.daq.output_relative_bound, "stimulus gain", name),
                    offset_v=errors.within(sheet.daq.output_absolute_bound_v, "stimulus offset", name),
                )
                for name, output in sheet.stimuli.items()
            },
            digital_outputs=_digital_outputs(sheet, _switch_pins(unit)),
            digital_inputs={
                line: DigitalInputParameters(source="bus")
                if name == RECEIVE_LINE
                else DigitalInputParameters(source="text")
                if name == AIRSPEED_TEXT
                else DigitalInputParameters(source="pin", target=_switch_pins(unit)[name])
                for name, line in sheet.lines.items()
            },
            noise_v=sheet.daq.noise_v,
            clock_error=errors.within(sheet.daq.clock_bound, "sample clock"),
            watchdog_s=sheet.daq.watchdog_s,
            max_total_rate_hz=sheet.daq.max_total_rate_hz,
            max_rate_hz=sheet.daq.max_rate_hz,
            reference_v=sheet.reference_v + errors.within(sheet.reference_bound_v, "reference"),
        ),
        loads_ohm=_loads(sheet, errors),
        feeds_ohm={
            sheet.stimulus_pins[feed.output]: feed.resistance_ohm
            * (1.0 + errors.within(feed.relative_bound, "feed", feed.output))
            for feed in sheet.loads
            if feed.to_bus
        },
        motors=_motors(sheet, errors),
        loads_to_reference=frozenset((load.output, load.position) for load in sheet.loads if load.to_reference),
        loads_to_dip_source=frozenset((load.output, load.position) for load in sheet.loads if load.to_dip_source),
        electronic_load=_electronic_load(sheet, errors),
        host_latency_s=simulation.host_latency_s,
    )


def _supply(supply: SupplySheet, name: str, simulation: BenchSimulation, errors: _Errors) -> SupplyParameters:
    return SupplyParameters(
        max_voltage_v=supply.max_voltage_v,
        max_current_a=supply.max_current_a,
        sink_current_a=supply.sink_current_a,
        slew_up_v_per_s=supply.slew_up_v_per_s,
        slew_down_v_per_s=supply.slew_down_v_per_s,
        source_resistance_ohm=simulation.source_resistance_ohm,
        set_gain_error=errors.within(supply.set_relative_bound, f"{name} set gain"),
        set_offset_v=errors.within(supply.set_absolute_bound_v, f"{name} set offset"),
        voltage_reading_gain_error=errors.within(supply.set_relative_bound, f"{name} voltage gain"),
        voltage_reading_offset_v=errors.within(supply.set_absolute_bound_v, f"{name} voltage offset"),
        current_reading_gain_error=errors.within(supply.current_relative_bound, f"{name} current gain"),
        current_reading_offset_a=errors.within(supply.current_absolute_bound_a, f"{name} current offset"),
    )


def _electronic_load(sheet: BenchSheet, errors: _Errors) -> ElectronicLoadParameters | None:
    load = sheet.electronic_load
    if load is None:
        return None
    return ElectronicLoadParameters(
        max_current_a=load.max_current_a,
        max_power_w=load.max_power_w,
        least_ohm=load.least_resistance_ohm,
        slew_a_per_s=load.slew_a_per_s,
        current_gain_error=errors.within(load.current_relative_bound, "load current gain"),
        current_offset_a=errors.within(load.current_absolute_bound_a, "load current offset"),
        voltage_reading_gain_error=errors.within(load.voltage_relative_bound, "load voltage reading gain"),
        voltage_reading_offset_v=errors.within(load.voltage_absolute_bound_v, "load voltage reading offset"),
        current_reading_gain_error=errors.within(load.current_relative_bound, "load current reading gain"),
        current_reading_offset_a=errors.within(load.current_absolute_bound_a, "load current reading offset"),
    )


def _input(wire: SignalWiring, errors: _Errors) -> AnalogInputParameters:
    return AnalogInputParameters(
        probe=Probe(kind=wire.kind, plus=wire.plus, minus=wire.minus),
        volts_per_unit=1.0 / wire.units_per_v,
        gain_error=errors.within(wire.relative_bound, "gain", wire.name),
        offset_units=errors.within(wire.absolute_bound, "offset", wire.name),
    )


def _digital_outputs(sheet: BenchSheet, pins: Mapping[str, str]) -> dict[int, DigitalOutputParameters]:
    outputs = {sheet.arm_output: DigitalOutputParameters(action="arm")}
    for name, output in sheet.switches.items():
        outputs[output] = DigitalOutputParameters(action="press", target=pins[name])
    for position, output in sheet.paths.items():
        outputs[output] = DigitalOutputParameters(action="path", target=position)
    for name, output in sheet.load_outputs.items():
        outputs[output] = DigitalOutputParameters(action="draw", target=name)
    if sheet.electronic_load is not None and sheet.electronic_load.reverse_output is not None:
        outputs[sheet.electronic_load.reverse_output] = DigitalOutputParameters(action="reverse")
    for load in sheet.loads:
        if load.brake_output is not None:
            outputs[load.brake_output] = DigitalOutputParameters(action="brake", target=load.output)
        if load.to_bus:
            pin = sheet.stimulus_pins[load.output]
            outputs[load.digital_output] = DigitalOutputParameters(action="feed", target=pin)
            continue
        outputs[load.digital_output] = DigitalOutputParameters(
            action="load", target=load.output, position=load.position
        )
    return outputs


def _switch_pins(unit: UnitSheet) -> dict[str, str]:
    pins = {switch.name: switch.pin for axis in unit.trims for switch in axis.switches}
    if unit.airspeed is not None:
        pins[AIRSPEED] = unit.airspeed.pin
    return pins | {entry.name: entry.pin for entry in unit.inputs}


def _loads(sheet: BenchSheet, errors: _Errors) -> dict[str, dict[str, float]]:
    loads: dict[str, dict[str, float]] = {}
    for load in sheet.loads:
        if load.to_bus or load.motor is not None:
            continue
        error = errors.within(load.relative_bound, "load", load.output, load.position)
        loads.setdefault(load.output, {})[load.position] = load.resistance_ohm * (1.0 + error)
    return loads


def _motors(sheet: BenchSheet, errors: _Errors) -> dict[tuple[str, str], MotorParameters]:
    motors: dict[tuple[str, str], MotorParameters] = {}
    for load in sheet.loads:
        if load.motor is None:
            continue
        facts = load.motor.facts

        def true(value: float, what: str, where: str = load.output, bound: float = facts.relative_bound) -> float:
            return value * (1.0 + errors.within(bound, "motor", where, what))

        motors[load.output, load.position] = MotorParameters(
            resistance_ohm=true(facts.resistance_ohm, "resistance"),
            inductance_h=true(facts.inductance_h, "inductance"),
            constant_v_s=true(facts.constant_v_s, "constant"),
            inertia_kg_m2=true(facts.inertia_kg_m2, "inertia"),
            friction_n_m_s=load.motor.friction_n_m_s,
            travel_rad=load.motor.travel_rad,
        )
    return motors


def spoilt(bench: BenchParameters, sheet: BenchSheet, defect: BenchDefect, severity: float) -> BenchParameters:
    """Return the bench with one defect of its catalogue."""
    if defect.kind in {"supply-limit", "sense-open", "sense-at-supply"}:
        return replace(bench, supply=_spoilt_supply(bench.supply, defect, severity))
    if defect.kind in FEED_DEFECTS:
        return spoilt_feed(bench, sheet, defect, severity)
    if defect.kind in TEXT_DEFECTS:
        return replace(bench, text_line=_spoilt_text_line(bench.text_line, defect, severity))
    if defect.kind in {"stimulus-dead", "channel-clipped", "frames-lost"}:
        return replace(bench, daq=_spoilt_daq(bench.daq, sheet, defect, severity))
    if defect.kind in MOTOR_DEFECTS:
        motors = {
            (output, position): _spoilt_motor(motor, defect, severity) if output == defect.target else motor
            for (output, position), motor in bench.motors.items()
        }
        return replace(bench, motors=motors)
    if defect.kind in LOAD_DEFECTS:
        return _spoilt_load(bench, sheet, defect, severity)
    raise ValueError(f"defect {defect.id}: no such kind of bench defect {defect.kind!r}")


def _spoilt_daq(daq: DaqParameters, sheet: BenchSheet, defect: BenchDefect, severity: float) -> DaqParameters:
    if defect.kind == "frames-lost":
        return replace(daq, lost_frame_fraction=min(1.0, severity * defect.value))
    if defect.kind == "stimulus-dead":
        output = sheet.stimuli[defect.target]
        dead = replace(daq.outputs[output], dead=severity >= HARD_SEVERITY)
        return replace(daq, outputs={**daq.outputs, output: dead})
    channel = sheet.signals[defect.target].channel
    clipped = replace(daq.inputs[channel], clip_fraction=max(0.0, 1.0 - severity * (1.0 - defect.value)))
    return replace(daq, inputs={**daq.inputs, channel: clipped})


def _spoilt_motor(motor: MotorParameters, defect: BenchDefect, severity: float) -> MotorParameters:
    if defect.kind == "motor-resistance":
        return replace(motor, resistance_ohm=motor.resistance_ohm * (1.0 + severity * (defect.value - 1.0)))
    hard = severity >= HARD_SEVERITY
    return replace(motor, seized=hard) if defect.kind == "motor-seized" else replace(motor, connected=not hard)


def _spoilt_supply(supply: SupplyParameters, defect: BenchDefect, severity: float) -> SupplyParameters:
    if defect.kind in {"sense-open", "sense-at-supply"}:  # either way it regulates at its own terminals
        return replace(supply, sense_open=severity >= HARD_SEVERITY)
    return replace(supply, current_limit_cap_a=defect.value / severity if severity > 0.0 else math.inf)


def _spoilt_load(bench: BenchParameters, sheet: BenchSheet, defect: BenchDefect, severity: float) -> BenchParameters:
    """Return the bench with a wire of its electronic load open, or the load dead.

    Or it draws too much by a part, while its own meter shows what was set.
    """
    load, daq, hard = bench.electronic_load, bench.daq, severity >= HARD_SEVERITY
    if load is None:
        return bench
    if defect.kind == "load-wire-open":
        output = sheet.load_outputs[defect.target]
        relays = {**daq.digital_outputs, output: replace(daq.digital_outputs[output], dead=hard)}
        return replace(bench, daq=replace(daq, digital_outputs=relays))
    if defect.kind == "load-dead":
        return replace(bench, electronic_load=replace(load, dead=hard))
    if defect.kind == "load-weak":
        return replace(bench, electronic_load=replace(load, least_ohm=load.least_ohm + severity * defect.value))
    if defect.kind == "load-oscillates":
        return replace(bench, electronic_load=replace(load, swings_by=min(1.0, severity * defect.value)))
    too_much = severity * defect.value
    drawn = (1.0 + load.current_gain_error) * (1.0 + too_much) - 1.0
    shown = (1.0 + load.current_reading_gain_error) / (1.0 + too_much) - 1.0
    return replace(bench, electronic_load=replace(load, current_gain_error=drawn, current_reading_gain_error=shown))


def _spoilt_text_line(line: TextLineParameters, defect: BenchDefect, severity: float) -> TextLineParameters:
    if defect.kind == "text-dead":
        return replace(line, dead=severity >= HARD_SEVERITY)
    return replace(line, rate_factor=max(LEAST_RATE_FACTOR, 1.0 - severity * (1.0 - defect.value)))
