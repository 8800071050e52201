"""Unit sheet, aircraft sheet, plan and the bench's facts, as frozen dataclasses in SI units.

`bench.sheets` reads the TOML files, finds every fault in them and makes these; nothing here reads a file.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from types import MappingProxyType

from analysis.finding import Limit
from test_plans.profile import Behaviour, Profile, Required


class Sense(StrEnum):
    """Which way a discrete input is made active."""

    ACTIVE_LOW = "active-low"
    ACTIVE_HIGH = "active-high"

    @property
    def level(self) -> str:
        """The level that makes it active, `low` or `high`: as limits and captures of its kind are named."""
        return "low" if self is Sense.ACTIVE_LOW else "high"


class DimmingKind(StrEnum):
    """How a dimming output sets its level."""

    PWM = "pwm"
    DC = "dc"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A connector pin: `name` as on the connector (`P1-4`), `title` as on the drawing."""

    name: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """A function of the unit that a run either touches or lists as not tested."""

    name: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Discrete:
    """A discrete input; `report` is the report item that shows its state and change counter.

    A model that reports nothing shows the state on an annunciator of its own, which a person reads: `shown_by`.
    """

    name: str
    title: str
    pin: str
    sense: Sense
    pull_voltage_v: float  # where its own pull resistor leads to: 5 V, or 0 V
    pull_resistance_ohm: float
    threshold_active_v: float  # nominal
    threshold_inactive_v: float  # nominal
    report: str = ""  # "": nothing on a bus shows it
    shown_by: str = ""  # what a person is to look at; "": nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Rheostat:
    """A dimming rheostat's wiper input, 0 V to `full_travel_v`.

    An open wiper idles at `open_voltage_v`, beyond the travel (0: the model says nothing of one), and its outputs then
    show what they show at the travel `open_travel`, 0 to 1.
    """

    name: str
    title: str
    pin: str
    full_travel_v: float
    open_voltage_v: float = 0.0
    open_travel: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DimmingOutput:
    """A dimming output; levels in per cent duty (PWM) or volts (DC), linear from `off_below` of travel."""

    name: str
    title: str
    pin: str
    kind: DimmingKind
    off_below: float  # fraction of travel
    low_level: float  # per cent or V just above off
    high_level: float  # per cent or V at full travel
    frequency_hz: float  # PWM, else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimSwitch:
    """One trim switch line, closed to ground by the bench: an axis, a seat and a direction."""

    name: str
    axis: str
    seat: str
    direction: str
    polarity: int  # +1: plus pin positive against minus pin
    pin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimAxis:
    """A trim motor output between two pins; seats in order of priority."""

    name: str
    title: str
    function: str
    plus_pin: str
    minus_pin: str
    switches: tuple[TrimSwitch, ...]
    rated_current_a: float
    cut_off_s: float  # nominal held-switch cut-off


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimRules:
    """How all trim axes of a model drive: full duty to `full_trim_airspeed_kt`, in a line down to the slow duty."""

    pwm_hz: float
    slow_airspeed_kt: float  # from here up, and with airspeed lost, at the slow duty; inf: no airspeed slows it
    slow_duty: float  # fraction
    resumes_after_hand_over: bool  # a seat that was overridden and is still held; else it needs a new press
    opposite_works_while_stuck: bool  # the same seat's other direction, while a switch is held past its cut-off
    other_seat_works_while_stuck: bool
    start_current_a: float  # up to this current, and for `start_s` at most, a start must not be tripped
    start_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedOutput:
    """Any other output that must stay idle unless commanded (lights, flap motor); minus "" is power ground.

    A hold-up output is on whenever the bus is: it is held at `held_v` and gives up to `rated_current_a`.
    """

    name: str
    title: str
    function: str
    plus_pin: str
    minus_pin: str
    held_v: float = 0.0  # 0: no hold-up output
    rated_current_a: float = 0.0  # of a hold-up output
    short_proof: bool = False  # its maker allows a short

    @property
    def held_up(self) -> bool:
        """Whether it is a hold-up output."""
        return self.held_v > 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandInput:
    """Any other command line of the unit (flap switch, light switch), closed to ground by the bench."""

    name: str
    title: str
    function: str
    pin: str


