"""What shots at profiles of the bus need of a bench, whichever procedure takes them."""

from collections.abc import Sequence

from test_plans.conditions import conforming_a
from test_plans.hold_up import CONDITION, full_load
from test_plans.procedure import CaptureNeed, Needs
from test_plans.profile_shot import hold_up_of, shot_limit_a
from test_plans.profile_way import Means, Way
from test_plans.rig import SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named


def shot_functions(setup: Setup) -> tuple[str, ...]:
    """Return the functions that a shot touches: the power input's, and the hold-up output's."""
    output = hold_up_of(setup)
    held = () if output is None else (output.function,)
    return tuple(dict.fromkeys((function_named(setup.unit, "power"), *held)))


def shot_needs(
    setup: Setup,
    captures: Sequence[CaptureNeed],
    ways: Sequence[Way],
    *,
    highest_v: float,
    apart_s: float,
    limits: tuple[tuple[str, float], ...] = (),
) -> Needs:
    """Return what shots with these captures need, the hold-up output loaded; `apart_s` is bench time besides."""
    output = hold_up_of(setup)
    switched = any(one.means in {Means.DIP_SOURCE, Means.DIP_AND_BACK} for one in ways)
    return Needs(
        bench_time_s=apart_s + sum(need.duration_s for need in captures),
        captures=tuple(captures),
        highest_voltage_v=highest_v,
        supply_current_a=0.0 if output is None else conforming_a(setup, CONDITION),
        current_limit_a=shot_limit_a(setup),
        loads=() if output is None else ((output.name, full_load(setup)),),
        load_current_a=0.0 if output is None else output.rated_current_a,
        paths=(SupplyPath.RUN.value, *((SupplyPath.DIP_SOURCE.value,) if switched else ())),
        bus=bool(setup.unit.bus.reports),
        limits=limits,
        ways=tuple(ways),
    )
