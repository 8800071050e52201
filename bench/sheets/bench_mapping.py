"""From a checked bench file to the `BenchSheet` of one model, and to the bench's catalogue of defects."""

import math

from bench.sheets.bench_check import motor_outputs, sources
from bench.sheets.bench_file import (
    AdapterTable,
    BenchDefectTable,
    BenchFile,
    LoadTable,
    MotorTable,
    SignalTable,
    SupplyTable,
)
from bench.sheets.bench_sheet import (
    BenchSheet,
    BusSheet,
    DaqSheet,
    ElectronicLoadSheet,
    LoadWiring,
    MotorWiring,
    SignalWiring,
    SupplySheet,
    TextLineSheet,
)
from bench.sheets.signals import RECEIVE_LINE
from bench.sheets.simulation_sheet import BenchDefect, BenchSimulation
from test_plans.rig import SupplyPath
from test_plans.sheets import BenchFacts, ChannelFacts, ElectronicLoadFacts, LoadPosition, MotorFacts, SourceFacts
from test_plans.signals import AIRSPEED, AIRSPEED_TEXT

OPEN = "open"


def to_bench_sheet(bench: BenchFile, model: str, digest: str) -> BenchSheet:
    """Return the bench with the adapter for `model`; the file has been checked for it."""
    adapter = bench.adapters[model]
    lines = {name: wire.digital_input for name, wire in adapter.switches.items()}
    if adapter.bus is not None:
        lines[RECEIVE_LINE] = adapter.bus.receive_input
    if adapter.text is not None:
        lines[AIRSPEED_TEXT] = adapter.text.monitor_input
    return BenchSheet(
        name=bench.name,
        title=bench.title,
        simulated=bench.simulated,
        supply=_supply(bench.supply),
        dip_source=_supply(bench.dip_source) if bench.dip_source else None,
        switch_break_s=bench.bus_switch.break_time if bench.bus_switch else 0.0,
        daq=_daq(bench),
        bus=_bus(bench) if adapter.bus is not None else None,
        text_line=_text_line(bench, adapter),
        signals={name: _signal(bench, name, signal) for name, signal in adapter.signals.items()},
        stimuli={name: wire.output for name, wire in adapter.stimuli.items()},
        stimulus_pins={name: wire.pin for name, wire in adapter.stimuli.items()},
        switches={name: wire.digital_output for name, wire in adapter.switches.items()},
        lines=lines,
        paths={name: path.digital_output for name, path in bench.paths.items()},
        path_resistance_ohm={name: path.resistance for name, path in bench.paths.items()},
        arm_output=bench.arm_output,
        loads=_loads(bench, adapter),
        bleed_ohm=bench.leads.bleed,
        lead_positive_ohm=bench.leads.positive,
        lead_negative_ohm=bench.leads.negative,
        stimulus_resistance_ohm=bench.stimulus.resistance,
        stimulus_resistance_bound=bench.stimulus.tolerance,
        reference_v=bench.reference.voltage,
        reference_bound_v=bench.reference.bound,
        facts=_facts(bench, adapter),
        electronic_load=_electronic_load(bench),
        load_outputs={name: wire.digital_output for name, wire in adapter.electronic_load.items()},
        digest=digest,
    )


def to_bench_simulation(bench: BenchFile, model: str) -> BenchSimulation | None:
    """Return what the simulated bench is drawn from, None for a real one.

    A defect of a line or channel that the model's adapter does not have is no defect of this bench.
    """
    adapter = bench.adapters[model]
    wired = {*adapter.signals, *adapter.stimuli, *motor_outputs(adapter), *adapter.electronic_load}
    wired |= {AIRSPEED_TEXT} if adapter.text is not None else set()
    wired |= {*sources(bench), *bench.paths}
    table = bench.simulation
    if table is None:
        return None
    return BenchSimulation(
        error_part=table.error_part,
        source_resistance_ohm=table.source_resistance,
        host_latency_s=(table.host_latency_least, table.host_latency_most),
        defects=tuple(
            BenchDefect(
                id=entry.id,
                title=entry.title,
                kind=entry.kind,
                target=entry.target or "",
                value=_defect_value(entry),
                findings=entry.findings,
            )
            for entry in table.defects
            if entry.target is None or entry.target in wired
        ),
    )


def _defect_value(entry: BenchDefectTable) -> float:
    figures = (entry.current, entry.part, entry.voltage, entry.resistance, entry.time)
    return next((figure for figure in figures if figure is not None), 1.0)


