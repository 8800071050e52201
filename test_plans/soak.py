"""Soak: the unit under load for minutes, and what has drifted, been reset or gone missing meanwhile."""

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, difference, total
from analysis.verdict import Cause
from test_plans.bench_observation import bench_observation
from test_plans.conditions import bus_voltage_v, conforming_a
from test_plans.dimming_bench import sample_rate_hz
from test_plans.dimming_expected import frequency_hz, level
from test_plans.dimming_levels import SETTLE_S, expected_level, worst_of
from test_plans.driving import bring_up
from test_plans.expected import reading, typical
from test_plans.hold_up import (
    CONDITION,
    OFF_PART,
    full_load,
    held_output,
    limit_a,
    load_doubts,
    put_load,
    without_hold_up,
)
from test_plans.lost_reports import lost_doubts
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.reset_counts import ITEM
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.silence import silence_doubts
from test_plans.soak_drift import (
    CLOCK,
    DROP,
    FREQUENCY,
    HOLD_UP,
    LEVEL,
    QUIESCENT,
    Course,
    courses,
    drift_curve,
    drift_measurements,
    expected_percent,
    has_clock,
    reference_course,
)
from test_plans.soak_looks import (
    LOOK_S,
    PERIODS,
    TRAVEL,
    captures_of,
    driven_axis,
    levels_duration_s,
    look,
    looked_at,
    looks_of,
    names_of,
    soak_s,
    watch,
    watch_s,
)
from test_plans.trim_bench import RUN_PATH, load_name

REFERENCE_PERCENT = 0.15  # a tenth of the least drift that is judged
LATE_PART = 1.5  # of their period: reports further apart have missed one


