"""What a bench sheet must hold for one model: channels that exist and are used once, pins wired once."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from bench.errors import Problem
from bench.sheets.bench_file import (
    MOTOR_DEFECTS,
    SOURCE_DEFECTS,
    SWITCH_DEFECTS,
    TEXT_DEFECTS,
    AdapterTable,
    BenchDefectTable,
    BenchFile,
    LoadTable,
    SignalTable,
)
from bench.sheets.caught_check import check_findings
from bench.sheets.schema import suggestion
from bench.sheets.signals import BENCH_NODES, GROUND, LINES, PLUG, ExpectedSignal, expected_signals
from bench.sheets.source import join_key
from bench.sheets.units import RESISTANCE, SAMPLE_RATE, VOLTAGE, format_quantity, read_quantity
from test_plans.registry import PROCEDURES
from test_plans.rig import Source, SupplyPath
from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED, AIRSPEED_TEXT, MOTOR

_SAME_RESISTOR = 0.05  # a load position is named for its resistor to this part


@dataclass(frozen=True, slots=True)
class _Use:
    key: str
    number: int


def check_bench(bench: BenchFile, unit: UnitSheet, file: str) -> Iterator[Problem]:
    """Yield every fault of meaning that concerns the bench itself or its adapter for `unit`."""
    yield from check_bench_itself(bench, file)
    adapter = bench.adapters.get(unit.model)
    if adapter is None:
        mend = f"add [adapters.{unit.model}]; this bench has adapters for: {', '.join(bench.adapters) or 'nothing'}"
        yield Problem(file, f"adapters.{unit.model}", "is missing", mend)
        return
    here = f"adapters.{unit.model}"
    yield from _channels(bench, adapter, here, file)
    for name, signal in adapter.signals.items():
        yield from _signal(bench, unit, here, (name, signal), file)
    yield from _stimuli_and_switches(unit, adapter, here, file)
    yield from _loads(bench, unit, adapter, here, file)
    yield from _load_wires(bench, unit, adapter, here, file)
    yield from _bus(bench, unit, adapter, here, file)
    yield from _text(bench, unit, adapter, here, file)
    yield from _pins(unit, adapter, here, file)


def check_bench_itself(bench: BenchFile, file: str) -> Iterator[Problem]:
    """Yield every fault of meaning that is one whatever unit is on the bench."""
    yield from _rates(bench, file)
    yield from _paths(bench, file)
    yield from _electronic_load(bench, file)
    if bench.simulation is not None:
        yield from _bench_defects(bench, file)


def _rates(bench: BenchFile, file: str) -> Iterator[Problem]:
    if bench.daq.max_rate > bench.daq.max_total_rate:
        most = format_quantity(bench.daq.max_total_rate, SAMPLE_RATE)
        what = f"{format_quantity(bench.daq.max_rate, SAMPLE_RATE)} is above max-total-rate {most}"
        yield Problem(file, "daq.max-rate", what, "swap the two, or correct one")


def _paths(bench: BenchFile, file: str) -> Iterator[Problem]:
    known = [path.value for path in SupplyPath if path is not SupplyPath.OPEN]
    for name, path in bench.paths.items():
        if name not in known:
            key = join_key("paths", name)
            yield Problem(file, key, "is no position of the bus switch", suggestion(name, known, "positions"))
        if path.resistance > 0.0 and path.tolerance is None:
            key = f"{join_key('paths', name)}.tolerance"
            yield Problem(file, key, "is missing", 'add it, such as "1 %": currents are read as volts across it')
    has_position, position = SupplyPath.DIP_SOURCE.value in bench.paths, join_key("paths", SupplyPath.DIP_SOURCE.value)
    if bench.dip_source is None and has_position:
        yield Problem(file, "dip-source", "is missing", f"add it: {position} leads to it")
    if bench.dip_source is not None and not has_position:
        yield Problem(file, position, "is missing", "add it: nothing else leads to [dip-source]")
    if bench.dip_source is not None and bench.dip_source.resource == bench.supply.resource:
        yield Problem(file, "dip-source.resource", "is that of the supply", "give the address of the second source")
    if SupplyPath.RUN.value not in bench.paths:
        yield Problem(file, "paths.run", "is missing", "add it: no unit can be powered without it")


def _electronic_load(bench: BenchFile, file: str) -> Iterator[Problem]:
    load = bench.electronic_load
    if load is None:
        return
    if load.least_resistance >= load.most_resistance:
        what = f"{format_quantity(load.least_resistance, RESISTANCE)} is not below most-resistance"
        yield Problem(file, "electronic-load.least-resistance", what, "swap the two, or correct one")
    if load.protection_bit == load.reverse_bit:
        what = f"bit {load.reverse_bit} is already protection-bit"
        yield Problem(file, "electronic-load.reverse-bit", what, "give each its own: see the load's manual")


def _load_wires(bench: BenchFile, unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    """Each output that the electronic load reaches is one of the model, and is reached at its own pins."""
    if adapter.electronic_load and bench.electronic_load is None:
        what = "is missing"
        yield Problem(file, "electronic-load", what, f"add it: {here}.electronic-load wires one")
    pins = {axis.name: (axis.plus_pin, axis.minus_pin) for axis in unit.trims}
    pins |= {
        output.name: (output.plus_pin, output.minus_pin or unit.power_ground_pin)
        for output in unit.outputs
        if output.held_up
    }
    pins[PLUG] = (adapter.positive_pin, adapter.negative_pin)
    for name, wire in adapter.electronic_load.items():
        key = f"{here}.electronic-load.{name}"
        if name not in pins:
            what = "is nothing that an electronic load goes to: a trim axis, a hold-up output, or plug"
            yield Problem(file, key, what, suggestion(name, pins, "outputs"))
            continue
        for side, wanted, found in zip(("plus", "minus"), pins[name], (wire.plus, wire.minus), strict=True):
            if found != wanted:
                yield Problem(file, f"{key}.{side}", _node_fault(unit, found, wanted), _node_mend(wanted))


def _channels(bench: BenchFile, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    """Each input and output of the DAQ exists and leads to one place."""
    signals = [_Use(f"{join_key(f'{here}.signals', name)}.input", wire.input) for name, wire in adapter.signals.items()]
    yield from _used_once("analogue input", signals, bench.daq.inputs, file)
    stimuli = [_Use(f"{here}.stimuli.{name}.output", wire.output) for name, wire in adapter.stimuli.items()]
    yield from _used_once("analogue output", stimuli, bench.daq.outputs, file)
    lines = [
        _Use(f"{here}.switches.{name}.digital-input", wire.digital_input) for name, wire in adapter.switches.items()
    ]
    if adapter.bus is not None:
        lines.append(_Use(f"{here}.bus.receive-input", adapter.bus.receive_input))
    if adapter.text is not None:
        lines.append(_Use(f"{here}.text.monitor-input", adapter.text.monitor_input))
    yield from _used_once("digital input", lines, bench.daq.digital_inputs, file)
    drives = [
        _Use("arm-output", bench.arm_output),
        *(_Use(f"{join_key('paths', name)}.digital-output", path.digital_output) for name, path in bench.paths.items()),
        *(_Use(f"{here}.switches.{name}.digital-output", w.digital_output) for name, w in adapter.switches.items()),
        *(
            _Use(f"{join_key(f'{here}.loads.{output}', position)}.digital-output", load.digital_output)
            for output, positions in adapter.loads.items()
            for position, load in positions.items()
        ),
        *(
            _Use(f"{join_key(f'{here}.loads.{output}', position)}.brake-output", load.brake_output)
            for output, positions in adapter.loads.items()
            for position, load in positions.items()
            if load.brake_output is not None
        ),
        *(
            _Use(f"{here}.electronic-load.{n}.digital-output", w.digital_output)
            for n, w in adapter.electronic_load.items()
        ),
    ]
    if bench.electronic_load is not None and bench.electronic_load.reverse_output is not None:
        drives.append(_Use("electronic-load.reverse-output", bench.electronic_load.reverse_output))
    yield from _used_once("digital output", drives, bench.daq.digital_outputs, file)


def _used_once(what: str, uses: Iterable[_Use], how_many: int, file: str) -> Iterator[Problem]:
    owner: dict[int, str] = {}
    for use in uses:
        if use.number >= how_many:
            words = f"there is no {what} {use.number}: the DAQ has {how_many}"
            yield Problem(file, use.key, words, f"give 0 to {how_many - 1}")
        elif use.number in owner:
            words = f"{what} {use.number} is already that of {owner[use.number]}"
            yield Problem(file, use.key, words, "give each its own")
        owner.setdefault(use.number, use.key)


def _signal(
    bench: BenchFile, unit: UnitSheet, here: str, named: tuple[str, SignalTable], file: str
) -> Iterator[Problem]:
    name, signal = named
    key = join_key(f"{here}.signals", name)
    known = expected_signals(unit)
    if name not in known:
        yield Problem(file, key, "is no signal of this model", suggestion(name, known, "signals"))
        return
    ranges = [entry.range for entry in bench.daq.ranges]
    if signal.range not in ranges:
        listed = ", ".join(f'"{format_quantity(value, VOLTAGE)}"' for value in ranges)
        what = f"the DAQ has no range of {format_quantity(signal.range, VOLTAGE)}"
        yield Problem(file, f"{key}.range", what, f"give one of {listed}")
    yield from _probe(bench, known[name], key, signal, file)
    for side, wanted, found in (("plus", known[name].plus, signal.plus), ("minus", known[name].minus, signal.minus)):
        if (found or "") != wanted:
            yield Problem(file, f"{key}.{side}", _node_fault(unit, found, wanted), _node_mend(wanted))


def _node_fault(unit: UnitSheet, found: str | None, wanted: str) -> str:
    if found is None:
        return "is missing"
    if found not in unit.pins and found not in BENCH_NODES:
        return f'there is no pin or node "{found}"'
    return f'found "{found}"' if wanted else f'found "{found}" where nothing belongs'


def _node_mend(wanted: str) -> str:
    return f'the unit sheet has it at "{wanted}"' if wanted else "take it out"


def _probe(bench: BenchFile, expected: ExpectedSignal, key: str, signal: SignalTable, file: str) -> Iterator[Problem]:
    probe = bench.probes.get(signal.probe)
    if probe is None:
        what = f'there is no probe "{signal.probe}"'
        yield Problem(file, f"{key}.probe", what, suggestion(signal.probe, bench.probes, "probes"))
        return
    is_current = probe.scale is not None
    if is_current != (expected.kind == "current"):
        what = f'probe "{signal.probe}" measures {"current" if is_current else "voltage"}'
        yield Problem(file, f"{key}.probe", what, f"name a probe that measures {expected.kind}")
    if probe.accuracy[2] != ("A" if is_current else "V"):
        what = f"its absolute part is in {probe.accuracy[2]}"
        mend = f"give it in {'A: the probe has a scale' if is_current else 'V: the probe has no scale'}"
        yield Problem(file, f"probes.{signal.probe}.accuracy", what, mend)


def _stimuli_and_switches(unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    stimuli = {entry.name: entry.pin for entry in unit.discretes}
    stimuli |= {entry.name: entry.pin for entry in unit.rheostats}
    switches = {switch.name: switch.pin for axis in unit.trims for switch in axis.switches}
    switches |= {command.name: command.pin for command in unit.inputs}
    if unit.airspeed is not None and unit.airspeed.analogue is not None:
        stimuli[AIRSPEED] = unit.airspeed.pin
    if unit.airspeed is not None and unit.airspeed.switch is not None:
        switches[AIRSPEED] = unit.airspeed.pin
    wires: tuple[tuple[str, Mapping[str, str], dict[str, str]], ...] = (
        ("stimuli", {name: wire.pin for name, wire in adapter.stimuli.items()}, stimuli),
        ("switches", {name: wire.pin for name, wire in adapter.switches.items()}, switches),
    )
    for table, found, wanted in wires:
        for name, pin in found.items():
            if name not in wanted:
                what = f"is no name of this model's {table}"
                yield Problem(file, f"{here}.{table}.{name}", what, suggestion(name, wanted, table))
            elif pin != wanted[name]:
                what = f'found "{pin}"'
                yield Problem(file, f"{here}.{table}.{name}.pin", what, _node_mend(wanted[name]))


def _loads(bench: BenchFile, unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    outputs = [PLUG, GROUND, LINES, *(axis.name for axis in unit.trims), *(output.name for output in unit.outputs)]
    outputs += [output.name for output in unit.dimming]
    inputs = [discrete.name for discrete in unit.discretes]
    for output, positions in adapter.loads.items():
        for position, load in positions.items():
            if (load.to == "bus") != (output in inputs):
                key = f"{join_key(f'{here}.loads.{output}', position)}.to"
                what, mend = f'found "{load.to}"', 'give "ground" or "reference": only a discrete is fed from the bus'
                if output in inputs:
                    mend = 'give "bus": a resistor at a discrete feeds it from the bus'
                yield Problem(file, key, what, mend)
            elif load.to == "dip source":
                yield from _from_dip_source(bench, unit, (output, position), here, file)
        if output in inputs and len(positions) > 1:
            what = f"has {len(positions)} feeds"
            yield Problem(file, f"{here}.loads.{output}", what, "leave one: a pin has one relay to the bus")
        if output not in (*outputs, *inputs):
            what = "is no output of this model"
            yield Problem(file, f"{here}.loads.{output}", what, suggestion(output, outputs, "outputs"))
        for position, load in positions.items():
            key = join_key(f"{here}.loads.{output}", position)
            if load.motor is not None:
                yield from _motor_load(bench, unit, key, (output, position, load), file)
            else:
                yield from _resistor(key, position, load, file)


def _from_dip_source(
    bench: BenchFile, unit: UnitSheet, load: tuple[str, str], here: str, file: str
) -> Iterator[Problem]:
    """Yield what keeps a resistor from leading to the dip source: none there, or an output that nothing may feed."""
    output, position = load
    key = f"{join_key(f'{here}.loads.{output}', position)}.to"
    if bench.dip_source is None:
        yield Problem(file, key, "the bench has no dip source", "add [dip-source], or take the load out")
    if output not in [held.name for held in unit.outputs if held.held_up]:
        yield Problem(file, key, 'found "dip source"', 'give "ground": it feeds a hold-up output only')


def _resistor(key: str, position: str, load: LoadTable, file: str) -> Iterator[Problem]:
    """Yield what is wrong with a resistor behind a load relay: what is missing, and what it is called."""
    for side in ("resistance", "tolerance"):
        if getattr(load, side) is None:
            yield Problem(file, f"{key}.{side}", "is missing", "add it, or name a motor of [motors]")
    if load.brake_output is not None:
        yield Problem(file, f"{key}.brake-output", "stands at a resistor", "take it out: only a motor is held")
    if load.resistance is None:
        return
    try:
        named_ohm = read_quantity(position, RESISTANCE)
    except ValueError as fault:
        yield Problem(file, key, str(fault).partition(", wanted")[0], 'name it for its resistor: "9.0 ohm"')
        return
    if abs(load.resistance - named_ohm) > _SAME_RESISTOR * named_ohm:
        what = f"{format_quantity(load.resistance, RESISTANCE)} is not what its name says"
        yield Problem(file, f"{key}.resistance", what, "correct the name or the resistance")


def _motor_load(
    bench: BenchFile, unit: UnitSheet, key: str, place: tuple[str, str, LoadTable], file: str
) -> Iterator[Problem]:
    """Yield what is wrong with a motor behind a load relay: which one, where, what it is called."""
    output, position, load = place
    if load.motor not in bench.motors:
        yield Problem(
            file,
            f"{key}.motor",
            f'there is no motor "{load.motor}"',
            suggestion(str(load.motor), bench.motors, "motors"),
        )
    if position != MOTOR:
        yield Problem(file, key, "is a motor", f'name its position "{MOTOR}"')
    axes = [axis.name for axis in unit.trims]
    if output not in axes:
        what = "a motor stands at an output that drives none"
        yield Problem(
            file, f"{key}.motor", what, f"put it to a trim output: {', '.join(axes)}" if axes else "take it out"
        )
    for side in ("resistance", "tolerance"):
        if getattr(load, side) is not None:
            yield Problem(file, f"{key}.{side}", "stands beside a motor, which has its own", "take it out")


def motor_outputs(adapter: AdapterTable) -> frozenset[str]:
    """Return the outputs that have a motor on a load relay."""
    return frozenset(
        output for output, positions in adapter.loads.items() for load in positions.values() if load.motor is not None
    )


def _bus(bench: BenchFile, unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    if not unit.bus.reports:
        if adapter.bus is not None:
            yield Problem(file, f"{here}.bus", f"model {unit.model} has no bus", "take it out")
        return
    if bench.bus is not None and round(bench.bus.bit_rate) != unit.bus.bit_rate:
        what = f"found {bench.bus.bit_rate:.0f} bit/s, the unit has {unit.bus.bit_rate} bit/s"
        yield Problem(file, "bus.bit-rate", what, "give both the same")
    if bench.bus is not None and adapter.bus is None:
        yield Problem(file, f"{here}.bus", "is missing", "add it: the bench has a bus interface")
    if bench.bus is None and adapter.bus is not None:
        yield Problem(file, "bus", "is missing", f"add it: {here}.bus wires one")


def _text(bench: BenchFile, unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    """Yield faults of the line that carries airspeed as text."""
    if adapter.text is None:
        return
    if unit.airspeed is None or unit.airspeed.text is None:
        yield Problem(file, f"{here}.text", f"model {unit.model} takes no text", "take it out")
    elif adapter.text.pin != unit.airspeed.pin:
        yield Problem(file, f"{here}.text.pin", f'found "{adapter.text.pin}"', _node_mend(unit.airspeed.pin))
    if bench.text_line is None:
        yield Problem(file, "text-line", "is missing", f"add it: {here}.text wires one")


def _pins(unit: UnitSheet, adapter: AdapterTable, here: str, file: str) -> Iterator[Problem]:
    """Every pin of the unit leads to one place, or is listed as unused with the reason."""
    owner: dict[str, str] = {}
    for key, pin in _driven_pins(adapter, here):
        if pin not in unit.pins:
            yield _no_pin(unit, key, pin, file)
        elif pin in owner:
            yield Problem(file, key, f'pin "{pin}" is wired twice: also by {owner[pin]}', "wire each pin once")
        owner.setdefault(pin, key)
    for name, signal in adapter.signals.items():
        for node in (signal.plus, signal.minus or ""):
            owner.setdefault(node, join_key(f"{here}.signals", name))
    yield from _unused(unit, adapter, here, owner, file)


def _unused(
    unit: UnitSheet, adapter: AdapterTable, here: str, owner: Mapping[str, str], file: str
) -> Iterator[Problem]:
    for pin in adapter.unused:
        key = f"{here}.unused.{pin}"
        if pin not in unit.pins:
            yield _no_pin(unit, key, pin, file)
        elif pin in owner:
            yield Problem(file, key, f"is wired by {owner[pin]}", "take it out here, or there")
    for pin, entry in unit.pins.items():
        if pin not in owner and pin not in adapter.unused:
            what = f'pin "{pin}" ({entry.title}) is not wired'
            yield Problem(file, here, what, f'wire it, or list it: unused = {{ {pin} = "reason" }}')


def _no_pin(unit: UnitSheet, key: str, pin: str, file: str) -> Problem:
    return Problem(file, key, f'the unit has no pin "{pin}"', suggestion(pin, unit.pins, "pins"))


def _driven_pins(adapter: AdapterTable, here: str) -> Iterator[tuple[str, str]]:
    yield f"{here}.positive-pin", adapter.positive_pin
    yield f"{here}.negative-pin", adapter.negative_pin
    if adapter.bus is not None:
        yield f"{here}.bus.high-pin", adapter.bus.high_pin
        yield f"{here}.bus.low-pin", adapter.bus.low_pin
    if adapter.text is not None:
        yield f"{here}.text.pin", adapter.text.pin
    for name, stimulus in adapter.stimuli.items():
        yield f"{here}.stimuli.{name}.pin", stimulus.pin
    for name, switch in adapter.switches.items():
        yield f"{here}.switches.{name}.pin", switch.pin


def targets(bench: BenchFile, kind: str) -> frozenset[str]:
    """Return what a kind of bench defect can spoil, on any adapter: one model's names need not be another's."""
    if kind in SOURCE_DEFECTS:
        return frozenset(sources(bench))
    if kind in SWITCH_DEFECTS:
        return frozenset(bench.paths)
    return frozenset(name for adapter in bench.adapters.values() for name in _spoilable(adapter, kind))


def sources(bench: BenchFile) -> tuple[str, ...]:
    """Return what a bench's sources are called where a defect names one."""
    return (Source.SUPPLY.value, *((Source.DIP_SOURCE.value,) if bench.dip_source is not None else ()))