def _supply(table: SupplyTable) -> SupplySheet:
    return SupplySheet(
        resource=table.resource,
        time_out_s=table.time_out,
        max_voltage_v=table.max_voltage,
        max_current_a=table.max_current,
        sink_current_a=table.sink_current,
        slew_up_v_per_s=table.slew_up,
        slew_down_v_per_s=table.slew_down,
        set_relative_bound=table.voltage_accuracy[0],
        set_absolute_bound_v=table.voltage_accuracy[1],
        current_relative_bound=table.current_accuracy[0],
        current_absolute_bound_a=table.current_accuracy[1],
        limiting_bit=table.limiting_bit,
        overvoltage_bit=table.overvoltage_bit,
        list_points=table.list.points if table.list else 0,
        shortest_dwell_s=table.list.shortest_dwell if table.list else 0.0,
        sequence_bit=table.list.sequence_bit if table.list else 0,
        calibration=table.calibration,
    )


def _daq(bench: BenchFile) -> DaqSheet:
    table = bench.daq
    return DaqSheet(
        url=table.url,
        time_out_s=table.time_out,
        ranges_v=tuple(entry.range for entry in table.ranges),
        noise_v={entry.range: entry.noise for entry in table.ranges},
        n_inputs=table.inputs,
        n_outputs=table.outputs,
        n_digital_inputs=table.digital_inputs,
        n_digital_outputs=table.digital_outputs,
        output_max_v=table.output_max,
        output_relative_bound=table.output_accuracy[0],
        output_absolute_bound_v=table.output_accuracy[1],
        max_rate_hz=table.max_rate,
        max_total_rate_hz=table.max_total_rate,
        link_bytes_per_s=table.link_rate,
        clock_bound=table.sample_clock,
        watchdog_s=table.watchdog,
        calibration=table.calibration,
    )


def _electronic_load(bench: BenchFile) -> ElectronicLoadSheet | None:
    table = bench.electronic_load
    if table is None:
        return None
    return ElectronicLoadSheet(
        resource=table.resource,
        time_out_s=table.time_out,
        max_current_a=table.max_current,
        max_power_w=table.max_power,
        least_resistance_ohm=table.least_resistance,
        most_resistance_ohm=table.most_resistance,
        slew_a_per_s=table.slew,
        voltage_relative_bound=table.voltage_accuracy[0],
        voltage_absolute_bound_v=table.voltage_accuracy[1],
        current_relative_bound=table.current_accuracy[0],
        current_absolute_bound_a=table.current_accuracy[1],
        mode_header=table.mode_header,
        input_header=table.input_header,
        protection_bit=table.protection_bit,
        reverse_bit=table.reverse_bit,
        reverse_output=table.reverse_output,
        calibration=table.calibration,
    )


def _load_facts(bench: BenchFile, adapter: AdapterTable) -> ElectronicLoadFacts | None:
    table = bench.electronic_load
    if table is None:
        return None
    return ElectronicLoadFacts(
        outputs=tuple(adapter.electronic_load),
        reverses=table.reverse_output is not None,
        max_current_a=table.max_current,
        max_power_w=table.max_power,
        slew_a_per_s=table.slew,
        current_relative_bound=table.current_accuracy[0],
        current_absolute_bound_a=table.current_accuracy[1],
        voltage_relative_bound=table.voltage_accuracy[0],
        voltage_absolute_bound_v=table.voltage_accuracy[1],
    )


def _bus(bench: BenchFile) -> BusSheet | None:
    table = bench.bus
    if table is None:
        return None
    return BusSheet(
        interface=table.interface,
        channel=table.channel,
        bit_rate=round(table.bit_rate),
        report_time_bound_s=table.report_time,
    )


def _text_line(bench: BenchFile, adapter: AdapterTable) -> TextLineSheet | None:
    table, wire = bench.text_line, adapter.text
    if table is None or wire is None:
        return None
    return TextLineSheet(url=table.url, time_out_s=table.time_out, pin=wire.pin)


def _signal(bench: BenchFile, name: str, signal: SignalTable) -> SignalWiring:
    probe = bench.probes[signal.probe]
    relative, absolute, symbol = probe.accuracy
    return SignalWiring(
        name=name,
        channel=signal.input,
        range_v=signal.range,
        quantity_unit=symbol,
        units_per_v=1.0 if probe.scale is None else probe.scale,
        relative_bound=relative,
        absolute_bound=absolute,
        kind="voltage" if probe.scale is None else "current",
        plus=signal.plus,
        minus=signal.minus or "",
    )


def _channel_facts(bench: BenchFile, name: str, signal: SignalTable) -> ChannelFacts:
    wire = _signal(bench, name, signal)
    noise_v = {entry.range: entry.noise for entry in bench.daq.ranges}
    return ChannelFacts(
        quantity_unit=wire.quantity_unit,
        full_scale=wire.range_v * wire.units_per_v,
        relative_bound=wire.relative_bound,
        absolute_bound=wire.absolute_bound,
        noise=noise_v[wire.range_v] * wire.units_per_v,
    )


