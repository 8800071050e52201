"""The bench sheet as it stands in TOML: instruments, probes, paths, and one adapter per model."""

from typing import Annotated, Literal

from pydantic import Field

from bench.sheets.fields import (
    Amperes,
    AmperesAccuracy,
    AnyAccuracy,
    FindingPattern,
    Fraction,
    Line,
    Name,
    Ohms,
    PinName,
    PositiveAmperes,
    PositiveAngle,
    PositiveBackEmf,
    PositiveBitRate,
    PositiveByteRate,
    PositiveCurrentSlew,
    PositiveFriction,
    PositiveHenries,
    PositiveInertia,
    PositiveOhms,
    PositiveSampleRate,
    PositiveSeconds,
    PositiveSlew,
    PositiveVolts,
    PositiveWatts,
    ShuntScale,
    SignedVolts,
    Table,
    Title,
    Volts,
    VoltsAccuracy,
)

Position = Annotated[str, Field(min_length=1, max_length=20)]
SignalName = Annotated[str, Field(min_length=1, max_length=60)]
NodeName = Annotated[str, Field(min_length=1, max_length=20)]
MOTOR_DEFECTS = ("motor-resistance", "motor-seized", "motor-open")
TEXT_DEFECTS = ("text-dead", "text-rate")  # of the line that carries airspeed as text
LOAD_DEFECTS = ("load-dead", "load-off", "load-weak", "load-oscillates", "load-wire-open")  # of the electronic load
SOURCE_DEFECTS = ("source-slow", "source-sinks-nothing", "source-off", "source-resistance", "source-folds-back")
SWITCH_DEFECTS = ("switch-resistance", "switch-dead", "switch-welded")  # of one position of the bus switch
CLAMP_OPEN = "clamp-open"  # what a stopping motor gives back goes into the bus
PATH_DEFECTS = ("ground-lead", "switch-late", "switch-bounces", "contactor-chatters", CLAMP_OPEN)
FEED_DEFECTS = (*SOURCE_DEFECTS, *SWITCH_DEFECTS, *PATH_DEFECTS)  # of all that feeds the unit
Bit = Annotated[int, Field(ge=0, le=15)]
Header = Annotated[str, Field(pattern=r"^[A-Z]{1,12}(:[A-Z]{1,12})*$", max_length=40)]  # of a SCPI command, short form


class ListTable(Table):
    """`list` of `[supply]`: the sequences of voltage that it plays by its own clock."""

    points: Annotated[int, Field(ge=1, le=10_000)]
    shortest_dwell: PositiveSeconds
    sequence_bit: Bit  # of STATus:OPERation: it plays one


class SupplyTable(Table):
    """`[supply]`, and `[dip-source]`: a second one that the bus switch puts the unit on."""

    resource: Title
    time_out: PositiveSeconds
    max_voltage: PositiveVolts
    max_current: PositiveAmperes
    sink_current: Amperes
    slew_up: PositiveSlew
    slew_down: PositiveSlew
    voltage_accuracy: VoltsAccuracy  # set and read-back
    current_accuracy: AmperesAccuracy
    limiting_bit: Bit
    overvoltage_bit: Bit
    list: ListTable | None = None  # left out: it plays no sequences
    calibration: Title


class ElectronicLoadTable(Table):
    """`[electronic-load]`: a bench may do without."""

    resource: Title
    time_out: PositiveSeconds
    max_current: PositiveAmperes
    max_power: PositiveWatts
    least_resistance: PositiveOhms
    most_resistance: PositiveOhms
    slew: PositiveCurrentSlew
    voltage_accuracy: VoltsAccuracy  # of its own meter
    current_accuracy: AmperesAccuracy  # of setting and meter
    mode_header: Header  # makers differ from here on: what chooses the mode
    input_header: Header  # what switches the input
    protection_bit: Bit
    reverse_bit: Bit
    reverse_output: Line | None = None  # of the relay that exchanges its leads
    calibration: Title


class RangeTable(Table):
    """A line of the DAQ's `ranges`: plus and minus `range`."""

    range: PositiveVolts
    noise: Volts


class DaqTable(Table):
    """`[daq]`."""

    url: Title
    time_out: PositiveSeconds
    ranges: Annotated[tuple[RangeTable, ...], Field(min_length=1)]
    inputs: Annotated[int, Field(ge=1, le=256)]
    outputs: Annotated[int, Field(ge=0, le=256)]
    digital_inputs: Annotated[int, Field(ge=0, le=64)]
    digital_outputs: Annotated[int, Field(ge=0, le=256)]
    output_max: PositiveVolts
    output_accuracy: VoltsAccuracy
    max_rate: PositiveSampleRate
    max_total_rate: PositiveSampleRate
    link_rate: PositiveByteRate
    sample_clock: Fraction
    watchdog: PositiveSeconds
    calibration: Title


class BusInterfaceTable(Table):
    """`[bus]`: the avionics-bus interface as python-can names it."""

    interface: Name
    channel: Title
    bit_rate: PositiveBitRate
    report_time: PositiveSeconds


class TextLineTable(Table):
    """`[text-line]`: the serial port that sends airspeed as text, as pyserial names it; its bit rate is the unit's."""

    url: Title
    time_out: PositiveSeconds


class ReferenceTable(Table):
    """`[reference]`: the voltage standard on one input."""

    voltage: PositiveVolts
    bound: PositiveVolts


class BusSwitchTable(Table):
    """`[bus-switch]`: what holds for all its positions."""

    break_time: PositiveSeconds  # at most, from one position let go to the next one made


