"""The dip source and the bus switch to it, into a resistor at the unit plug: before any unit is put through a dip.

A dip source has no sense leads, so what stands at the plug is its setting less what its own resistance, the switch and
the leads drop; two currents part a resistance from a wrong setting. How long the bus is open while the switch changes,
and how fast the source moves, is read from the same samples.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Result
from analysis.power import Consistency, leads_agree
from analysis.uncertainty import Estimate, bounded, total
from test_plans.bench_agreement import LEAD_TOLERANCE
from test_plans.bench_observation import bench_observation
from test_plans.conditions import number, text
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.profile_way import LONGEST_BREAK_S
from test_plans.readings import Record
from test_plans.rig import BUS_SWITCH, Rig, Source, SupplyPath, Tread
from test_plans.sheets import Setup, SourceFacts

RATE_HZ = 50_000.0  # a break lasts some of its samples
CAPTURE = "dip"
SIGNALS = ("unit.voltage", "unit.current.high")
SUPPLY_RATE_V_PER_S = 100.0
BEFORE_S = 0.05
LEAD_S = 0.3  # the source plays its first step as long before the switch comes to it
STEP_S = 0.25
AFTER_S = 0.1
SETTLED_S = 0.08  # of a step: it is there, and the step before is over
SOONER_S = 0.02  # a step may end as much sooner than it ought to
SWITCHES_S = 0.03  # from the order on: all that a switch may do
SUPPLY_PART = 0.75  # of the higher current, at which the supply stands before and after
SLEW_PART = 0.9  # of the stated rate
LOW_PART, HIGH_PART = 0.2, 0.8  # of a step, between which it is timed


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """One step of the course, as read: what was set, and whether the plug shows it less the drop on the way."""

    set_v: float
    pins: Estimate
    current: Estimate
    check: Consistency


class BenchDipSource:
    """The dip source's setting, resistance and slew, and the bus switch on its way there and back."""

    name = "bench-dip-source"
    title = "Dip source and bus switch at the plug"
    conditions = ("current_a", "load")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why it is left out: the bench has no dip source that plays a course."""
        source = setup.bench.dip_source
        if source is None or not source.list_points:
            return NotForModel(reason=f"bench {setup.bench.name} has no dip source that plays a course")
        return None

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it touches the bench alone."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return its capture, the resistor and both positions of the bus switch."""
        most_v = _volts(setup)[1]
        return Needs(
            bench_time_s=_duration_s() + 1.5,
            captures=(
                CaptureNeed(
                    name=CAPTURE,
                    signals=SIGNALS,
                    sample_rate_hz=RATE_HZ,
                    duration_s=_duration_s(),
                    highest_v={"unit.voltage": most_v, "unit.current.high": _current_a(setup)},
                ),
            ),
            highest_voltage_v=most_v,
            supply_current_a=_current_a(setup),
            current_limit_a=_limit_a(setup),
            loads=(("plug", _load(setup)),),
            load_current_a=_current_a(setup),
            paths=(SupplyPath.RUN.value, SupplyPath.DIP_SOURCE.value),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Put the resistor from the supply to the dip source, which plays a step up and down, and back."""
        low_v, high_v, supply_v = _volts(setup)
        rig.connect(SupplyPath.OPEN)
        rig.set_load("plug", _load(setup))
        rig.set_supply(0.0, _limit_a(setup))
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        rig.ramp_supply(supply_v, rate_v_per_s=SUPPLY_RATE_V_PER_S)
        steps = (Tread(low_v, LEAD_S + STEP_S), Tread(high_v, STEP_S), Tread(low_v, 2.0 * STEP_S))
        rig.load_course(Source.DIP_SOURCE, steps, _limit_a(setup))
        rig.wait(0.2)
        with rig.capture(CAPTURE, SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(BEFORE_S)
            began_s = session.now_s
            session.play_course(Source.DIP_SOURCE)
            session.switch_bus(SupplyPath.DIP_SOURCE, at_s=began_s + LEAD_S)
            session.wait_until(began_s + LEAD_S + 2.0 * STEP_S)
            session.switch_bus(SupplyPath.RUN, at_s=began_s + LEAD_S + 3.0 * STEP_S)
            session.wait_until(began_s + LEAD_S + 3.0 * STEP_S + AFTER_S)
        rig.end_course(Source.DIP_SOURCE)
        rig.ramp_supply(0.0, rate_v_per_s=SUPPLY_RATE_V_PER_S)
        rig.wait(0.1)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        rig.set_load("plug", "open")

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation each for the levels, the slew, the switch, and the way back to the supply."""
        record, source = Record(evidence, CAPTURE), setup.bench.dip_source
        there_s, back_s = _switched(record)
        played = record.capture is not None and source is not None and math.isfinite(there_s + back_s)
        asked: tuple[tuple[str, str, str, Iterator[str]], ...] = ()
        if played and source is not None:
            asked = (
                ("level", "dip source's setting at the plug", _levels_words(setup), _off(record, setup, there_s)),
                ("slew", "dip source's slew", _slew_words(source), _slow(record, setup, source, there_s)),
                ("switch", "bus switch", _switch_words(setup), _broken(record, setup, (there_s, back_s))),
                ("back", "back at the supply", "the plug stands where the supply is set", _lost(record, setup, back_s)),
            )
        titles = ("level", "slew", "switch", "back")
        for id_, title, statement, wrong in asked or ((name, name, "it was played", iter(())) for name in titles):
            yield bench_observation(
                f"bench-dip-source.{id_}",
                f"Bench: {title}",
                statement,
                wrong=tuple(wrong),
                tried=played,
                captures=record.names,
                doubts=(*record.missing, *record.doubts(SIGNALS)),
            )


def _off(record: Record, setup: Setup, there_s: float) -> Iterator[str]:
    """Yield where a level at the plug is not what is set, less the drop on the way; and what that speaks of."""
    low_v, high_v, _ = _volts(setup)
    levels = [_level(record, setup, volts, there_s + place * STEP_S) for place, volts in enumerate((low_v, high_v))]
    wrong = [level for level in levels if level.check.agrees is not True]
    for level in wrong:
        yield f"{level.pins.value:.3f} V at {level.current.value:.3f} A with {level.set_v:.2f} V set"
    one, other = levels
    apart_a = other.current.value - one.current.value
    if len(wrong) == len(levels) and abs(apart_a) > 0.1 * _current_a(setup):
        more_ohm = (other.check.residue.value - one.check.residue.value) / apart_a
        off_v = one.check.residue.value - more_ohm * one.current.value
        yield f"that is {1e3 * more_ohm:.0f} milliohm more than expected, and {-off_v:+.2f} V of setting"


def _level(record: Record, setup: Setup, set_v: float, begun_s: float) -> _Level:
    facts, source = setup.bench, setup.bench.dip_source
    bound_v = 0.0 if source is None else source.set_relative_bound * set_v + source.set_absolute_bound_v
    span = (begun_s + SETTLED_S, begun_s + STEP_S - SOONER_S)
    pins, current = (record.mean(signal, *span) for signal in SIGNALS)
    leads_ohm = facts.lead_positive_ohm + facts.lead_negative_ohm
    path_ohm = facts.path_resistance_ohm.get(SupplyPath.DIP_SOURCE.value, 0.0)
    tolerance_ohm = facts.path_resistance_bound.get(SupplyPath.DIP_SOURCE.value, 0.0) * path_ohm
    way = total(
        bounded(leads_ohm, LEAD_TOLERANCE * leads_ohm, "expected lead resistance"),
        bounded(path_ohm, tolerance_ohm, f"path {SupplyPath.DIP_SOURCE.value}"),
    )
    check = leads_agree(bounded(set_v, bound_v, "dip source setting"), pins, current, way)
    return _Level(set_v=set_v, pins=pins, current=current, check=check)


def _slow(record: Record, setup: Setup, source: SourceFacts, there_s: float) -> Iterator[str]:
    low_v, high_v, _ = _volts(setup)
    crossed = [low_v + part * (high_v - low_v) for part in (LOW_PART, HIGH_PART)]
    for place, upwards, stated in ((1, True, source.slew_up_v_per_s), (2, False, source.slew_down_v_per_s)):
        begin_s = there_s + place * STEP_S - SOONER_S
        volts = record.samples("unit.voltage", begin_s, begin_s + STEP_S)
        inside = np.count_nonzero((volts > crossed[0]) & (volts < crossed[1]))
        ends = float(volts[-1]) if volts.size else math.nan
        arrived = ends >= crossed[1] if upwards else ends <= crossed[0]
        way = "up" if upwards else "down"
        if not arrived:
            yield f"{way}: at {ends:.2f} V after {STEP_S:g} s"
        elif (crossed[1] - crossed[0]) * RATE_HZ < SLEW_PART * stated * inside:
            yield f"{way}: {(crossed[1] - crossed[0]) * RATE_HZ / inside:.0f} V/s, {stated:.0f} V/s stated"


def _broken(record: Record, setup: Setup, told_s: Iterable[float]) -> Iterator[str]:
    """Yield where the bus was open for longer, or more often, than the switch may have it."""
    half_v = 0.5 * _volts(setup)[0]
    allowed_s = _break_s(setup) + 2.0 / RATE_HZ
    for name, at_s in zip((SupplyPath.DIP_SOURCE.value, SupplyPath.RUN.value), told_s, strict=True):
        low = record.samples("unit.voltage", at_s, at_s + SWITCHES_S) < half_v
        breaks = int(np.count_nonzero(low[1:] & ~low[:-1])) + int(low.size and low[0])
        open_s = float(np.count_nonzero(low)) / RATE_HZ
        if breaks > 1 or open_s > allowed_s:
            yield f"to {name}: open for {1e3 * open_s:.2f} ms in {breaks} break{'s' if breaks != 1 else ''}"


def _lost(record: Record, setup: Setup, back_s: float) -> Iterator[str]:
    facts, supply_v = setup.bench, _volts(setup)[2]
    bound_v = facts.supply_set_relative_bound * supply_v + facts.supply_set_absolute_bound_v
    pins, current = (record.mean(signal, back_s + SWITCHES_S, back_s + AFTER_S - SOONER_S) for signal in SIGNALS)
    sensed = bounded(0.0, 0.0, "nothing lies between the sense leads and the plug")
    if leads_agree(bounded(supply_v, bound_v, "supply setting"), pins, current, sensed).agrees is not True:
        yield f"{pins.value:.3f} V at {current.value:.3f} A with {supply_v:.2f} V set"


def _switched(record: Record) -> tuple[float, float]:
    """Return when the switch was told to go to the dip source and back, capture time; NaN where it was not."""
    if record.capture is None:
        return math.nan, math.nan
    told = [event for event in record.capture.events_of("stimulus") if event.fields.get("line") == BUS_SWITCH]
    paths = {str(event.fields.get("path")): event.time_s for event in told}
    return paths.get(SupplyPath.DIP_SOURCE.value, math.nan), paths.get(SupplyPath.RUN.value, math.nan)


def _levels_words(setup: Setup) -> str:
    low_v, high_v, _ = _volts(setup)
    return f"{low_v:.2f} V and {high_v:.2f} V stand at the plug, less the drop in leads and switch"


def _slew_words(source: SourceFacts) -> str:
    return f"it moves at {source.slew_up_v_per_s:.0f} V/s up and {source.slew_down_v_per_s:.0f} V/s down"


def _switch_words(setup: Setup) -> str:
    return f"the bus is open once each way, for at most {1e6 * _break_s(setup):.0f} us"


def _break_s(setup: Setup) -> float:
    return setup.bench.switch_break_s or LONGEST_BREAK_S


def _volts(setup: Setup) -> tuple[float, float, float]:
    """Return both levels of the dip source, and where the supply stands."""
    high_v = round(_current_a(setup) * setup.bench.loads["plug"][_load(setup)].resistance_ohm, 3)
    return round(0.5 * high_v, 3), high_v, round(SUPPLY_PART * high_v, 3)


def _load(setup: Setup) -> str:
    return text(setup, "load", "1.4 ohm")


def _current_a(setup: Setup) -> float:
    return number(setup, "current_a", 7.0)


def _limit_a(setup: Setup) -> float:
    return round(1.4 * _current_a(setup), 2)


def _duration_s() -> float:
    return BEFORE_S + LEAD_S + 3.0 * STEP_S + AFTER_S + 0.05