FIRMWARE_REPORT = "firmware"  # a count, of a model whose bus has such a report


class ReportKind(StrEnum):
    """How the four data bytes of a report read."""

    DISCRETE = "discrete"  # ULONG: bit 0 the state, bits 1 to 31 the change counter
    COUNT = "count"  # ULONG
    SETTING = "setting"  # ULONG: part of its configuration, which the aircraft sheet says
    LEVEL = "level"  # FLOAT


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportItem:
    """One CANaerospace identifier the unit sends on."""

    name: str
    identifier: int
    kind: ReportKind
    bits: tuple[str, ...] = ()  # of a setting, bit 0 first: the trim axes or dimming outputs that they stand for


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """The unit's avionics bus: bit rate and reports by name."""

    bit_rate: int
    node: int
    report_period_s: float
    reports: Mapping[str, ReportItem]  # item name -> item; `reset-count` and `configuration` among them


NO_BUS = Bus(
    bit_rate=0, node=0, report_period_s=0.0, reports=MappingProxyType({})
)  # of a model without an avionics bus: nothing to read, nobody listens


class AirspeedRoute(StrEnum):
    """How airspeed reaches a unit."""

    CANAEROSPACE = "canaerospace"  # a FLOAT in m/s on the avionics bus
    TEXT = "text"  # sentences on a serial line
    ANALOGUE = "analogue"  # a voltage
    SWITCH = "switch"  # a contact that closes to ground