def _loads(bench: BenchFile, adapter: AdapterTable) -> tuple[LoadWiring, ...]:
    wires: list[LoadWiring] = []
    for output, positions in adapter.loads.items():
        for position, load in positions.items():
            motor = _motor(bench.motors[load.motor]) if load.motor is not None else None
            resistance_ohm, relative_bound = _resistance(load, motor)
            wires.append(
                LoadWiring(
                    output=output,
                    position=position,
                    digital_output=load.digital_output,
                    resistance_ohm=resistance_ohm,
                    relative_bound=relative_bound,
                    max_current_a=load.max_current,
                    to_reference=load.to == "reference",
                    to_bus=load.to == "bus",
                    to_dip_source=load.to == "dip source",
                    motor=motor,
                    brake_output=load.brake_output,
                )
            )
    return tuple(wires)


def _resistance(load: LoadTable, motor: MotorWiring | None) -> tuple[float, float]:
    """Return resistance and its bound, of the resistor or the motor."""
    if motor is not None:
        return motor.facts.resistance_ohm, motor.facts.relative_bound
    if load.resistance is None or load.tolerance is None:
        raise ValueError("a load without resistance and motor; the sheet was not checked")
    return load.resistance, load.tolerance


def _motor(table: MotorTable) -> MotorWiring:
    return MotorWiring(
        facts=MotorFacts(
            resistance_ohm=table.resistance,
            inductance_h=table.inductance,
            constant_v_s=table.constant,
            inertia_kg_m2=table.inertia,
            relative_bound=table.tolerance,
        ),
        friction_n_m_s=table.friction,
        travel_rad=table.travel,
    )


def _facts(bench: BenchFile, adapter: AdapterTable) -> BenchFacts:
    loads: dict[str, dict[str, LoadPosition]] = {}
    for wire in _loads(bench, adapter):
        positions = loads.setdefault(wire.output, {OPEN: LoadPosition(resistance_ohm=math.inf, relative_bound=0.0)})
        positions[wire.position] = LoadPosition(
            resistance_ohm=wire.resistance_ohm,
            relative_bound=wire.relative_bound,
            to_reference=wire.to_reference,
            to_bus=wire.to_bus,
            to_dip_source=wire.to_dip_source,
            motor=None if wire.motor is None else wire.motor.facts,
            braked=wire.brake_output is not None,
        )
    return BenchFacts(
        name=bench.name,
        simulated=bench.simulated,
        loads=loads,
        stimulus_resistance_ohm=bench.stimulus.resistance,
        stimulus_resistance_bound=bench.stimulus.tolerance,
        stimulus_relative_bound=bench.daq.output_accuracy[0],
        stimulus_absolute_bound_v=bench.daq.output_accuracy[1],
        path_resistance_ohm={
            name: path.resistance for name, path in bench.paths.items() if name != SupplyPath.OPEN.value
        },
        path_resistance_bound={
            name: path.tolerance or 0.0 for name, path in bench.paths.items() if name != SupplyPath.OPEN.value
        },
        channels={name: _channel_facts(bench, name, signal) for name, signal in adapter.signals.items()},
        clock_bound=bench.daq.sample_clock,
        lead_positive_ohm=bench.leads.positive,
        lead_negative_ohm=bench.leads.negative,
        supply_set_relative_bound=bench.supply.voltage_accuracy[0],
        supply_set_absolute_bound_v=bench.supply.voltage_accuracy[1],
        supply_current_relative_bound=bench.supply.current_accuracy[0],
        supply_current_absolute_bound_a=bench.supply.current_accuracy[1],
        reference_v=bench.reference.voltage,
        reference_bound_v=bench.reference.bound,
        report_time_bound_s=bench.bus.report_time if bench.bus else 0.0,
        electronic_load=_load_facts(bench, adapter),
        airspeed_wired=(
            (adapter.text is not None and bench.text_line is not None)
            or (AIRSPEED in adapter.stimuli and f"{AIRSPEED}.voltage" in adapter.signals)
            or AIRSPEED in adapter.switches
        ),
        supply=_source(bench.supply),
        dip_source=_source(bench.dip_source)
        if bench.dip_source and SupplyPath.DIP_SOURCE.value in bench.paths
        else None,
        switch_break_s=bench.bus_switch.break_time if bench.bus_switch else 0.0,
    )


def _source(table: SupplyTable) -> SourceFacts:
    return SourceFacts(
        max_voltage_v=table.max_voltage,
        max_current_a=table.max_current,
        sink_current_a=table.sink_current,
        slew_up_v_per_s=table.slew_up,
        slew_down_v_per_s=table.slew_down,
        set_relative_bound=table.voltage_accuracy[0],
        set_absolute_bound_v=table.voltage_accuracy[1],
        list_points=table.list.points if table.list else 0,
        shortest_dwell_s=table.list.shortest_dwell if table.list else 0.0,
    )
