"""Pull-up current of active-low discretes, from two loads through the stimulus resistor; reads no report."""

from collections.abc import Sequence

from analysis.measurement import Doubt, Measurement
from analysis.uncertainty import Estimate, bounded, difference, product, ratio, total
from analysis.verdict import Cause
from test_plans.discrete_bench import of_sense, pins_of
from test_plans.discrete_pins import pin_for
from test_plans.driving import LEAD_S
from test_plans.expected import reading, worst
from test_plans.held_pins import line_explains, series_doubt, steps_of
from test_plans.procedure import Evidence
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named, voltage_signal

CAPTURE = "pull-up"
LIMIT = "low-pull-current"
RATE_HZ = 1000.0
PULL_LEVELS_V = (0.0, 2.0)
PULL_S = 0.25
PULL_UP_S = LEAD_S + PULL_S * len(PULL_LEVELS_V)  # the capture's length
SETTLE_S = 0.05


def pulled_up(setup: Setup) -> tuple[Discrete, ...]:
    """Return the discretes whose pull-up is measured: none where the sheet has no limit for it."""
    return of_sense(setup, Sense.ACTIVE_LOW) if LIMIT in setup.unit.limits else ()


def load_pull_ups(rig: Rig, setup: Setup) -> None:
    """Put every pull-up on two levels behind the stimulus resistor, one after the other, all at once."""
    discretes = pulled_up(setup)
    with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ) as session:
        for step, level_v in enumerate(PULL_LEVELS_V):
            for discrete in discretes:
                session.drive(discrete.name, level_v, at_s=LEAD_S + step * PULL_S)
        session.wait_until(PULL_UP_S)


def pull_current(evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]) -> Measurement:
    """Return the current into a short, with the doubts of a held pin."""
    record = Record(evidence, CAPTURE)
    found = _short_current(record, setup, discrete)
    return doubted(found, *held, *_line_doubts(record, setup, discrete, found)).measurement(
        id=f"{discrete.name}.pull-current",
        limit=LIMIT,
        title=f"{discrete.title}: pull-up current into a short",
        function=function_named(setup.unit, "discretes"),
        quantity_unit="A",
        pins=(discrete.pin,),
        notes=("from two loads through the stimulus resistor, carried on to 0 V at the pin",),
    )


def expected_pull_current(setup: Setup) -> float:
    """Return the largest standard uncertainty that a pull-up current will have, in A."""
    found = []
    for discrete in pulled_up(setup):
        signal = voltage_signal(discrete.name)
        loads = [
            (value_v, reading(setup, signal, pin_for(discrete, setup.bench, value_v))) for value_v in PULL_LEVELS_V
        ]
        found.append(_through_two_loads(setup, discrete, loads))
    return worst(*found)


def _line_doubts(record: Record, setup: Setup, discrete: Discrete, found: Estimate) -> tuple[Doubt, ...]:
    """Return the doubt that a current too high is the line's, whose resistor is taken as what the bench sheet says.

    A resistance in the line beyond that reads as more current at the same pull voltage. Too little current would take
    a resistor that has lost resistance, which no contact does: that is the unit's.
    """
    high_a = setup.unit.limits[LIMIT].high
    loads = [(value_v, pin.value) for value_v, pin in _loads(record, discrete)]
    if found.value > high_a and line_explains(discrete, loads):
        reason = f"pin {discrete.pin} takes {1000.0 * found.value:.2f} mA through its stimulus resistor"
        return (series_doubt(discrete, reason),)
    return ()


def _loads(record: Record, discrete: Discrete) -> list[tuple[float, Estimate]]:
    """Return (stimulus, reading at the pin) of every load."""
    return [
        (value_v, record.mean(voltage_signal(discrete.name), step_s + SETTLE_S, end_s - 0.005))
        for step_s, end_s, value_v in steps_of(record, discrete.name)
    ]


def _short_current(record: Record, setup: Setup, discrete: Discrete) -> Estimate:
    """Return I1 + V1 (I1 - I2) / (V2 - V1): the straight line through two loads, at 0 V (Thevenin)."""
    loads = _loads(record, discrete)
    if len(loads) < len(PULL_LEVELS_V):
        cut = Doubt(reason=f"{record.name}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
        return nothing(*(record.missing or (cut,)))
    return _through_two_loads(setup, discrete, loads)


def _through_two_loads(setup: Setup, discrete: Discrete, loads: Sequence[tuple[float, Estimate]]) -> Estimate:
    """Return the current into a short from (stimulus level, pin reading) of two loads."""
    facts = setup.bench
    resistor = bounded(
        facts.stimulus_resistance_ohm,
        facts.stimulus_resistance_bound * facts.stimulus_resistance_ohm,
        f"stimulus resistor {discrete.name}",
    )
    pins, currents = [], []
    for value_v, pin in loads:
        bound_v = facts.stimulus_relative_bound * max(PULL_LEVELS_V) + facts.stimulus_absolute_bound_v
        drive = bounded(value_v, bound_v, f"stimulus {discrete.name}")  # one source: its zero error is shared
        pins.append(pin)
        currents.append(ratio(difference(pin, drive), resistor))
    slope = ratio(difference(currents[0], currents[1]), difference(pins[1], pins[0]))
    return total(currents[0], product(slope, pins[0]))
