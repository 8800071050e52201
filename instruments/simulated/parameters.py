"""What a simulated bench and its twin are made of: plain numbers, mapped from the sheets by `bench`.

Pins, outputs and discretes go by the names of the unit sheet; the plant knows no other names.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyParameters:
    """A programmable supply as it really is: its errors, slew, limits, sense and defects."""

    max_voltage_v: float
    max_current_a: float
    sink_current_a: float
    slew_up_v_per_s: float
    slew_down_v_per_s: float
    source_resistance_ohm: float = 0.002  # behind the regulation point
    set_gain_error: float = 0.0
    set_offset_v: float = 0.0
    voltage_reading_gain_error: float = 0.0
    voltage_reading_offset_v: float = 0.0
    current_reading_gain_error: float = 0.0
    current_reading_offset_a: float = 0.0
    current_limit_cap_a: float = math.inf  # defect: limits here whatever is set (and reads back what was set)
    sense_open: bool = False  # defect: regulates at its own terminals
    folds_back_to: float = 1.0  # defect: once it limits, it limits at this part until it regulates again


@dataclass(frozen=True, slots=True, kw_only=True)
class PathParameters:
    """Leads and bus switch."""

    positive_ohm: float
    negative_ohm: float
    series_ohm: Mapping[str, float]  # bus-switch position -> extra series resistance; `open` is always there
    bleed_ohm: float  # on the contactor's rest contact, across the unit's side
    break_s: float = 0.0  # of the bus switch, from one position let go to the next one made
    bounce_s: float = 0.0  # defect: a position just made comes apart for so long, three times
    chatter_s: float = 0.0  # defect: the contactor lets go for so long every now and then
    given_back_a: float = 0.0  # defect: what a motor that stops gives back, its clamp missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What an analogue input sees: `voltage` between two nodes or `current` through one place.

    Nodes: `supply+`, `supply-`, any unit pin, `reference` (against nothing). Currents: `supply+` (positive
    leg), `supply-` (negative leg), or a motor output's plus pin (positive when it leaves that pin).
    """

    kind: str
    plus: str
    minus: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalogInputParameters:
    """One simultaneous differential input; `volts_per_unit` is 1 for volts, the shunt amplifier's V/A for currents.

    Errors are of the quantity as it stands at the input. `clip_fraction` < 1 is a defect: the input
    saturates at that fraction of the range, at the code that belongs to full scale.
    """

    probe: Probe
    volts_per_unit: float = 1.0
    gain_error: float = 0.0
    offset_units: float = 0.0
    clip_fraction: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalogOutputParameters:
    """One analogue output behind its series resistor; `dead` is a defect: the line stays at 0 V."""

    pin: str
    series_ohm: float
    gain_error: float = 0.0
    offset_v: float = 0.0
    dead: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DigitalOutputParameters:
    """What a digital output does when on.

    Actions: `press` (close pin `target` to ground; `dead` is a defect: never closes), `arm`, `path` (bus
    switch to position `target`; none on is open; defects: `dead` never closes, `welded` never opens), `load` (put
    `target`'s load to `position`; none on is open), `feed` (connect pin `target` to the bus through its resistor),
    `draw` (connect the electronic load to `target`; `dead` is a defect: never does), `reverse` (exchange its leads),
    `brake` (hold the rotor of `target`'s motor).
    """

    action: str
    target: str = ""
    position: str = ""
    dead: bool = False
    welded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DigitalInputParameters:
    """What a digital input sees: `pin` `target` at ground, `bus` (dominant), or `text` (the text line at space)."""

    source: str
    target: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DaqParameters:
    """The data-acquisition device; channel numbers are those of the protocol."""

    inputs: Mapping[int, AnalogInputParameters]
    outputs: Mapping[int, AnalogOutputParameters]
    digital_outputs: Mapping[int, DigitalOutputParameters]
    digital_inputs: Mapping[int, DigitalInputParameters]
    noise_v: Mapping[float, float]  # range -> rms
    clock_error: float  # its sample clock against true time, as a fraction
    watchdog_s: float
    max_total_rate_hz: float
    max_rate_hz: float
    reference_v: float  # true value behind the reference input
    lost_frame_fraction: float = 0.0  # defect: this part of the data frames never arrives


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorParameters:
    """A brushed motor with permanent magnets between two end stops, as it really is.

    Args:
        resistance_ohm: of armature and brushes, constant.
        inductance_h: of the armature.
        constant_v_s: volts per rad/s, the same as newton metres per ampere.
        inertia_kg_m2: of rotor and gear, at the rotor.
        friction_n_m_s: torque per rad/s.
        travel_rad: of the rotor from stop to stop.
        seized: a defect: it does not turn.
        connected: else a defect: nothing stands behind its relay.
    """

    resistance_ohm: float
    inductance_h: float
    constant_v_s: float
    inertia_kg_m2: float
    friction_n_m_s: float
    travel_rad: float = math.inf
    seized: bool = False
    connected: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectronicLoadParameters:
    """An electronic load as it really is: limits, slew, errors and defects."""

    max_current_a: float
    max_power_w: float
    least_ohm: float  # of its transistors fully on: what it draws at next to no voltage
    slew_a_per_s: float
    current_gain_error: float = 0.0  # of what it draws against what was set
    current_offset_a: float = 0.0
    voltage_reading_gain_error: float = 0.0
    voltage_reading_offset_v: float = 0.0
    current_reading_gain_error: float = 0.0
    current_reading_offset_a: float = 0.0
    dead: bool = False  # defect: draws nothing, whatever it is told
    swings_by: float = 0.0  # defect: its loop oscillates by this part of its current, up and down


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLineParameters:
    """The bench's text line; defects: dead, or at another bit rate than it was set to."""

    dead: bool = False
    rate_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchParameters:
    """The simulated bench without the unit."""

    supply: SupplyParameters
    dip_source: SupplyParameters | None = None  # second source, at its own position of the bus switch
    path: PathParameters
    daq: DaqParameters
    loads_ohm: Mapping[str, Mapping[str, float]]  # output or `plug` -> position -> true resistance
    loads_to_reference: frozenset[tuple[str, str]] = frozenset()  # (output, position) that lead to the reference
    loads_to_dip_source: frozenset[tuple[str, str]] = frozenset()  # same, that lead to the dip source
    feeds_ohm: Mapping[str, float] = field(default_factory=dict)  # input pin -> resistor to the bus on a relay
    motors: Mapping[tuple[str, str], MotorParameters] = field(default_factory=dict)  # by output and position
    electronic_load: ElectronicLoadParameters | None = None
    text_line: TextLineParameters = TextLineParameters()
    host_latency_s: tuple[float, float] = (0.0002, 0.002)  # after a bus frame's end, until the host has it


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscreteInput:
    """A debounced discrete input."""

    name: str
    pin: str
    active_low: bool
    report_identifier: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchInput:
    """A trim switch line with its own pull-up; `rank` 0 is the seat with priority; `direction` +1 or -1."""

    name: str
    pin: str
    axis: str
    rank: int
    direction: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimHabits:
    """How a model's trim logic treats a seat that was overridden, and what works while a cut-off switch is held."""

    resumes_after_hand_over: bool = True  # else it needs a new press
    opposite_works_while_stuck: bool = True
    other_seat_works_while_stuck: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeOutput:
    """A motor bridge between two pins."""

    name: str
    plus_pin: str
    minus_pin: str
    reversed: bool = False  # a setting: plus and minus exchanged, for a motor mounted the other way


