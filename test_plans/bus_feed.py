"""Active-high discretes fed from the bus itself: a relay with a resistor leads from the unit's power pin to the input.

The stimulus line stays at the pin, at its highest level, so what it gives is counted in. Both volts are sampled.
"""

from dataclasses import dataclass

from analysis.measurement import Doubt, Measurement, Observation
from analysis.uncertainty import Estimate, bounded, difference, ratio, scaled, total
from analysis.verdict import Cause
from test_plans.discrete_bench import of_sense
from test_plans.discrete_reports import report_doubts, state_at
from test_plans.expected import reading
from test_plans.load_line import Stretch, current_at
from test_plans.procedure import Evidence
from test_plans.readings import Record, doubted, nothing
from test_plans.sheets import BenchFacts, Discrete, LoadPosition, Sense, Setup
from test_plans.signals import function_named, voltage_signal

CAPTURE = "from-bus"
FED = "fed_from_bus"
LIMIT = "high-input-current"
BUS_PART = 0.98  # of what the unit survives: the over-voltage protection stands there
SETTLE_S = 0.1  # after the relays: debounce, scan and frame
LAST_S = 1.0  # the current is read over the last second
LET_GO_S = 0.3
SAME_PART = 0.25  # of what an input conducts: so far two lines may differ and still tell the same of it


def feed_of(facts: BenchFacts, discrete: Discrete) -> tuple[str, LoadPosition] | None:
    """Return the relay position that feeds a discrete from the bus, with its resistor; None where there is none."""
    feeds = [(name, load) for name, load in facts.loads.get(discrete.name, {}).items() if load.to_bus]
    return feeds[0] if feeds else None


def fed_discretes(setup: Setup) -> tuple[tuple[Discrete, str, LoadPosition], ...]:
    """Return every active-high discrete that can be fed from the bus, with position and resistor."""
    found = ((discrete, feed_of(setup.bench, discrete)) for discrete in of_sense(setup, Sense.ACTIVE_HIGH))
    return tuple((discrete, *feed) for discrete, feed in found if feed is not None)


def bus_for_feeding_v(setup: Setup) -> float:
    """Return what the bus is raised to: near what the unit survives."""
    return BUS_PART * setup.unit.survives_voltage_v


def fed_pin_v(setup: Setup, discrete: Discrete, feed: LoadPosition, line_v: float) -> float:
    """Return where a good unit's pin stands, its stimulus at `line_v`: three resistors balance."""
    ohms_volts = (
        (feed.resistance_ohm, bus_for_feeding_v(setup)),
        (setup.bench.stimulus_resistance_ohm, line_v),
        (discrete.pull_resistance_ohm, discrete.pull_voltage_v),
    )
    return sum(volts / ohms for ohms, volts in ohms_volts) / sum(1.0 / ohms for ohms, _ in ohms_volts)


def feed_a(setup: Setup, discrete: Discrete, feed: LoadPosition, line_v: float) -> float:
    """Return what the resistor carries with a good unit."""
    return (bus_for_feeding_v(setup) - fed_pin_v(setup, discrete, feed, line_v)) / feed.resistance_ohm


