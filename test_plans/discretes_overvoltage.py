"""Active-high discretes at the highest level there is: what they draw, that they read active, and let go after it.

They must bear what the bus does. The stimuli end at 10 V and give just less unless the step says otherwise. Where the
bench can feed the pins from the bus, they are held at that as well, the bus near what the unit survives. A line of too
much resistance looks like a heavy input; two lines of unlike resistance that tell the same of it can't both be wrong.
What neither reaches is listed as not tested.
"""

from collections.abc import Iterable
from dataclasses import replace

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.verdict import Cause
from test_plans.bus_feed import CAPTURE as FROM_BUS
from test_plans.bus_feed import (
    FED,
    LET_GO_S,
    LIMIT,
    Taken,
    bus_for_feeding_v,
    current_finding,
    expected_a,
    fed_discretes,
    fed_pin_v,
    feed_a,
    state_finding,
    taken_from_bus,
    taken_from_stimulus,
)
from test_plans.conditions import bus_voltage_v, current_limit_a, number
from test_plans.discrete_bench import (
    CONDITION,
    CURRENT_LIMIT_A,
    PIN_LINES,
    REPORTED_S,
    discrete_needs,
    of_sense,
    pin_capture,
    pins_of,
    wake,
)
from test_plans.discrete_reports import report_doubts, state_at
from test_plans.driving import LEAD_S, levels_of
from test_plans.expected import worst
from test_plans.held_pins import held_doubts, isolate_held_pins, reach_doubts, series_doubt
from test_plans.load_line import Stretch, expected_current
from test_plans.model_gaps import without_limit, without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
CAPTURE = "high-level"
BUS_SETTLE_S = 0.3
HOLD_S = 60.0
HIGHEST_V = 9.9  # of the stimuli's 10 V: beyond it an unloaded pin would clip at its input
LAST_S = 1.0  # the current is read over the last second of it
AFTER_S = 0.2
CHECK_S = 0.1