@dataclass(frozen=True, slots=True, kw_only=True)
class DimmerOutput:
    """A dimming output and the rheostat that sets it."""

    name: str
    pin: str
    pwm: bool
    rheostat: str
    off_below: float
    low_level: float
    high_level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RheostatInput:
    """A rheostat wiper input; above `open_above_v` it is taken as open."""

    name: str
    pin: str
    full_travel_v: float
    open_above_v: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainOutput:
    """An output that this twin keeps off (lights, flap motor); a wrong one is on whenever it runs."""

    name: str
    plus_pin: str
    minus_pin: str
    stuck_on_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldUpOutput:
    """A converter's output that is held up while the bus is low."""

    name: str
    plus_pin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AirspeedInput:
    """How airspeed reaches the unit: by `route` `canaerospace`, `text`, `analogue`, `switch`, or not at all ("").

    An airspeed outside `lowest_kt` to `highest_kt` is as good as none; one that stays the same for `frozen_s` is lost.
    """

    route: str = ""
    lost_s: float = math.inf
    frozen_s: float = math.inf
    lowest_kt: float = -math.inf
    highest_kt: float = math.inf
    identifier: int = 0  # of the frame
    pin: str = ""  # of text, voltage or contact
    bit_rate: int = 9600
    sentence: str = ""  # with {speed}, and perhaps {unit}
    speed_unit: str = "kt"
    converts_units: bool = False
    low_kt: float = 0.0
    low_v: float = 0.0
    high_kt: float = 1.0
    high_v: float = 1.0
    lost_below_v: float = -math.inf
    pull_v: float = 0.0
    pull_ohm: float = math.inf
    closed_when_fast: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinParameters:
    """One drawn unit: its structure, and every drawn quantity by flat name (`discrete-1.threshold_active_v`).

    Quantities (SI, unit in the name), `<d>` a discrete, `<s>` a switch, `<a>` an axis, `<o>` a dimming output:
    unit.quiescent_a, unit.input_capacitance_f, unit.input_short_s (0 is none), unit.ground_ohm,
    unit.scan_s, unit.ready_s, unit.cold_start_v, unit.warm_start_v, unit.reset_v, unit.lockout_v,
    unit.release_v, unit.bus_wait_s (longest wait for the bus),
    <d>.threshold_active_v, <d>.threshold_inactive_v, <d>.pull_ohm, <d>.pull_v, <d>.debounce_scans,
    <d>.stuck (0 no, 1 stuck inactive, 2 stuck active), <d>.ground_short_s, <d>.inverted (>= 0.5),
    <d>.bridge_s (to the next discrete's pin), <d>.drop_out_changes (after every so many changes its contact is lost;
    0 never), <d>.drop_out_chance (per cent, after any change), <d>.drop_out_s (for so long),
    <d>.noise_v (rms at the comparator),
    unit.loses_edges (>= 0.5: of two changes in one scan only one is taken),
    <s>.debounce_scans, <a>.positive_ohm, <a>.negative_ohm, <a>.positive_dead, <a>.negative_dead (>= 0.5: dead),
    <a>.cut_off_s, <a>.leakage_a, <a>.creep_v, <a>.creep_s (across the output after a start),
    <a>.low_bus_ohm (more resistance when driven from a bus below <a>.low_bus_v), <a>.duty_offset (per cent),
    <a>.high_part (per cent of the bridge's resistance that lie in the leg towards the bus), <a>.positive_high_ohm,
    <a>.negative_low_ohm (more resistance in one leg of one direction), <a>.brake_ohm (of both legs at rest),
    <a>.reversal_s (pause between one direction and the other), <a>.peak_trip_a (a motor's current that stops it at
    once, a resistor's after <a>.peak_trip_s),
    <a>.trip_a, <a>.trip_s (over-current trip: from this current on for so long; 0 A is none),
    <a>.positive_duty_fixed, <a>.negative_duty_fixed (per cent, whatever the airspeed; 0 follows it), and, 0 in a good
    unit and there from 0.5 on: <a>.leads_swapped, <a>.set_wrongly (in `reversed` and the settings already) and those of
    `trim_faults.TrimFaults` (<a>.priority_delay_s in s, <s>.uncut),
    <a>.open_at_k (a joint of its driver opens for the positive direction when so much warmer than at rest; 0 never),
    <a>.driver_k_per_w, <a>.driver_warm_s (rise by its own heat, and its time constant),
    unit.watchdog_per_hour (resets of the firmware by its watchdog, at random),
    unit.airspeed_lost_s, unit.airspeed_scale, unit.airspeed_unchecked (takes text whatever its checksum),
    unit.airspeed_any_unit (takes its figure for its own unit), unit.airspeed_unbounded (believes any),
    unit.trim_feed_ohm (shared by all trim bridges),
    unit.settings_off (added to every setting and to the configuration it reports), unit.firmware (the number it
    reports, where it reports one),
    unit.setting_lost_start (from this start of the firmware on the last setting it reports is another; 0 never),
    unit.sense_gain (per cent of the bus that the lock-out sees), unit.hang_from_v_per_s, unit.hang_to_v_per_s (it hangs
    on a bus that rises through the last half volt below its start at a rate from one to the other; 0 V/s never),
    unit.forgets_settings (as settings_off, from the first reset on), unit.hang_s (its firmware stands still once a
    lock-out without a reset is over), <a>.twitch_s (drives so long once a brownout is over), <a>.twitch_part (per cent
    of all brownouts), <a>.resumes_s (after a reset it drives on so long), <r>.reset_travel (per cent, taken for a
    wiper's after a reset until it moves),
    unit.dip_hang_v (0: never), unit.dip_hang_from_s, unit.dip_hang_to_s (a dip to below it that is over after such a
    time hangs the firmware), unit.latch_low_v, unit.latch_high_v (0: never), unit.latch_s (it does not start again
    where it finds the bus between them so long after a reset),
    <o>.frequency_hz, <o>.offset_level, <o>.high_level, <o>.drop_ohm, <o>.limit_a, <o>.off_ohm (to ground when off),
    <o>.ripple_v (peak to peak, DC), <o>.ripple_hz, and, nothing in a good unit: <o>.stuck (1 off, 2 on),
    <o>.floor_level (left when off), <o>.missing_level, <o>.sag (per cent at half travel), <o>.gain (per cent),
    <o>.bus_per_volt (per cent), <o>.latches (after an overload), unit.rheostats_crossed,
    `<h>` a hold-up output: <h>.level_v, <h>.droop_ohm, <h>.efficiency (per cent), <h>.drop_out_v, <h>.restart_v (of the
    input capacitor), <h>.limit_a, <h>.low_bus_limit_a (below 7 V, where it is less), <h>.dead (>= 0.5: never starts),
    <h>.latches (>= 0.5: off after an overload until the bus has been away), <h>.output_f, <h>.esr_ohm,
    <h>.bandwidth_hz, <h>.recovery_s (capacitor and loop, see `regulator`), <h>.soft_start_s, <h>.overshoot_v (at its
    end), <h>.ripple_v (peak to peak), <h>.ripple_hz, <h>.back_s (from the output into the bus; 0 while its blocking is
    sound), <h>.k_per_w, <h>.warm_s (rise of the converter by what it loses, and its time constant), <h>.level_per_k
    (per cent by which that moves its level),
    `<r>` a rheostat: <r>.pull_v, <r>.pull_ohm, <r>.open_travel (per cent), <r>.offset_v, <r>.wander_v, <r>.wander_hz.
    A quantity that is missing takes the default in `twin_defaults`.
    """

    nominal_voltage_v: float  # of its bus
    power_pin: str
    power_ground_pin: str
    signal_ground_pin: str
    discretes: tuple[DiscreteInput, ...]
    switches: tuple[SwitchInput, ...]
    bridges: tuple[BridgeOutput, ...]
    rheostats: tuple[RheostatInput, ...]
    dimmers: tuple[DimmerOutput, ...]
    outputs: tuple[PlainOutput, ...]
    hold_ups: tuple[HoldUpOutput, ...] = ()
    pulled_up_pins: tuple[str, ...]  # other command inputs, pulled up inside
    node: int
    on_bus: bool = True  # off: it has no avionics bus, sends nothing and hears nothing
    reset_count_identifier: int
    configuration_identifier: int
    configuration: int
    firmware_identifier: int = 0  # 0: it does not report its firmware
    settings: tuple[tuple[int, int], ...] = ()  # (identifier, value) of each setting it reports
    level_identifiers: tuple[int, ...]  # FLOAT reports of which this twin knows nothing but 0.0 (flap position)
    report_period_s: float
    bit_rate: int
    airspeed: AirspeedInput = AirspeedInput()
    full_trim_airspeed_kt: float
    slow_trim_airspeed_kt: float  # from here up, and with airspeed lost: the slow duty
    slow_trim_duty: float
    trim_pwm_hz: float
    trim_habits: TrimHabits = TrimHabits()
    quantities: Mapping[str, float] = field(default_factory=dict)
