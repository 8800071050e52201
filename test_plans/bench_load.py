"""The electronic load at the unit plug, the unit unplugged: zero, currents, power, resistance, the reversing relay.

What it draws is held against its setting by the shunt of the positive leg. Whatever is wrong here is the bench's; what
needs the load waits for it, and nothing else does.
"""

import math
from collections.abc import Iterable, Iterator

from analysis.measurement import Result
from analysis.uncertainty import Estimate, bounded, difference, exact, product, ratio
from test_plans.bench_agreement import forward_current
from test_plans.bench_observation import bench_observation
from test_plans.conditions import bus_voltage_v
from test_plans.drawn import Stretch, set_current, stretches_of
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, agreement
from test_plans.rig import Drawn, Rig, SupplyPath
from test_plans.sheets import ElectronicLoadFacts, Setup

RATE_HZ = 2000.0
PLUG = "plug"
WIDE = "unit.current.high"
SIGNALS = ("unit.voltage", WIDE)
CAPTURE, REVERSED = "drawn", "reversed"
STEP_S = 0.25
ZERO_S = 0.25
SUPPLY_RATE_V_PER_S = 100.0
CURRENTS_A = (0.2, 1.5, 4.0)  # least and most of the sweep, and what trips a trim output
POWER_W = 30.0
RESISTANCE_OHM = 10.0
LIMIT_A = 8.0
METER_S = 0.1  # after a level was set its own meters are read
NO_CURRENT_A = 0.0
NOISE_TIMES = 4.0  # of the channel's own
STEADY_PART = 0.01  # of the mean, rms


