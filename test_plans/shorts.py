"""Shorts of an output: a resistor of next to nothing on a load relay, fused on the bench."""

from test_plans.sheets import Setup

SHORT_OHM = 0.25  # from here down a load is a short


def short_of(setup: Setup, output: str) -> str:
    """Return the position of the bench's lowest short for an output, "" where it has none."""
    loads = setup.bench.loads.get(output, {})
    shorts = {
        name: load.resistance_ohm
        for name, load in loads.items()
        if load.resistance_ohm <= SHORT_OHM and load.motor is None and not load.to_dip_source and not load.to_reference
    }
    return min(shorts, key=lambda name: shorts[name], default="")
