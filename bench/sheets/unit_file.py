"""The unit sheet as it stands in TOML."""

from typing import Annotated, Literal

from pydantic import Field

from bench.sheets.fields import (
    Amperes,
    Date,
    Fraction,
    Identifier,
    Knots,
    Name,
    Node,
    PinName,
    PositiveAmperes,
    PositiveBitRate,
    PositiveHertz,
    PositiveOhms,
    PositiveSeconds,
    PositiveVolts,
    Sentence,
    Table,
    Title,
    Volts,
)
from bench.sheets.limit_text import AnyFigure
from bench.sheets.simulation_file import SimulationTable
from bench.sheets.units import PERCENT, VOLTAGE, Quantity
from test_plans.interruption import State
from test_plans.profile import Behaviour

STATES = tuple(state.value for state in State)
BEHAVIOURS = tuple(behaviour.value for behaviour in Behaviour)


class RatingsTable(Table):
    """`[ratings]`."""

    nominal_voltage: PositiveVolts
    lowest_voltage: PositiveVolts
    highest_voltage: PositiveVolts
    survives_voltage: PositiveVolts
    full_trim_airspeed: Knots | None = None  # left out: trim runs at full speed at every airspeed


class PowerTable(Table):
    """`[power]`: which pins feed the unit."""

    power_pin: PinName
    power_ground_pin: PinName
    signal_ground_pin: PinName
    ground_current: PositiveAmperes | None = None  # the ground pin's limit speaks of this much and more


class SenseTable(Table):
    """`[senses.*]`: the pull resistor of that kind of discrete."""

    pull_voltage: Volts
    pull_resistance: PositiveOhms


class DiscreteTable(Table):
    """An entry of `[discretes]`."""

    title: Title
    pin: PinName
    sense: Literal["active-low", "active-high"]
    report: Name | None = None
    shown_by: Title | None = None


class DebounceTable(Table):
    """`[debounce]`."""

    accepts: PositiveSeconds
    rejects: PositiveSeconds


class RheostatTable(Table):
    """An entry of `[rheostats]`."""

    title: Title
    pin: PinName
    full_travel: PositiveVolts
    open_voltage: PositiveVolts | None = None  # where an open wiper idles; left out: nothing is said of one
    open_travel: Fraction | None = None  # what its outputs then show, as travel


class DimmingTable(Table):
    """An entry of `[dimming]`."""

    title: Title
    pin: PinName
    kind: Literal["pwm", "dc"]
    off_below: Fraction
    low_level: AnyFigure
    high_level: AnyFigure
    frequency: PositiveHertz | None = None

    @property
    def level_quantity(self) -> Quantity:
        """What the levels of this kind are."""
        return PERCENT if self.kind == "pwm" else VOLTAGE


class SwitchTable(Table):
    """A line of a trim axis's `switches`."""

    name: Name
    seat: Name
    direction: Name
    polarity: Literal["plus", "minus"]
    pin: PinName


class TrimTable(Table):
    """`[trims.*]`."""

    title: Title
    function: Name
    plus_pin: PinName
    minus_pin: PinName
    rated_current: PositiveAmperes
    cut_off: PositiveSeconds
    switches: Annotated[tuple[SwitchTable, ...], Field(min_length=1)]


class TrimRulesTable(Table):
    """`[trim-rules]`: how all trim axes drive."""

    pwm_frequency: PositiveHertz
    slow_airspeed: Knots | None = None  # left out with slow-duty: no airspeed slows the trim
    slow_duty: Fraction = 1.0
    after_hand_over: Literal["resumes", "needs-new-press"]
    works_while_stuck: tuple[Literal["opposite-direction", "other-seat"], ...]
    start_current: PositiveAmperes  # carried for start-time without a trip
    start_time: PositiveSeconds


class OutputTable(Table):
    """An entry of `[outputs]`."""

    title: Title
    function: Name
    plus_pin: PinName
    minus_pin: PinName | None = None
    held_at: PositiveVolts | None = None  # a hold-up output, on whenever the bus is
    rated_current: PositiveAmperes | None = None  # of a hold-up output
    short_proof: bool = False  # of a hold-up output: its maker allows a short


class InputTable(Table):
    """An entry of `[inputs]`."""

    title: Title
    function: Name
    pin: PinName


class ReportTable(Table):
    """An entry of `[bus.reports]`."""

    identifier: Identifier
    kind: Literal["discrete", "count", "level", "setting"]
    bits: tuple[Name, ...] = ()


class BusTable(Table):
    """`[bus]`."""

    bit_rate: PositiveBitRate
    node: Node
    report_period: PositiveSeconds
    reports: dict[Name, ReportTable]


class CanaerospaceAirspeedTable(Table):
    """`[airspeed.canaerospace]`."""

    identifier: Identifier