def _spoilable(adapter: AdapterTable, kind: str) -> Iterable[str]:
    if kind in MOTOR_DEFECTS:
        return motor_outputs(adapter)
    if kind in TEXT_DEFECTS:
        return (AIRSPEED_TEXT,) if adapter.text is not None else ()
    if kind == "channel-clipped":
        return adapter.signals
    return adapter.electronic_load if kind == "load-wire-open" else adapter.stimuli


def _bench_defects(bench: BenchFile, file: str) -> Iterator[Problem]:
    simulation = bench.simulation
    if simulation is None:
        return
    if not bench.simulated:
        yield Problem(file, "simulation", "stands in the sheet of a real bench", "take it out, or say simulated = true")
    if simulation.host_latency_least > simulation.host_latency_most:
        what = f"{simulation.host_latency_least:.6g} s is above host-latency-most {simulation.host_latency_most:.6g} s"
        yield Problem(file, "simulation.host-latency-least", what, "swap the two, or correct one")
    subjects = {
        *PROCEDURES,
        *(name.partition(".")[0] for adapter in bench.adapters.values() for name in adapter.signals),
    }
    seen: set[str] = set()
    for index, entry in enumerate(simulation.defects):
        key = f"simulation.defects[{index}]"
        if entry.id in seen:
            yield Problem(file, f"{key}.id", f'"{entry.id}" stands twice', "give each defect its own id")
        seen.add(entry.id)
        yield from _bench_defect(bench, entry, key, file)
        yield from check_findings(key, entry.findings, subjects, file)


