"""Every procedure by name. A plan names them; adding one here is all it takes to make it known."""

from collections.abc import Mapping
from types import MappingProxyType

from test_plans.bench_checks import BenchCheck
from test_plans.bench_leads import BenchLeads
from test_plans.bus_ramp import BusRamp
from test_plans.dimming import DimmingCurve
from test_plans.discharge import Discharge
from test_plans.discretes_debounce import DiscreteDebounce
from test_plans.discretes_latency import DiscreteLatency
from test_plans.discretes_levels import DiscreteLevels
from test_plans.final_repeat import FinalRepeat
from test_plans.ground_pin import GroundPin
from test_plans.power_up import PowerUp
from test_plans.procedure import Procedure
from test_plans.trim_cut_off import TrimCutOff
from test_plans.trim_light import TrimLight
from test_plans.trim_loaded import TrimLoaded
from test_plans.unpowered import Unpowered

_ALL: tuple[Procedure, ...] = (
    BenchCheck(),
    BenchLeads(),
    Unpowered(),
    PowerUp(),
    DiscreteLevels(),
    DiscreteDebounce(),
    DiscreteLatency(),
    DimmingCurve(),
    TrimLight(),
    TrimLoaded(),
    TrimCutOff(),
    GroundPin(),
    BusRamp(),
    FinalRepeat(),
    Discharge(),
)

PROCEDURES: Mapping[str, Procedure] = MappingProxyType({procedure.name: procedure for procedure in _ALL})
