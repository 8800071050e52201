"""Every procedure by name. A plan names them; adding one here is all it takes to make it known."""

from collections.abc import Mapping
from types import MappingProxyType

from test_plans.bench_checks import BenchCheck
from test_plans.bench_dip_source import BenchDipSource
from test_plans.bench_leads import BenchLeads
from test_plans.bench_load import BenchLoad
from test_plans.bus_ramp import BusRamp
from test_plans.bus_ramp_held import BusRampHeld
from test_plans.dimming import DimmingCurve
from test_plans.dimming_bus import DimmingBus
from test_plans.dimming_flicker import DimmingFlicker
from test_plans.dimming_load import DimmingLoad
from test_plans.dimming_map import DimmingMap
from test_plans.dimming_off_state import DimmingOffState
from test_plans.dimming_open_wiper import DimmingOpenWiper
from test_plans.dimming_sweep import DimmingSweep
from test_plans.dip_map import DipMap
from test_plans.discharge import Discharge
from test_plans.discretes_bounce import DiscreteBounce
from test_plans.discretes_bus_extremes import BusEnd, DiscreteLatencyAt
from test_plans.discretes_contacts import DiscreteContacts
from test_plans.discretes_debounce import DiscreteDebounce
from test_plans.discretes_lamps import DiscreteLamps
from test_plans.discretes_latency import DiscreteLatency
from test_plans.discretes_levels import DiscreteLevels
from test_plans.discretes_open import DiscreteOpenLine
from test_plans.discretes_overvoltage import DiscreteOvervoltage
from test_plans.discretes_patterns import DiscretePatterns
from test_plans.discretes_toggles import DiscreteToggles
from test_plans.discretes_widths import DiscretePulseWidth
from test_plans.engine_start import EngineStart
from test_plans.final_repeat import FinalRepeat
from test_plans.ground_pin import GroundPin
from test_plans.hold_up_back_feed import HoldUpBackFeed
from test_plans.hold_up_constant_power import HoldUpConstantPower
from test_plans.hold_up_drop_out import HoldUpDropOut
from test_plans.hold_up_load_step import HoldUpLoadStep
from test_plans.hold_up_overload import HoldUpOverload
from test_plans.hold_up_regulation import HoldUpRegulation
from test_plans.hold_up_ride_through import HoldUpRideThrough
from test_plans.hold_up_ripple import HoldUpRipple
from test_plans.inrush import Inrush
from test_plans.interruption import State
from test_plans.interruptions import BusInterruptions
from test_plans.power_cycles import PowerCycles
from test_plans.power_up import PowerUp
from test_plans.procedure import Procedure
from test_plans.ramp_scan import RampScan
from test_plans.reset_ladder import ResetLadder
from test_plans.soak import Soak
from test_plans.trim_airspeed_lost import TrimAirspeedLost
from test_plans.trim_bus_voltage import TrimBusVoltage
from test_plans.trim_contact_gaps import TrimContactGaps
from test_plans.trim_cut_off import TrimCutOff
from test_plans.trim_drop_sweep import TrimDropSweep
from test_plans.trim_latency import TrimLatency
from test_plans.trim_legs import TrimLegs
from test_plans.trim_light import TrimLight
from test_plans.trim_loaded import TrimLoaded
from test_plans.trim_motor import TrimMotor
from test_plans.trim_motor_held import TrimMotorHeld
from test_plans.trim_opposing import TrimOpposing
from test_plans.trim_over_current import TrimOverCurrent
from test_plans.trim_priority import TrimPriority
from test_plans.trim_repeated_taps import TrimRepeatedTaps
from test_plans.trim_short import TrimShort
from test_plans.trim_speed import TrimSpeed
from test_plans.trim_stuck_switch import TrimStuckSwitch
from test_plans.trim_taps import TrimTaps
from test_plans.trim_together import TrimTogether
from test_plans.unpowered import Unpowered

_ALL: tuple[Procedure, ...] = (
    BenchCheck(),
    BenchLoad(),
    BenchDipSource(),
    BenchLeads(),
    Unpowered(),
    HoldUpBackFeed(),
    PowerUp(),
    DiscreteLevels(),
    DiscreteLamps(),
    DiscreteDebounce(),
    DiscreteLatency(),
    DiscreteContacts(),
    DiscreteOpenLine(),
    DiscretePulseWidth(),
    DiscreteBounce(),
    DiscretePatterns(),
    DiscreteOvervoltage(),
    DiscreteToggles(),
    DiscreteLatencyAt(BusEnd.LOWEST),
    DiscreteLatencyAt(BusEnd.HIGHEST),
    DimmingCurve(),
    DimmingMap(),
    DimmingOffState(),
    DimmingSweep(),
    DimmingFlicker(),
    DimmingBus(),
    DimmingOpenWiper(),
    TrimLight(),
    TrimLatency(),
    TrimTaps(),
    TrimPriority(),
    TrimOpposing(),
    TrimContactGaps(),
    TrimRepeatedTaps(),
    TrimStuckSwitch(),
    TrimSpeed(),
    TrimAirspeedLost(),
    DimmingLoad(),
    TrimLoaded(),
    TrimLegs(),
    TrimMotor(),
    TrimMotorHeld(),
    TrimDropSweep(),
    TrimOverCurrent(),
    TrimShort(),
    TrimCutOff(),
    TrimTogether(),
    TrimBusVoltage(),
    GroundPin(),
    Inrush(),
    HoldUpRegulation(),
    HoldUpRideThrough(),
    HoldUpDropOut(),
    HoldUpRipple(),
    HoldUpLoadStep(),
    HoldUpOverload(),
    HoldUpConstantPower(),
    EngineStart(),
    BusInterruptions(State.IDLE),
    BusInterruptions(State.DIMMING),
    BusInterruptions(State.TRIM),
    BusInterruptions(State.HOLD_UP),
    Soak(),
    BusRamp(),
    BusRampHeld(),
    RampScan(),
    PowerCycles(),
    DipMap(),
    ResetLadder(),
    FinalRepeat(),
    Discharge(),
)

PROCEDURES: Mapping[str, Procedure] = MappingProxyType({procedure.name: procedure for procedure in _ALL})