_NEEDED = {
    "supply-limit": {"current"},
    "ground-lead": {"resistance"},
    "stimulus-dead": {"target"},
    "channel-clipped": {"target", "part"},
    "frames-lost": {"part"},
    "motor-resistance": {"target", "part"},
    "motor-seized": {"target"},
    "motor-open": {"target"},
    "text-dead": {"target"},
    "text-rate": {"target", "part"},
    "load-off": {"part"},
    "load-wire-open": {"target"},
    "load-weak": {"resistance"},
    "load-oscillates": {"part"},
    "source-slow": {"target", "part"},
    "source-sinks-nothing": {"target"},
    "source-off": {"target", "voltage"},
    "source-resistance": {"target", "resistance"},
    "source-folds-back": {"target", "part"},
    "switch-resistance": {"target", "resistance"},
    "switch-dead": {"target"},
    "switch-welded": {"target"},
    "switch-late": {"time"},
    "switch-bounces": {"time"},
    "contactor-chatters": {"time"},
    "clamp-open": {"current"},
}
_SIDES = ("target", "current", "part", "voltage", "resistance", "time")


def _bench_defect(bench: BenchFile, entry: BenchDefectTable, key: str, file: str) -> Iterator[Problem]:
    needed = _NEEDED.get(entry.kind, set())
    given = {side for side in _SIDES if getattr(entry, side) is not None}
    for side in sorted(needed - given):
        yield Problem(file, f"{key}.{side}", "is missing", f"add it: {entry.kind} needs it")
    for side in sorted(given - needed):
        yield Problem(file, f"{key}.{side}", f"{entry.kind} has none", "take it out")
    if entry.kind.startswith("load-") and bench.electronic_load is None:
        yield Problem(file, f"{key}.kind", "the bench has no electronic load", "take it out, or add the load")
    elif bench.adapters and entry.target is not None:
        known = targets(bench, entry.kind)
        if entry.target not in known:
            what = f'there is no "{entry.target}"'
            yield Problem(file, f"{key}.target", what, suggestion(entry.target, known, "targets"))