class Soak:
    """Drift of everything that can be looked at, resets and missing reports, over a soak under load."""

    name = "soak"
    title = "Soak under load"
    conditions = ("voltage_v", "current_limit_a", "soak_time_s", "points", "axes", "load")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do: what warms it is the hold-up output."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of what is looked at."""
        axis = driven_axis(setup)
        trim = () if axis is None else (axis.function,)
        dimming = () if looked_at(setup) is None else (function_named(setup.unit, "dimming"),)
        return tuple(dict.fromkeys((held_output(setup).function, *trim, *dimming)))

    def needs(self, setup: Setup) -> Needs:
        """Return the captures of all looks and what is watched between them."""
        axis, output, captures = driven_axis(setup), held_output(setup), captures_of(setup)
        trim = () if axis is None else ((axis.name, load_name(setup)),)
        return Needs(
            bench_time_s=max(soak_s(setup), (looks_of(setup) - 1) * (watch_s(setup) + LOOK_S)) + LOOK_S + 3.0,
            captures=captures,
            highest_voltage_v=bus_voltage_v(setup),
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=limit_a(setup),
            loads=((output.name, full_load(setup)),),
            load_current_a=output.rated_current_a,
            light_loads=trim,  # for half a second at a time
            stimuli=() if looked_at(setup) is None else tuple(entry.name for entry in setup.unit.rheostats),
            switches=() if axis is None else (axis.switches[0].name,),
            paths=RUN_PATH,
            bus=bool(setup.unit.bus.reports),
            airspeed=axis is not None and math.isfinite(setup.unit.full_trim_airspeed_kt),
            limits=tuple(_expected(setup)),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Load the unit, look at once, and look again and again until the soak is over."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=limit_a(setup))
        for rheostat in setup.unit.rheostats if looked_at(setup) is not None else ():
            rig.drive(rheostat.name, TRAVEL * rheostat.full_travel_v)
        put_load(rig, setup, full_load(setup))
        rig.wait(SETTLE_S)
        begin_s, last = rig.now_s, looks_of(setup) - 1
        for place in range(last):
            look(rig, setup, place)
            watch(rig, setup, place, begin_s + (place + 1) * soak_s(setup) / last)
        look(rig, setup, last)
        put_load(rig, setup, "open")
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give drift and excursion of every quantity, whether the output stayed, resets, missing reports, the curve."""
        every = tuple(courses(evidence, setup))
        reference = _bench_stood(reference_course(evidence, setup))
        moved = tuple(
            Doubt(reason=reference.detail, cause=Cause.BENCH, next_step=reference.next_step)
            for _ in range(reference.failures)
        )
        for course in every:
            yield from drift_measurements(course, (*reference.doubts, *moved))
        yield reference
        watches = [Record(evidence, names_of(place).watch) for place in range(looks_of(setup) - 1)]
        yield _stays(watches, setup)
        if setup.unit.bus.reports:
            silence = _silence(watches, evidence, setup)
            yield from _not_reset([Record(evidence, name) for name in evidence.names()], silence, setup)
            yield _reports_come(watches, silence, setup)
        yield drift_curve(every, held_output(setup).function)


def _bench_stood(course: Course) -> Observation:
    """Return whether the bench reads its reference all through the soak as at the beginning."""
    farthest = worst_of(list(course.drifts()[1:]))
    return bench_observation(
        "soak.bench",
        "Bench: reads its reference as at the beginning of the soak",
        f"within {REFERENCE_PERCENT:g} %",
        wrong=(f"its reference seems to have moved by {farthest.value:+.2f} %",)
        if abs(farthest.value) > REFERENCE_PERCENT
        else (),
        tried=math.isfinite(farthest.value),
        captures=farthest.captures,
        doubts=farthest.doubts,
    )


def _stays(watches: list[Record], setup: Setup) -> Observation:
    """Return whether the output stood all the time, in 5 ms means."""
    output = held_output(setup)
    signal = voltage_signal(output.name)
    lows = {record.name: record.smoothed(signal) for record in watches}
    sampled = {name: float(volts.min()) for name, volts in lows.items() if volts.size}
    lost = {name: volts for name, volts in sampled.items() if volts < OFF_PART * output.held_v}
    return Observation(
        id=f"soak.{output.name}.stays",
        title=f"{output.title}: stands all through the soak",
        function=output.function,
        statement=f"never below {OFF_PART * output.held_v:.4g} V for 5 ms",
        trials=len(sampled),
        failures=len(lost),
        detail="; ".join(f"{name}: down to {volts:.2f} V" for name, volts in lost.items()),
        doubts=tuple(
            dict.fromkeys(
                doubt
                for record in watches
                for doubt in (*record.doubts((signal,)), *load_doubts(record, setup, 0.0, record.duration_s))
            )
        ),
        captures=tuple(record.name for record in watches if record.capture is not None),
        pins=(output.plus_pin,),
    )


def _silence(watches: list[Record], evidence: Evidence, setup: Setup) -> tuple[Doubt, ...]:
    """Return the doubts that reports did not come, and whose doing that was, from one look to the next."""
    period_s = setup.unit.bus.report_period_s
    return tuple(doubt for record in watches for doubt in silence_doubts(record, evidence, period_s=period_s))


def _not_reset(records: list[Record], silence: tuple[Doubt, ...], setup: Setup) -> Iterator[Observation]:
    """Yield that the reset count stood; where it went up `test_plans.watch` tells whose doing that was."""
    counts = [int(event.fields["count"]) for record in records for event in record.reports(ITEM)]
    if len(set(counts)) > 1:
        return
    yield Observation(
        id="soak.no-reset",
        title="Soak: the unit is not reset",
        function=function_named(setup.unit, "power"),
        statement="the reset count stays as it is",
        trials=max(0, len(counts) - 1),
        doubts=silence,
        captures=tuple(record.name for record in records if record.capture is not None),
        pins=(setup.unit.power_pin,),
        failures=0,
    )


def _reports_come(watches: list[Record], silence: tuple[Doubt, ...], setup: Setup) -> Observation:
    """Return whether every report came in its time; one that was sent and lost on the way is the bench's."""
    late_s = LATE_PART * setup.unit.bus.report_period_s
    spans = [
        (record.name, to_s - from_s)
        for record in watches
        for from_s, to_s in pairwise((0.0, *(event.time_s for event in record.reports(ITEM)), record.duration_s))
    ]
    missed = [f"{name}: none for {span_s:.2f} s" for name, span_s in spans if span_s > late_s]
    return Observation(
        id="soak.reports",
        title="Soak: every report comes in its time",
        function=function_named(setup.unit, "power"),
        statement=f"no two of {ITEM} further apart than {late_s:.4g} s",
        trials=len(spans),
        failures=len(missed),
        detail="; ".join(missed),
        doubts=(
            *(doubt for record in watches for doubt in (*record.missing, *lost_doubts(record, ITEM))),
            *silence,
            *_ends_open(watches, late_s),
        ),
        captures=tuple(record.name for record in watches if record.capture is not None),
        pins=(setup.unit.power_pin,),
    )


def _ends_open(watches: list[Record], late_s: float) -> tuple[Doubt, ...]:
    """Return the doubt that reports stopped for good: no later one tells by its code whether any was sent."""
    last = next((record for record in reversed(watches) if record.capture is not None), None)
    heard_s = 0.0 if last is None else max((event.time_s for event in last.reports(ITEM)), default=0.0)
    if last is None or last.duration_s - heard_s <= late_s:
        return ()
    return (
        Doubt(
            reason=f"{last.name}: no report of {ITEM} after {heard_s:.1f} s, to its end",
            cause=Cause.UNDECIDED,
            next_step="look at the unit's bus with an interface of its own",
        ),
    )


def _expected(setup: Setup) -> Iterator[tuple[str, float]]:
    """Yield each limit with what a change will be uncertain by: two readings of one channel apart in time."""
    volts, output, axis, dimmer = bus_voltage_v(setup), held_output(setup), driven_axis(setup), looked_at(setup)

    def change(signal: str, value: float) -> float:
        end, begin = (reading(setup, signal, value, when=when) for when in ("end", "begin"))
        return expected_percent(end, begin)

    yield HOLD_UP, change(voltage_signal(output.name), output.held_v)
    yield QUIESCENT, change("unit.current", typical(setup, "quiescent-current"))
    if axis is not None:
        left_v = volts - typical(setup, "trim-drop")
        drops = [
            difference(
                reading(setup, "unit.voltage", volts, when=when),
                reading(setup, voltage_signal(axis.name), left_v, when=when),
            )
            for when in ("end", "begin")
        ]
        yield DROP, expected_percent(*drops)
    if dimmer is not None:
        rate_hz, stretch_s = sample_rate_hz(setup, PERIODS), levels_duration_s(setup) - SETTLE_S
        half = expected_level(dimmer, TRAVEL)[0]
        levels = [
            level(setup, dimmer, half, rate_hz=rate_hz, stretch_s=stretch_s, when=when) for when in ("end", "begin")
        ]
        yield LEVEL, expected_percent(*levels)
        if dimmer.frequency_hz > 0.0:
            hertz = [
                frequency_hz(setup, dimmer, rate_hz=rate_hz, stretch_s=stretch_s, when=when)
                for when in ("end", "begin")
            ]
            yield FREQUENCY, expected_percent(*hertz)
    if has_clock(setup):
        yield CLOCK, expected_percent(*(_expected_period(setup, when) for when in ("end", "begin")))


def _expected_period(setup: Setup, when: str) -> Estimate:
    """Return the period of the reports in a watch: the slope through n times, each known to the host's bound."""
    period_s = setup.unit.bus.report_period_s
    n = watch_s(setup) / period_s
    if n < 4.0:
        return bounded(period_s, period_s, f"too few reports {when}")
    half_width_s = setup.bench.report_time_bound_s * math.sqrt(12.0 / (n * (n * n - 1.0)))
    return total(bounded(period_s, half_width_s, f"arrival of reports {when}"))
