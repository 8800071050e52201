"""Which load relay of a dimming output is its rated load and which its short: by resistance, never by name."""

import math

from test_plans.sheets import DimmingOutput, LoadPosition, Setup

LIMIT = "dimming-short-current"
NO_LOAD = "a rated load"
NO_SHORT = "a short"


def rated_position(setup: Setup, output: DimmingOutput) -> str:
    """Return the heaviest load on which a conforming output stays below where its current limit may begin.

    Where the bench has none the answer names what is wanted; the plan check then finds no such load.
    """
    limit = setup.unit.limits.get(LIMIT)
    if limit is None:
        return NO_LOAD
    least_ohm = setup.unit.nominal_voltage_v / limit.low
    light = {
        name: load.resistance_ohm
        for name, load in _to_ground(setup, output).items()
        if load.resistance_ohm >= least_ohm and name != short_position(setup, output)
    }
    return min(light, key=lambda name: light[name], default=f"{NO_LOAD} of {least_ohm:.0f} ohm or little more")


def short_position(setup: Setup, output: DimmingOutput) -> str:
    """Return the load of lowest resistance, if it asks for more than the output's limit may give."""
    limit = setup.unit.limits.get(LIMIT)
    loads = _to_ground(setup, output)
    heaviest = min(loads, key=lambda name: loads[name].resistance_ohm, default=None)
    if limit is None or heaviest is None:
        return NO_SHORT
    most_ohm = 0.5 * setup.unit.nominal_voltage_v / limit.high
    return heaviest if loads[heaviest].resistance_ohm < most_ohm else f"{NO_SHORT} of less than {most_ohm:.0f} ohm"


def _to_ground(setup: Setup, output: DimmingOutput) -> dict[str, LoadPosition]:
    loads = setup.bench.loads.get(output.name, {})
    return {name: load for name, load in loads.items() if math.isfinite(load.resistance_ohm) and not load.to_reference}
