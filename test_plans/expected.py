"""What a reading will be worth on this bench, before it is taken: for `Needs.limits`, out of the bench sheet alone.

Estimates made here share gain and offset of a channel as real readings do, so the arithmetic of `analysis.uncertainty`
gives the budget that an `evaluate` will have. The unit's own scatter is not in it.
"""

import math

from analysis.capture import CODE_MAX, AnalogChannel
from analysis.reading import at_channel
from analysis.uncertainty import Estimate, bounded, exact, ratio
from test_plans.sheets import LoadPosition, Setup

SAMPLES = 100  # that a mean is taken of at least: more of them make no difference beside the channel's bound


def typical(setup: Setup, key: str) -> float:
    """Return what a good unit is going to read for a limit: its nominal value, else the limit itself.

    Of two finite limits without a nominal value it is the larger magnitude. A limit that the sheet lacks is no
    business of uncertainty: it gives 0, and the plan check says what lacks.
    """
    limit = setup.unit.limits.get(key)
    if limit is None:
        return 0.0
    if math.isfinite(limit.nominal):
        return limit.nominal
    return max((side for side in (limit.low, limit.high) if math.isfinite(side)), key=abs)


def reading(setup: Setup, signal: str, value: float, *, samples: int = SAMPLES, when: str = "") -> Estimate:
    """Return a mean of `signal` that is going to read `value`, in the channel's unit.

    Two of one signal share the noise too if they read the same value `when` the same: they are one reading.

    A signal that is not wired is no business of uncertainty: it comes out exact, and the plan check says what lacks.
    """
    facts = setup.bench.channels.get(signal)
    if facts is None:
        return exact(value)
    channel = AnalogChannel(
        name=signal,
        quantity_unit=facts.quantity_unit,
        scale=facts.full_scale / CODE_MAX,
        offset=0.0,
        relative_bound=facts.relative_bound,
        absolute_bound=facts.absolute_bound,
        noise=facts.noise,
        instrument=signal,
        calibration="expected",
        wiring="",
    )
    return at_channel(
        channel, value, u_noise=facts.noise / math.sqrt(samples), name=f"{signal} noise at {value:.6g} {when}"
    )


def timed(setup: Setup, duration_s: float) -> Estimate:
    """Return a duration by the sample clock, without what its two edges add."""
    return bounded(duration_s, setup.bench.clock_bound * duration_s, "sample clock")


def load_of(setup: Setup, output: str, position: str) -> LoadPosition:
    """Return a load; where the bench has no such one it is open, and the plan check says what lacks."""
    missing = LoadPosition(resistance_ohm=math.inf, relative_bound=0.0)
    return setup.bench.loads.get(output, {}).get(position, missing)


def through(setup: Setup, output: str, position: str, voltage_v: float) -> float:
    """Return the current that a voltage drives through a load of the bench, in A."""
    return voltage_v / load_of(setup, output, position).resistance_ohm


def as_current(setup: Setup, voltage: Estimate, output: str, position: str) -> Estimate:
    """Return a current read as volts across a load."""
    load = load_of(setup, output, position)
    if math.isinf(load.resistance_ohm):
        return exact(0.0)
    resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, f"load of {output}")
    return ratio(voltage, resistor)


def worst(*estimates: Estimate) -> float:
    """Return the largest standard uncertainty among them; 0 where there is none."""
    return max((estimate.standard_uncertainty for estimate in estimates), default=0.0)