def expected_a(setup: Setup, line_v: float) -> float:
    """Return the largest standard uncertainty of a current that an input takes from the bus; 0 where none is fed."""
    found = [0.0]
    for discrete, _, feed in fed_discretes(setup):
        pin_v = fed_pin_v(setup, discrete, feed, line_v)
        drop = difference(
            reading(setup, "unit.voltage", bus_for_feeding_v(setup)),
            reading(setup, voltage_signal(discrete.name), pin_v),
        )
        found.append(drop.standard_uncertainty / feed.resistance_ohm)
    return max(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What an input takes by one line, and where its pin stands meanwhile."""

    pin_v: Estimate
    current_a: Estimate

    @property
    def conductance_s(self) -> Estimate:
        """What the input conducts to ground by that."""
        return ratio(self.current_a, self.pin_v)

    def agrees(self, other: "Taken") -> bool:
        """Say whether both lines tell the same of the input: that it conducts as much at one level as at the other.

        A line of more resistance than its sheet says reads as more current, but at one of them only.
        """
        mine, theirs = self.conductance_s, other.conductance_s
        most = max(mine.value, theirs.value)
        if mine.doubts or theirs.doubts or not most > 0.0:
            return False
        return abs(mine.value - theirs.value) <= SAME_PART * most


def taken_from_stimulus(record: Record, setup: Setup, discrete: Discrete, stretch: Stretch) -> Taken:
    """Return what an input takes through its stimulus resistor."""
    pin_v, given_a = current_at(record, setup.bench, discrete, stretch)
    return Taken(pin_v=pin_v, current_a=scaled(given_a, -1.0))


def taken_from_bus(record: Record, setup: Setup, discrete: Discrete, line_v: float) -> Taken:
    """Return what an input takes in the last second of its feeding: through the feed, and through its stimulus.

    Raises:
        KeyError: the bench has no feed for it.
    """
    feed = {fed.name: feed for fed, _, feed in fed_discretes(setup)}[discrete.name]
    times_s = [time_s for time_s, _ in record.notes(FED)]
    if len(times_s) != 2:
        cut = Doubt(reason=f"{CAPTURE}: the feeding was cut short", cause=Cause.BENCH, next_step="run it again")
        unknown = nothing(*(record.missing or (cut,)))
        return Taken(pin_v=unknown, current_a=unknown)
    last = Stretch(start_s=times_s[1] - LAST_S, stop_s=times_s[1] - 0.005, drive_v=line_v)
    by_line = taken_from_stimulus(record, setup, discrete, last)
    bus_v = record.mean("unit.voltage", last.start_s, last.stop_s)
    resistor = bounded(
        feed.resistance_ohm, feed.relative_bound * feed.resistance_ohm, f"feed of {discrete.name} from the bus"
    )
    return Taken(
        pin_v=by_line.pin_v,
        current_a=total(ratio(difference(bus_v, by_line.pin_v), resistor), by_line.current_a),
    )


def current_finding(setup: Setup, discrete: Discrete, taken: Taken, by_line: Taken) -> Measurement:
    """Return the current from the bus, in doubt where it is too high and the stimulus line does not confirm it."""
    found = taken.current_a
    if found.value > setup.unit.limits[LIMIT].high and not taken.agrees(by_line):
        found = doubted(
            found,
            Doubt(
                reason=f"pin {discrete.pin} takes {1000.0 * found.value:.2f} mA from the bus, and by its stimulus line "
                f"{1000.0 * by_line.current_a.value:.2f} mA: one of the two lines is not what the bench sheet says",
                cause=Cause.UNDECIDED,
                next_step=f"measure the resistors of both lines to {discrete.pin}, the unit unplugged",
            ),
        )
    return found.measurement(
        id=f"{discrete.name}.input-current-from-bus",
        limit=LIMIT,
        title=f"{discrete.title}: current it takes from the bus",
        function=function_named(setup.unit, "discretes"),
        quantity_unit="A",
        pins=(discrete.pin,),
        notes=(f"bus at {bus_for_feeding_v(setup):.1f} V, pin at {taken.pin_v.value:.1f} V",),
    )


def state_finding(record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
    """Return that the input read active while it was fed, and not after it."""
    reports = record.reports(discrete.report)
    times_s = [time_s for time_s, _ in record.notes(FED)]
    wrong = []
    if len(times_s) == 2:
        within = [
            bool(event.fields["state"]) for event in reports if times_s[0] + SETTLE_S <= event.time_s < times_s[1]
        ]
        wrong += ["not active throughout"] if not within or not all(within) else []
        wrong += ["still active after it"] if state_at(reports, times_s[1] + LET_GO_S - 0.05) is not False else []
    return Observation(
        id=f"{discrete.name}.from-bus",
        title=f"{discrete.title}: active while fed from the bus and inactive after it",
        function=function_named(setup.unit, "discretes"),
        statement="it is reported active as long as it is fed, and inactive afterwards",
        trials=int(len(times_s) == 2),
        failures=int(bool(wrong)),
        detail="; ".join(wrong),
        doubts=(*report_doubts(record, evidence, setup, discrete), *_not_fed(record, setup, discrete, times_s)),
        captures=record.names,
        pins=(discrete.pin,),
    )


def _not_fed(record: Record, setup: Setup, discrete: Discrete, times_s: list[float]) -> tuple[Doubt, ...]:
    """Return the doubt that the pin did not rise with the feed, so that its state says nothing of it."""
    if len(times_s) != 2:
        return ()
    pin_v = record.mean(voltage_signal(discrete.name), times_s[1] - LAST_S, times_s[1] - 0.005).value
    if pin_v > 0.5 * bus_for_feeding_v(setup):
        return ()
    return (
        Doubt(
            reason=f"pin {discrete.pin} stood at {pin_v:.1f} V with its feed on",
            cause=Cause.UNDECIDED,
            next_step=f"unplug the unit and look at {discrete.pin} with the relay on",
        ),
    )