class BenchLoad:
    """The electronic load against its own settings."""

    name = "bench-load"
    title = "Electronic load: zero, currents, power and resistance at the plug"
    conditions = ("voltage_v",)

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it touches the bench alone."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return its two captures and the load."""
        volts = bus_voltage_v(setup)
        highest = {"unit.voltage": volts, "unit.current.high": max(CURRENTS_A)}
        return Needs(
            bench_time_s=_drawn_s() + STEP_S + 1.2,
            captures=(
                CaptureNeed(
                    name=CAPTURE, signals=SIGNALS, sample_rate_hz=RATE_HZ, duration_s=_drawn_s(), highest_v=highest
                ),
                CaptureNeed(
                    name=REVERSED, signals=SIGNALS, sample_rate_hz=RATE_HZ, duration_s=STEP_S, highest_v=highest
                ),
            ),
            highest_voltage_v=volts,
            supply_current_a=max(CURRENTS_A),
            current_limit_a=LIMIT_A,
            drawn_from=(PLUG,),
            drawn_a=max(CURRENTS_A),
            drawn_w=max(CURRENTS_A) * volts,
            drawn_reversed=True,
            paths=(SupplyPath.RUN.value,),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Draw each level at the plug, then the other way round."""
        rig.connect(SupplyPath.OPEN)
        rig.connect_load(PLUG)
        rig.set_supply(0.0, LIMIT_A)
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        rig.ramp_supply(bus_voltage_v(setup), rate_v_per_s=SUPPLY_RATE_V_PER_S)
        rig.wait(0.1)
        with rig.capture(CAPTURE, SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(ZERO_S)
            for position, (drawn, level) in enumerate(_levels()):
                rig.draw(drawn, level)
                session.wait_until(ZERO_S + position * STEP_S + METER_S)
                rig.read_load()
                session.wait_until(ZERO_S + (position + 1) * STEP_S)
            rig.stop_drawing()
        rig.connect_load(PLUG, reverse=True)
        with rig.capture(REVERSED, SIGNALS, sample_rate_hz=RATE_HZ) as session:
            rig.draw(Drawn.CURRENT, CURRENTS_A[1])
            session.wait_until(METER_S)
            rig.read_load()
            session.wait_until(STEP_S)
            rig.stop_drawing()
        rig.disconnect_load()
        rig.set_supply(0.0, LIMIT_A)
        rig.wait(0.2)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each kind of thing that must be right."""
        facts = setup.bench.electronic_load
        record, reverse = Record(evidence, CAPTURE), Record(evidence, REVERSED)
        if facts is None:
            return
        stretches = stretches_of(record)
        complete = len(stretches) == len(_levels())
        yield self._zero(record)
        for id_, title, statement, wrong in (
            ("settings", "what is drawn against what was set", _levels_words(), _settings(record, facts, stretches)),
            ("meters", "its own meters against the shunt", "both show the same", _meters(record, facts, stretches)),
            ("steady", "what it draws stands still", "no sample swings about the mean", _swings(record, stretches)),
        ):
            yield bench_observation(
                f"bench-load.{id_}",
                f"Bench: electronic load, {title}",
                statement,
                wrong=tuple(wrong) if complete else (),
                tried=complete,
                captures=record.names,
                doubts=(*record.missing, *record.doubts(SIGNALS)),
            )
        yield self._reversed(reverse)

    def _zero(self, record: Record) -> Result:
        stretches = stretches_of(record)
        zero = record.mean("unit.current", 0.0, stretches[0].begun_s - 0.03 if stretches else None)
        return bench_observation(
            "bench-load.zero",
            "Bench: electronic load, off",
            "off, it draws nothing",
            wrong=() if agreement(zero) or zero.doubts else (f"{zero.value:.4f} A flow",),
            tried=record.capture is not None,
            captures=record.names,
            doubts=zero.doubts,
        )

    def _reversed(self, record: Record) -> Result:
        """Give whether the relay exchanges the leads: the other way round the load says so and draws nothing."""
        stretches = stretches_of(record)
        flowing = record.mean("unit.current", stretches[0].from_s, stretches[0].to_s) if stretches else exact(math.nan)
        said = [event for event in _load_events(record) if event["reversed"]]
        wrong = [] if said else ["the load does not see its leads exchanged"]
        if not agreement(flowing):
            wrong.append(f"{flowing.value:.4f} A flow")
        return bench_observation(
            "bench-load.reversed",
            "Bench: electronic load, leads exchanged",
            "the other way round it draws nothing",
            wrong=wrong,
            tried=bool(stretches),
            captures=record.names,
            doubts=(*record.missing, *flowing.doubts),
        )


def _levels() -> tuple[tuple[Drawn, float], ...]:
    currents = tuple((Drawn.CURRENT, level) for level in CURRENTS_A)
    return (*currents, (Drawn.POWER, POWER_W), (Drawn.RESISTANCE, RESISTANCE_OHM))


def _levels_words() -> str:
    amps = ", ".join(f"{level:g}" for level in CURRENTS_A)
    return f"{amps} A, {POWER_W:g} W and {RESISTANCE_OHM:g} ohm are drawn as set"


def _drawn_s() -> float:
    return ZERO_S + STEP_S * len(_levels()) + 0.05


def _expected(facts: ElectronicLoadFacts, stretch: Stretch, volts: Estimate) -> Estimate:
    """Return the current that a level must draw at these volts; what it is off by is what its current is off by."""
    if stretch.drawn is Drawn.CURRENT:
        return set_current(facts, stretch.level)
    level = exact(stretch.level)
    wanted = ratio(level, volts) if stretch.drawn is Drawn.POWER else ratio(volts, level)
    bound_a = facts.current_relative_bound * wanted.value + facts.current_absolute_bound_a
    bound_a += facts.voltage_relative_bound * wanted.value
    return difference(wanted, bounded(0.0, bound_a, "electronic load level"))


def _settings(record: Record, facts: ElectronicLoadFacts, stretches: Iterable[Stretch]) -> Iterator[str]:
    for stretch in stretches:
        flowing = forward_current(record, stretch.from_s, stretch.to_s)
        volts = record.mean("unit.voltage", stretch.from_s, stretch.to_s)
        expected = _expected(facts, stretch, volts)
        if not agreement(difference(flowing, expected)):
            unit = {Drawn.CURRENT: "A", Drawn.POWER: "W", Drawn.RESISTANCE: "ohm"}[stretch.drawn]
            yield f"{flowing.value:.3f} A flow with {stretch.level:g} {unit} set, where {expected.value:.3f} A belong"


def _swings(record: Record, stretches: Iterable[Stretch]) -> Iterator[str]:
    """Yield where the current swings by more than its channel's noise: a mean hides a loop that oscillates."""
    for stretch in stretches:
        amps = record.samples(WIDE, stretch.from_s, stretch.to_s)
        if record.capture is None or not amps.size:
            continue
        swing_a, mean_a = float(amps.std()), float(amps.mean())
        if swing_a > NOISE_TIMES * record.capture.channels[WIDE].noise + STEADY_PART * mean_a:
            yield f"{mean_a:.3f} A swing by {swing_a:.3f} A (rms)"


def _meters(record: Record, facts: ElectronicLoadFacts, stretches: Iterable[Stretch]) -> Iterator[str]:
    for stretch, shown in zip(stretches, _load_events(record), strict=False):
        flowing = forward_current(record, stretch.from_s, stretch.to_s)
        volts = record.mean("unit.voltage", stretch.from_s, stretch.to_s)
        bound_v = facts.voltage_relative_bound * abs(volts.value) + facts.voltage_absolute_bound_v
        shown_a = set_current(facts, shown["current_a"])
        shown_v = bounded(shown["voltage_v"], bound_v, "electronic load voltage")
        if not agreement(difference(shown_a, flowing)):
            yield f"it shows {shown_a.value:.3f} A where {flowing.value:.3f} A flow"
        if not agreement(difference(shown_v, volts)):
            yield f"it shows {shown_v.value:.2f} V where {volts.value:.2f} V stand"
        if not agreement(difference(product(shown_a, shown_v), exact(shown["power_w"]))):
            yield f"it shows {shown['power_w']:.1f} W at {shown_v.value:.2f} V and {shown_a.value:.3f} A"


def _load_events(record: Record) -> list[dict[str, float]]:
    events = () if record.capture is None else record.capture.events_of("electronic-load")
    keys = ("voltage_v", "current_a", "power_w", "reversed")
    return [{key: float(event.fields[key]) for key in keys} for event in sorted(events, key=lambda event: event.time_s)]