class DiscreteOvervoltage:
    """Input current and state of every active-high discrete at the highest level."""

    name = "discrete-overvoltage"
    title = "Active-high discretes at their highest level"
    conditions = ("voltage_v", "level_v", "current_limit_a", "hold_s")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        missing = without_reported_discretes(setup, untested="Active-high discretes at their highest level")
        if missing is None and not _group(setup):
            return NotForModel(reason=f"model {setup.unit.model} has no active-high discrete")
        return missing or without_limit(setup, LIMIT, of="its discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture, and what lies beyond the stimuli."""
        level_v, survives_v, fed = _level_v(setup), setup.unit.survives_voltage_v, fed_discretes(setup)
        names = [discrete.name for discrete, _, _ in fed]
        unfed = [discrete.title for discrete in _group(setup) if discrete.name not in names]
        untested = []
        if unfed and level_v < survives_v:
            beyond = f"above {level_v:g} V, where the stimuli end; they must bear {survives_v:g} V"
            untested.append(f"{', '.join(unfed)} {beyond}")
        if fed:
            reached_v = min(fed_pin_v(setup, discrete, feed, level_v) for discrete, _, feed in fed)
            untested.append(
                f"active-high discretes above {reached_v:.1f} V at the pin; they must bear {survives_v:g} V"
            )
        needs = discrete_needs(
            setup,
            _capture_need(setup),
            *((_bus_need(setup),) if fed else ()),
            limits=((LIMIT, max(_expected(setup), expected_a(setup, level_v))),),
            stimulus_v=level_v,
            untested=tuple(untested),
        )
        feeds_a = [feed_a(setup, discrete, feed, level_v) for discrete, _, feed in fed]
        return replace(
            needs,
            bench_time_s=needs.bench_time_s + (2.0 * BUS_SETTLE_S if fed else 0.0),
            highest_voltage_v=bus_for_feeding_v(setup) if fed else needs.highest_voltage_v,
            loads=tuple((discrete.name, position) for discrete, position, _ in fed),
            load_current_a=max(feeds_a, default=0.0),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold every active-high input at the level, then let go."""
        wake(rig, setup)
        group, until_s = _group(setup), _until_s(setup)
        with rig.capture(CAPTURE, pins_of(group), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            for discrete in group:
                session.drive(discrete.name, _level_v(setup), at_s=LEAD_S)
            session.wait_until(until_s - 0.3)
            for discrete in group:
                session.drive(discrete.name, levels_of(discrete).inactive_v, at_s=until_s)
            session.wait_until(until_s + AFTER_S)
        if fed_discretes(setup):
            self._feed_from_bus(rig, setup)

    def _feed_from_bus(self, rig: Rig, setup: Setup) -> None:
        """Raise the bus, feed the pins from it with their stimuli at the highest level, let go, lower the bus."""
        limit_a = current_limit_a(setup, CONDITION, CURRENT_LIMIT_A)
        fed, until_s = fed_discretes(setup), LEAD_S + _hold_s(setup)
        rig.set_supply(bus_for_feeding_v(setup), limit_a)
        rig.wait(BUS_SETTLE_S)
        pins = pins_of([discrete for discrete, _, _ in fed])
        with rig.capture(FROM_BUS, pins, sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            session.wait_until(LEAD_S)
            for discrete, position, _ in fed:
                rig.drive(discrete.name, _level_v(setup))
                rig.set_load(discrete.name, position)
            session.note(**{FED: True})
            session.wait_until(until_s)
            session.note(**{FED: False})
            for discrete, _, _ in fed:
                rig.set_load(discrete.name, "open")
                rig.drive(discrete.name, levels_of(discrete).inactive_v)
            session.wait_until(until_s + LET_GO_S)
        rig.set_supply(bus_voltage_v(setup), limit_a)
        rig.wait(BUS_SETTLE_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow again, with the unit unplugged."""
        if not isolate_held_pins(rig, setup, evidence, CAPTURE):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give current and state of every active-high input."""
        record = Record(evidence, CAPTURE)
        bus = Record(evidence, FROM_BUS)
        fed = {discrete.name for discrete, _, _ in fed_discretes(setup)}
        for discrete in _group(setup):
            by_line = _taken(record, setup, discrete)
            by_feed = taken_from_bus(bus, setup, discrete, _level_v(setup)) if discrete.name in fed else None
            yield self._current(evidence, setup, discrete, by_line, by_feed)
            yield self._state(record, evidence, setup, discrete)
            if by_feed is not None:
                yield current_finding(setup, discrete, by_feed, by_line)
                yield state_finding(bus, evidence, setup, discrete)

    def _current(
        self, evidence: Evidence, setup: Setup, discrete: Discrete, by_line: Taken, by_feed: Taken | None
    ) -> Measurement:
        held = held_doubts(evidence, setup, discrete, CAPTURE)
        doubts = held or _line_doubts(setup, discrete, by_line, by_feed)
        return doubted(by_line.current_a, *doubts).measurement(
            id=f"{discrete.name}.input-current",
            limit=LIMIT,
            title=f"{discrete.title}: current it takes at {_level_v(setup):g} V",
            function=function_named(setup.unit, "discretes"),
            quantity_unit="A",
            pins=(discrete.pin,),
            notes=(f"after {_until_s(setup) - LEAD_S:.0f} s; {_level_v(setup):g} V behind the stimulus resistor",),
        )

    def _state(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        reports, driven = record.reports(discrete.report), record.stimuli(discrete.name)
        wrong = []
        if len(driven) > 1:
            on_s, off_s = driven[0].time_s + CHECK_S, driven[1].time_s
            within = [bool(event.fields["state"]) for event in reports if on_s <= event.time_s < off_s]
            wrong += ["not active throughout"] if not within or not all(within) else []
            wrong += ["still active after it"] if state_at(reports, off_s + CHECK_S) is not False else []
        return Observation(
            id=f"{discrete.name}.high-level",
            title=f"{discrete.title}: active at {_level_v(setup):g} V and inactive after it",
            function=function_named(setup.unit, "discretes"),
            statement="it is reported active as long as the level stands, and inactive afterwards",
            trials=int(len(driven) > 1),
            failures=int(bool(wrong)),
            detail="; ".join(wrong),
            doubts=(
                *report_doubts(record, evidence, setup, discrete),
                *held_doubts(evidence, setup, discrete, CAPTURE),
                *reach_doubts(record, setup, discrete),
            ),
            captures=record.names,
            pins=(discrete.pin,),
        )


def _expected(setup: Setup) -> float:
    return worst(*(expected_current(setup, discrete, _level_v(setup))[1] for discrete in _group(setup)))


def _group(setup: Setup) -> tuple[Discrete, ...]:
    return of_sense(setup, Sense.ACTIVE_HIGH)


def _taken(record: Record, setup: Setup, discrete: Discrete) -> Taken:
    """Return what an input takes through its stimulus line at the highest level."""
    driven = record.stimuli(discrete.name)
    if len(driven) > 1:
        last = Stretch(start_s=driven[1].time_s - LAST_S, stop_s=driven[1].time_s - 0.005, drive_v=driven[0].value)
        return taken_from_stimulus(record, setup, discrete, last)
    unknown = nothing(*(record.missing or (_cut_short(),)))
    return Taken(pin_v=unknown, current_a=unknown)


def _line_doubts(setup: Setup, discrete: Discrete, by_line: Taken, by_feed: Taken | None) -> tuple[Doubt, ...]:
    """Return the doubt that a current too high is the line's: with more resistance in it, it reads as more current."""
    found = by_line.current_a
    if not found.value > setup.unit.limits[LIMIT].high or (by_feed is not None and by_feed.agrees(by_line)):
        return ()
    return (series_doubt(discrete, f"pin {discrete.pin} takes {1000.0 * found.value:.2f} mA"),)


def _level_v(setup: Setup) -> float:
    return number(setup, "level_v", min(HIGHEST_V, setup.unit.survives_voltage_v))


def _hold_s(setup: Setup) -> float:
    return max(REPORTED_S + LAST_S, number(setup, "hold_s", HOLD_S))


def _until_s(setup: Setup) -> float:
    """Return until when the stimuli hold: long where they are all there is, else as long as a report needs."""
    fed_all = len(fed_discretes(setup)) == len(_group(setup))
    return LEAD_S + (REPORTED_S + LAST_S if fed_all else _hold_s(setup))


def _bus_need(setup: Setup) -> CaptureNeed:
    return pin_capture(
        FROM_BUS,
        [discrete for discrete, _, _ in fed_discretes(setup)],
        sample_rate_hz=RATE_HZ,
        duration_s=LEAD_S + _hold_s(setup) + LET_GO_S,
        highest_v=bus_for_feeding_v(setup),
    )


def _capture_need(setup: Setup) -> CaptureNeed:
    return pin_capture(
        CAPTURE,
        _group(setup),
        sample_rate_hz=RATE_HZ,
        duration_s=_until_s(setup) + AFTER_S,
        highest_v=_level_v(setup),
    )


def _cut_short() -> Doubt:
    return Doubt(reason=f"{CAPTURE}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
