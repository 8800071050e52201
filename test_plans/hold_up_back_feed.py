"""Back-feed: the unit unpowered, its hold-up output held up from outside as a display with a battery does.

The dip source holds it through a resistor on a load relay. What flows backwards is read as volts across that resistor,
and the channel of the output's current must agree: a source or relay that does nothing proves nothing.
"""

from collections.abc import Iterable
from dataclasses import replace

from analysis.measurement import Doubt, Result
from analysis.uncertainty import Estimate, bounded, difference, ratio, total
from analysis.verdict import Cause
from test_plans.expected import load_of, reading, typical
from test_plans.hold_up import CURRENT, held_output, put_load, without_hold_up
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, agreement, doubted
from test_plans.rig import Rig, Source, SupplyPath, Tread
from test_plans.sheets import Setup
from test_plans.signals import current_signal, voltage_signal

RATE_HZ = 2000.0
EMPTIES_S = 1.5  # the unit, through the bleed
CHARGES_S = 0.6  # the output's capacitor, through the resistor
READ_S = 0.2
LIMIT_PART = 2.0  # of what a short would draw through the resistor: the source's current limit
DEAD_BUS_V = 0.5
CAPTURE, BEFORE = "fed", "before"
REVERSE, BUS = "hold-up-reverse-current", "hold-up-back-fed-bus"


class HoldUpBackFeed:
    """Reverse current, and what reaches the bus."""

    name = "hold-up-back-feed"
    title = "Hold-up output held up from outside, the unit unpowered: back-feed"
    conditions = ()
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures, and a resistor from the dip source."""
        output = held_output(setup)
        captures = tuple(
            CaptureNeed(
                name=name,
                signals=_signals(setup),
                sample_rate_hz=RATE_HZ,
                duration_s=READ_S,
                highest_v={voltage_signal(output.name): output.held_v},
            )
            for name in (BEFORE, CAPTURE)
        )
        return Needs(
            bench_time_s=2.0 * READ_S + EMPTIES_S + CHARGES_S + 1.0,
            captures=captures,
            loads=((output.name, feed_of(setup) or f"{MISSING} from the dip source"),),
            load_current_a=output.held_v / load_of(setup, output.name, feed_of(setup)).resistance_ohm,
            limits=((REVERSE, _expected_a(setup)), (BUS, reading(setup, "unit.voltage", 0.0).standard_uncertainty)),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Leave the unit unpowered, look, then feed its output."""
        output, feed = held_output(setup), feed_of(setup)
        rig.idle_inputs()
        rig.arm(False)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        put_load(rig, setup, "open")
        rig.wait(EMPTIES_S)
        with rig.capture(BEFORE, _signals(setup), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(READ_S)
        most_a = LIMIT_PART * output.held_v / load_of(setup, output.name, feed).resistance_ohm
        rig.load_course(Source.DIP_SOURCE, (Tread(output.held_v, 1.0),), most_a)
        put_load(rig, setup, feed)
        rig.wait(CHARGES_S)
        with rig.capture(CAPTURE, _signals(setup), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(READ_S)
        put_load(rig, setup, "open")
        rig.end_course(Source.DIP_SOURCE)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the current into the output and the voltage on the bus."""
        record, output = Record(evidence, CAPTURE), held_output(setup)
        spoilt = _doubts(record, Record(evidence, BEFORE), setup)
        source = f"{output.held_v:g} V through {feed_of(setup)}"
        yield doubted(_reverse(record, setup), *spoilt).measurement(
            id=f"{output.name}.reverse-current",
            limit=REVERSE,
            title=f"{output.title}, unit unpowered: takes from a source at it",
            function=output.function,
            quantity_unit="A",
            pins=(output.plus_pin,),
            notes=(source,),
        )
        yield doubted(record.mean("unit.voltage"), *spoilt).measurement(
            id=f"{output.name}.back-fed-bus",
            limit=BUS,
            title=f"{output.title}, unit unpowered: what a source at it leaves on the bus",
            function=output.function,
            quantity_unit="V",
            pins=(setup.unit.power_pin, output.plus_pin),
            notes=(source,),
        )


MISSING = "100 ohm"  # what such a resistor may well be where the bench has none


def feed_of(setup: Setup) -> str:
    """Return the position that leads from the dip source to the hold-up output; "" where the bench has none."""
    loads = setup.bench.loads.get(held_output(setup).name, {})
    return next((name for name, load in loads.items() if load.to_dip_source), "")


def _signals(setup: Setup) -> tuple[str, ...]:
    name = held_output(setup).name
    return ("unit.voltage", CURRENT, voltage_signal(name), current_signal(name))


def _source(setup: Setup) -> Estimate:
    """Return what the dip source stands at: its setting, as well as its sheet bounds it."""
    facts, held_v = setup.bench.dip_source, held_output(setup).held_v
    if facts is None:
        return bounded(held_v, 0.0, "dip source")
    return bounded(held_v, facts.set_relative_bound * held_v + facts.set_absolute_bound_v, "dip source")


def _through(setup: Setup, pin: Estimate) -> Estimate:
    """Return the current from source to pin."""
    load = load_of(setup, held_output(setup).name, feed_of(setup))
    resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, "resistor of the feed")
    return ratio(difference(_source(setup), pin), resistor)


def _reverse(record: Record, setup: Setup) -> Estimate:
    pin = record.mean(voltage_signal(held_output(setup).name))
    return replace(_through(setup, pin), doubts=pin.doubts, captures=record.names)


def _doubts(record: Record, before: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why nothing was shown: a bus that was not dead before, or a feed that the current does not confirm."""
    if record.capture is None or before.capture is None:
        return (*record.missing, *before.missing)
    output = held_output(setup)
    found = [*record.doubts(_signals(setup)), *before.doubts(_signals(setup))]
    stood_v = before.mean("unit.voltage").value
    if not abs(stood_v) < DEAD_BUS_V:
        reason = f"{before.name}: {stood_v:.2f} V on the bus with nothing connected"
        step = "see what holds the bus: contactor, bleed, or the input of unit.voltage (bench-check)"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    backwards = record.mean(current_signal(output.name))
    if not agreement(total(_reverse(record, setup), backwards)):
        reason = (
            f"{record.name}: the resistor's drop says {1e3 * _reverse(record, setup).value:.0f} mA into the output, "
            f"the channel of its current {-1e3 * backwards.value:.0f} mA"
        )
        step = f"check the dip source, the relay of {feed_of(setup)} and the channel {current_signal(output.name)}"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    return tuple(found)


def _expected_a(setup: Setup) -> float:
    load = load_of(setup, held_output(setup).name, feed_of(setup))
    pin_v = held_output(setup).held_v - load.resistance_ohm * typical(setup, REVERSE)
    return _through(setup, reading(setup, voltage_signal(held_output(setup).name), pin_v)).standard_uncertainty