class TextAirspeedTable(Table):
    """`[airspeed.text]`."""

    pin: PinName
    bit_rate: PositiveBitRate
    sentence: Sentence
    period: PositiveSeconds
    speed_unit: Literal["kt", "km/h", "m/s"]
    decimals: Annotated[int, Field(ge=0, le=4)] = 1
    other_units: Literal["refused", "converted"] | None = None  # goes with {unit} in the sentence


class AnaloguePointTable(Table):
    """`low` or `high` of `[airspeed.analogue]`."""

    airspeed: Knots
    voltage: Volts


class AnalogueAirspeedTable(Table):
    """`[airspeed.analogue]`."""

    pin: PinName
    low: AnaloguePointTable
    high: AnaloguePointTable
    pull_voltage: Volts
    pull_resistance: PositiveOhms
    lost_below: PositiveVolts | None = None


class SwitchAirspeedTable(Table):
    """`[airspeed.switch]`."""

    pin: PinName
    closed_when: Literal["fast", "slow"]
    rising: Knots
    falling: Knots


class AirspeedTable(Table):
    """`[airspeed]`: how it reaches the unit; of the tables of routes just that of its own."""

    route: Literal["canaerospace", "text", "analogue", "switch"]
    lost: PositiveSeconds | None = None
    frozen_after: PositiveSeconds | None = None  # left out: a constant airspeed that still comes is believed
    lowest: Knots | None = None  # left out: every figure is believed
    highest: Knots | None = None
    canaerospace: CanaerospaceAirspeedTable | None = None
    text: TextAirspeedTable | None = None
    analogue: AnalogueAirspeedTable | None = None
    switch: SwitchAirspeedTable | None = None

    @property
    def pin(self) -> str | None:
        """The pin it comes in at, None where it comes over the bus."""
        tables = {"text": self.text, "analogue": self.analogue, "switch": self.switch}
        table = tables.get(self.route)
        return None if table is None else table.pin


class ProfileTable(Table):
    """An entry of `[profiles]`: what is required in a profile of the bus; a function left out is not asked for."""

    hold_up: Literal[BEHAVIOURS] | None = None  # type: ignore[valid-type]  # the words of `Behaviour`
    logic: Literal[BEHAVIOURS] | None = None  # type: ignore[valid-type]


class InterruptionTable(Table):
    """An entry of `[interruptions]`: the longest break of the bus up to which each behaviour is required."""

    kept_working: PositiveSeconds | None = None
    recovered: PositiveSeconds | None = None
    lost_and_recovered: PositiveSeconds | None = None
    needs_power_cycle: PositiveSeconds | None = None

    @property
    def longest_s(self) -> dict[Behaviour, float]:
        """The figures given, in the order of the behaviours."""
        given = (self.kept_working, self.recovered, self.lost_and_recovered, self.needs_power_cycle)
        return {behaviour: longest for behaviour, longest in zip(Behaviour, given, strict=True) if longest is not None}


class LimitTable(Table):
    """An entry of `[limits]`; a side left out is open."""

    low: AnyFigure | None = None
    nominal: AnyFigure | None = None
    high: AnyFigure | None = None
    kind: Literal["specification", "test-limit"] = "specification"
    worst_case: bool = False
    source: Title
    date: Date


class UnitFile(Table):
    """A whole unit sheet."""

    model: Name
    title: Title
    acceptance_plan: Name = "acceptance"
    ratings: RatingsTable
    conforming_current: dict[Name, Amperes]
    functions: Annotated[dict[Name, Title], Field(min_length=1)]
    power: PowerTable
    pins: dict[PinName, Title]
    senses: dict[Literal["active-low", "active-high"], SenseTable] = Field(default_factory=dict)
    discretes: dict[Name, DiscreteTable] = Field(default_factory=dict)
    debounce: DebounceTable | None = None
    rheostats: dict[Name, RheostatTable] = Field(default_factory=dict)
    dimming: dict[Name, DimmingTable] = Field(default_factory=dict)
    trims: dict[Name, TrimTable] = Field(default_factory=dict)
    trim_rules: TrimRulesTable | None = None
    outputs: dict[Name, OutputTable] = Field(default_factory=dict)
    inputs: dict[Name, InputTable] = Field(default_factory=dict)
    bus: BusTable | None = None
    airspeed: AirspeedTable | None = None
    profiles: dict[Name, ProfileTable] = Field(default_factory=dict)
    interruptions: dict[Literal[STATES], InterruptionTable] = Field(  # type: ignore[valid-type]  # the words of `State`
        default_factory=dict
    )
    limits: dict[Name, LimitTable]
    simulation: SimulationTable | None = None


THRESHOLD_LIMITS = {"active-low": "low-threshold", "active-high": "high-threshold"}
