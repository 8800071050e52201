"""The bench sheet as a frozen dataclass: instruments, their accuracy, and the wiring of one adapter."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from test_plans.sheets import BenchFacts, MotorFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySheet:
    """A supply: address, ratings, accuracy, and where its status bits stand."""

    resource: str  # VISA resource name
    time_out_s: float
    max_voltage_v: float
    max_current_a: float
    sink_current_a: float
    slew_up_v_per_s: float
    slew_down_v_per_s: float
    set_relative_bound: float
    set_absolute_bound_v: float
    current_relative_bound: float
    current_absolute_bound_a: float
    limiting_bit: int  # of STATus:QUEStionable: current limiting
    overvoltage_bit: int
    list_points: int = 0  # most steps of a sequence it plays; 0: it plays none
    shortest_dwell_s: float = 0.0  # of a step of one
    sequence_bit: int = 0  # of STATus:OPERation: it plays one
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DaqSheet:
    """The data-acquisition device: address, abilities, accuracy."""

    url: str  # pyserial URL or port
    time_out_s: float
    ranges_v: tuple[float, ...]
    noise_v: Mapping[float, float]  # range -> rms of one sample
    n_inputs: int
    n_outputs: int
    n_digital_inputs: int
    n_digital_outputs: int
    output_max_v: float
    output_relative_bound: float
    output_absolute_bound_v: float
    max_rate_hz: float
    max_total_rate_hz: float
    link_bytes_per_s: float
    clock_bound: float  # relative
    watchdog_s: float
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectronicLoadSheet:
    """The electronic load: address, ratings, accuracy, and what its make calls things."""

    resource: str  # VISA resource name
    time_out_s: float
    max_current_a: float
    max_power_w: float
    least_resistance_ohm: float
    most_resistance_ohm: float
    slew_a_per_s: float
    voltage_relative_bound: float
    voltage_absolute_bound_v: float
    current_relative_bound: float
    current_absolute_bound_a: float
    mode_header: str
    input_header: str
    protection_bit: int  # of STATus:QUEStionable
    reverse_bit: int
    reverse_output: int | None  # digital output that exchanges its leads
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSheet:
    """The avionics-bus interface as python-can names it."""

    interface: str
    channel: str
    bit_rate: int
    report_time_bound_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLineSheet:
    """The serial port that sends airspeed as text, and the pin it leads to."""

    url: str  # pyserial URL or port
    time_out_s: float
    pin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalWiring:
    """One analogue signal: DAQ input, range, what one volt there means, and its bound in its own unit."""

    name: str
    channel: int
    range_v: float
    quantity_unit: str
    units_per_v: float
    relative_bound: float
    absolute_bound: float
    kind: str  # `voltage` or `current`
    plus: str  # node: unit pin, `supply+`, `supply-` or `reference`
    minus: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorWiring:
    """A motor behind a load relay: what procedures may know of it, and what it turns in a simulation."""

    facts: MotorFacts
    friction_n_m_s: float
    travel_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadWiring:
    """A load relay position: digital output that selects it, and the resistor as calibrated, or the motor."""

    output: str  # trim axis, light, dimming output ... or `plug`
    position: str
    digital_output: int
    resistance_ohm: float
    relative_bound: float
    max_current_a: float
    to_reference: bool = False  # its other end leads to the reference voltage, not to ground
    to_bus: bool = False  # its other end leads to the unit's power pin: it feeds an input from the bus
    to_dip_source: bool = False  # its other end leads to the dip source: it feeds a hold-up output
    motor: MotorWiring | None = None  # then resistance and bound are the motor's
    brake_output: int | None = None  # digital output that holds the motor's rotor


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSheet:
    """A bench with the adapter for one model."""

    name: str
    title: str
    simulated: bool
    supply: SupplySheet
    dip_source: SupplySheet | None = None  # at its own position of the bus switch
    switch_break_s: float = 0.0  # of the bus switch, at most; 0: not stated
    daq: DaqSheet
    bus: BusSheet | None
    text_line: TextLineSheet | None
    signals: Mapping[str, SignalWiring]
    stimuli: Mapping[str, int]  # discrete, rheostat or `airspeed` -> analogue output
    stimulus_pins: Mapping[str, str]
    switches: Mapping[str, int]  # trim switch, command input or `airspeed` -> digital output
    lines: Mapping[str, int]  # switch read-back, `bus.receive`, `airspeed.text` -> digital input
    paths: Mapping[str, int]  # bus-switch position -> digital output
    path_resistance_ohm: Mapping[str, float]
    arm_output: int
    loads: tuple[LoadWiring, ...]
    bleed_ohm: float
    lead_positive_ohm: float
    lead_negative_ohm: float
    stimulus_resistance_ohm: float
    stimulus_resistance_bound: float
    reference_v: float
    reference_bound_v: float
    facts: BenchFacts
    electronic_load: ElectronicLoadSheet | None = None
    load_outputs: Mapping[str, int] = field(
        default_factory=dict
    )  # trim axis, hold-up output or `plug` -> digital output
    digest: str = ""