class LeadsTable(Table):
    """`[leads]`."""

    positive: Ohms
    negative: Ohms
    bleed: PositiveOhms


class StimulusTable(Table):
    """`[stimulus]`: the resistor between each analogue output and its pin."""

    resistance: PositiveOhms
    tolerance: Fraction


class ProbeTable(Table):
    """`[probes.*]`: what stands ahead of an input. With `scale` it measures current."""

    accuracy: AnyAccuracy
    scale: ShuntScale | None = None


class PathTable(Table):
    """`[paths.*]`: a position of the bus switch."""

    digital_output: Line
    resistance: Ohms
    tolerance: Fraction | None = None  # needed with a resistance, meaningless without


class SignalTable(Table):
    """An entry of an adapter's `signals`."""

    input: Line
    range: PositiveVolts
    probe: Name
    plus: NodeName
    minus: NodeName | None = None


class OutputWireTable(Table):
    """An entry of an adapter's `stimuli`: an analogue output and the pin it leads to."""

    output: Line
    pin: PinName


class SwitchWireTable(Table):
    """An entry of an adapter's `switches`: the digital output that closes the pin, the input that reads it back."""

    digital_output: Line
    digital_input: Line
    pin: PinName


class MotorTable(Table):
    """`[motors.*]`: a brushed motor that stands on load relays; `tolerance` is that of each figure that is checked."""

    resistance: PositiveOhms
    inductance: PositiveHenries
    constant: PositiveBackEmf  # volts per rad/s
    inertia: PositiveInertia  # at the rotor
    tolerance: Fraction
    friction: PositiveFriction  # torque per rad/s
    travel: PositiveAngle  # of the rotor from stop to stop


class LoadTable(Table):
    """A position of a load relay: a resistor with its tolerance, or one of the bench's motors."""

    digital_output: Line
    resistance: PositiveOhms | None = None
    tolerance: Fraction | None = None
    motor: Name | None = None
    brake_output: Line | None = None  # of what holds the motor's rotor still
    max_current: PositiveAmperes
    to: Literal["ground", "reference", "bus", "dip source"] = "ground"  # where its other end leads


class LoadWireTable(Table):
    """An entry of an adapter's `electronic-load`: the relay that connects it, and the pins it then stands between."""

    digital_output: Line
    plus: PinName
    minus: PinName


class BusWireTable(Table):
    """An adapter's `bus`."""

    high_pin: PinName
    low_pin: PinName
    receive_input: Line


class TextWireTable(Table):
    """An adapter's `text`: the pin the text line leads to, and the input that reads it back there (true at space)."""

    pin: PinName
    monitor_input: Line


class AdapterTable(Table):
    """`[adapters.*]`: how one model is wired to this bench."""

    positive_pin: PinName
    negative_pin: PinName
    bus: BusWireTable | None = None
    text: TextWireTable | None = None
    signals: dict[SignalName, SignalTable]
    stimuli: dict[Name, OutputWireTable] = Field(default_factory=dict)
    switches: dict[Name, SwitchWireTable] = Field(default_factory=dict)
    loads: dict[Name, dict[Position, LoadTable]] = Field(default_factory=dict)
    electronic_load: dict[Name, LoadWireTable] = Field(default_factory=dict)
    unused: dict[PinName, Title] = Field(default_factory=dict)


class BenchDefectTable(Table):
    """An entry of a bench's `[[simulation.defects]]`."""

    id: Name
    title: Title
    kind: Literal[  # type: ignore[valid-type]
        "supply-limit",
        "sense-open",
        "sense-at-supply",
        "stimulus-dead",
        "channel-clipped",
        "frames-lost",
        *MOTOR_DEFECTS,
        *LOAD_DEFECTS,
        *TEXT_DEFECTS,
        *FEED_DEFECTS,
    ]
    findings: Annotated[tuple[FindingPattern, ...], Field(min_length=1)]  # that end inconclusive, the bench's
    target: SignalName | None = None
    current: PositiveAmperes | None = None  # of `supply-limit`; of `clamp-open`, what a stopping motor gives back
    part: Fraction | None = (
        None  # of range, frames, slew, limit, motor's resistance, bit rate; drawn too much, or swing
    )
    voltage: SignedVolts | None = None  # of `source-off`
    resistance: PositiveOhms | None = None  # more than there ought to be; of `load-weak` the least it has
    time: PositiveSeconds | None = None  # of `switch-late`, `switch-bounces` and `contactor-chatters`


class BenchSimulationTable(Table):
    """`[simulation]` of a bench sheet."""

    error_part: Fraction  # of every stated bound: true errors are drawn evenly within
    source_resistance: Ohms
    host_latency_least: PositiveSeconds
    host_latency_most: PositiveSeconds
    defects: tuple[BenchDefectTable, ...] = ()


class BenchFile(Table):
    """A whole bench sheet."""

    name: Name
    title: Title
    simulated: bool
    default_model: Name | None = None  # of a run that names no model
    supply: SupplyTable
    dip_source: SupplyTable | None = None
    bus_switch: BusSwitchTable | None = None
    daq: DaqTable
    electronic_load: ElectronicLoadTable | None = None
    bus: BusInterfaceTable | None = None
    text_line: TextLineTable | None = None
    reference: ReferenceTable
    leads: LeadsTable
    stimulus: StimulusTable
    probes: dict[Name, ProbeTable]
    motors: dict[Name, MotorTable] = Field(default_factory=dict)
    arm_output: Line
    paths: dict[Position, PathTable]
    adapters: dict[Name, AdapterTable]
    simulation: BenchSimulationTable | None = None