SPEED_SYMBOLS = {"kt": "N", "km/h": "K", "m/s": "M"}  # NMEA 0183's letters, by the sheet's units of speed
SPEED_PER_KNOT = {"kt": 1.0, "km/h": 1.852, "m/s": 1852.0 / 3600.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class AirspeedText:
    """Airspeed as text, framed as NMEA 0183 frames a sentence.

    `sentence` is what stands between `$` and `*`, with `{speed}` in the place of the figure and, where the sentence
    names its unit, `{unit}` in the place of its letter.
    """

    bit_rate: int
    sentence: str
    speed_unit: str  # `kt`, `km/h` or `m/s`
    decimals: int
    converts_units: bool = False  # takes a sentence in another unit for what it says; else it must refuse it


@dataclass(frozen=True, slots=True, kw_only=True)
class AirspeedAnalogue:
    """Airspeed as a voltage, straight through two points; below `lost_below_v` it is lost."""

    low_kt: float
    low_v: float
    high_kt: float
    high_v: float
    pull_voltage_v: float
    pull_resistance_ohm: float
    lost_below_v: float | None = None  # None: the unit can't tell a dead line from an airspeed

    @property
    def volts_per_knot(self) -> float:
        """The slope."""
        return (self.high_v - self.low_v) / (self.high_kt - self.low_kt)

    def volts(self, airspeed_kt: float) -> float:
        """Return what stands at the pin for an airspeed."""
        return self.low_v + (airspeed_kt - self.low_kt) * self.volts_per_knot

    def knots(self, voltage_v: float) -> float:
        """Return the airspeed that a voltage means."""
        return self.low_kt + (voltage_v - self.low_v) / self.volts_per_knot


@dataclass(frozen=True, slots=True, kw_only=True)
class AirspeedSwitch:
    """Airspeed as a contact that changes at one airspeed rising and at a lower one falling."""

    closed_when_fast: bool
    rising_kt: float
    falling_kt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Airspeed:
    """How airspeed reaches the unit, and what it must do with one that is lost, frozen or absurd.

    An airspeed outside `lowest_kt` to `highest_kt` is as good as none: it changes nothing until airspeed is lost.
    """

    route: AirspeedRoute
    pin: str = ""  # of text, voltage or contact
    lost_s: float = math.inf  # without airspeed for this long it is lost; inf: it can't be
    frozen_s: float = math.inf  # the same figure for this long counts as lost; inf: a constant one is believed
    lowest_kt: float = -math.inf
    highest_kt: float = math.inf
    period_s: float = 0.1  # of frames or sentences
    identifier: int = 0  # of the frame
    text: AirspeedText | None = None
    analogue: AirspeedAnalogue | None = None
    switch: AirspeedSwitch | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSheet:
    """A model: functions, pins, ratings and limits (each limit with source and date)."""

    model: str
    title: str
    nominal_voltage_v: float
    lowest_voltage_v: float
    highest_voltage_v: float
    survives_voltage_v: float
    conforming_current_a: Mapping[
        str, float
    ]  # per plan condition (`power-up`, `loaded`, `ramp`): what a good unit may draw
    full_trim_airspeed_kt: float  # up to here trim runs at full duty
    power_pin: str
    power_ground_pin: str
    signal_ground_pin: str
    functions: tuple[Function, ...]
    pins: Mapping[str, Pin]
    limits: Mapping[str, Limit]
    discretes: tuple[Discrete, ...]
    rheostats: tuple[Rheostat, ...]
    dimming: tuple[DimmingOutput, ...]
    trims: tuple[TrimAxis, ...]
    outputs: tuple[WatchedOutput, ...]
    inputs: tuple[CommandInput, ...]
    bus: Bus
    debounce_accepts_s: float = 0.0  # a discrete held this long or longer must be reported; 0: no discretes
    debounce_rejects_s: float = 0.0  # a pulse this short or shorter must not be
    trim_rules: TrimRules | None = None  # None: no trims
    airspeed: Airspeed | None = None  # None: it takes none
    ground_current_a: float = 0.0  # the limit of the ground pin's resistance speaks of this much and more
    profiles: Mapping[str, Required] = field(default_factory=dict)  # profile of the bus -> what is required in it
    # state of the unit -> behaviour -> the longest break of the bus, in s, up to which it is required
    interruptions: Mapping[str, Mapping[Behaviour, float]] = field(default_factory=dict)
    acceptance_plan: str = "acceptance"  # the shipped plan that accepts a unit of this model
    digest: str = ""  # SHA-256 of the file


@dataclass(frozen=True, slots=True, kw_only=True)
class AircraftSheet:
    """What one aircraft needs of the unit."""

    name: str
    title: str
    model: str
    dimming_map: Mapping[str, str]  # dimming output -> rheostat
    axes: tuple[str, ...]
    configuration: int  # what the unit must report
    settings: Mapping[str, int] = field(default_factory=dict)  # reported setting -> what it must be
    reversed_axes: tuple[str, ...] = ()  # set in the unit to drive the other way round, as their motors are mounted
    digest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """How a step is taken over and over: at most `tries` times, and no more begun once `bench_time_s` have gone.

    `until_event` ends it with the first try in which anything did not pass. Of tries that passed the captures of the
    last `before_event_s` are kept, ahead of an event and at the end.
    """

    tries: int
    bench_time_s: float
    until_event: bool
    before_event_s: float

    def lasts_s(self, one_s: float) -> float:
        """Return the bench time it takes at most, one try taking `one_s`."""
        return min(self.tries * one_s, self.bench_time_s + one_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of a plan: a procedure under conditions, and the procedures it waits for.

    `gated_by` names steps that must have passed; where one has not, this step is not run and says so. One with `repeat`
    is taken over and over.
    """

    procedure: str
    stage: str
    gated_by: tuple[str, ...]
    conditions: Mapping[str, float | int | str | bool | tuple[str, ...]] = field(default_factory=dict)
    repeat: Repeat | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Which procedures run, in what order, under which conditions, and what each waits for."""

    name: str
    title: str
    single_function: bool
    airspeed_kt: float
    steps: tuple[Step, ...]
    shortened: bool = False  # it takes the most telling part of each function only
    profiles: Mapping[str, Profile] = field(default_factory=dict)  # as its conditions name them
    digest: str = ""

    @property
    def partial(self) -> bool:
        """Whether no run of it can read as acceptance, because it leaves out by design."""
        return self.single_function or self.shortened


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorFacts:
    """A brushed motor of the bench as its sheet has it, each figure within `relative_bound`."""

    resistance_ohm: float
    inductance_h: float
    constant_v_s: float  # back-EMF: volts per rad/s
    inertia_kg_m2: float
    relative_bound: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPosition:
    """A resistor behind a load relay, as calibrated: `relative_bound` is its half-width; or a motor."""

    resistance_ohm: float  # inf: open
    relative_bound: float
    to_reference: bool = False  # it leads to the bench's reference voltage, not to ground
    to_bus: bool = False  # it leads to the unit's power pin: it feeds an input from the bus
    to_dip_source: bool = False  # it leads to the dip source: it feeds a hold-up output
    motor: MotorFacts | None = None  # then the resistance is the motor's
    braked: bool = False  # the bench can hold the motor's rotor still


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFacts:
    """How well the bench reads one signal, in the signal's own unit."""

    quantity_unit: str
    full_scale: float
    relative_bound: float  # of reading, half-width
    absolute_bound: float  # half-width
    noise: float  # rms of one sample


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectronicLoadFacts:
    """What the electronic load reaches and can; bounds are half-widths."""

    outputs: tuple[str, ...]  # trim axes, hold-up outputs, and `plug`
    reverses: bool  # a relay exchanges its leads
    max_current_a: float
    max_power_w: float
    slew_a_per_s: float
    current_relative_bound: float  # of what it draws against what was set, and of its own meter
    current_absolute_bound_a: float
    voltage_relative_bound: float  # of its own meter
    voltage_absolute_bound_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFacts:
    """What a source of the bus can follow."""

    max_voltage_v: float
    max_current_a: float
    sink_current_a: float
    slew_up_v_per_s: float
    slew_down_v_per_s: float
    set_relative_bound: float
    set_absolute_bound_v: float
    list_points: int  # most steps of a sequence it plays by its own clock; 0: none
    shortest_dwell_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFacts:
    """What procedures may know of the bench beyond its signals."""

    name: str
    simulated: bool
    loads: Mapping[str, Mapping[str, LoadPosition]]  # output name, or `plug` -> position name -> resistor
    stimulus_resistance_ohm: float  # in series with each analogue stimulus
    stimulus_resistance_bound: float  # relative
    stimulus_relative_bound: float
    stimulus_absolute_bound_v: float
    path_resistance_ohm: Mapping[str, float]  # supply path -> series resistance: `run`, `20 ohm`
    path_resistance_bound: Mapping[str, float]  # relative
    channels: Mapping[str, ChannelFacts]  # signal -> how well it is read
    clock_bound: float  # of the sample clock, relative
    lead_positive_ohm: float  # expected
    lead_negative_ohm: float
    supply_set_relative_bound: float
    supply_set_absolute_bound_v: float
    supply_current_relative_bound: float  # read-back
    supply_current_absolute_bound_a: float
    reference_v: float
    reference_bound_v: float
    report_time_bound_s: float  # how well the host knows when a frame came
    supply: SourceFacts
    electronic_load: ElectronicLoadFacts | None = None
    airspeed_wired: bool = False  # airspeed by text, voltage or contact has its line to the unit
    dip_source: SourceFacts | None = None  # None: the bench has none, or no position of the bus switch for it
    switch_break_s: float = 0.0  # of the bus switch, at most; 0: not stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Everything a procedure is given besides the rig: sheets, the step's conditions and the bench's facts."""

    unit: UnitSheet
    aircraft: AircraftSheet
    plan: Plan
    step: Step
    bench: BenchFacts


def as_fitted(unit: UnitSheet, aircraft: AircraftSheet) -> UnitSheet:
    """Return the model as this aircraft sets it up: on a reversed axis each switch drives the other way round."""
    if not aircraft.reversed_axes:
        return unit
    trims = tuple(
        replace(axis, switches=tuple(replace(switch, polarity=-switch.polarity) for switch in axis.switches))
        if axis.name in aircraft.reversed_axes
        else axis
        for axis in unit.trims
    )
    return replace(unit, trims=trims)
