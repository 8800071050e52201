"""What drifted over a soak: each quantity of every look against that of the first, its slope, and the unit's clock.

A drift is a change in per cent. Both readings share a channel, so its gain and offset cancel and what is left of the
uncertainty is noise. Pure.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from analysis.line_fit import fit_line
from analysis.measurement import Curve, Doubt, Measurement
from analysis.uncertainty import Estimate, Source, Term, difference, ratio, scaled
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.dimming_levels import SETTLE_S, Level, level_of, relative_percent, worst_of
from test_plans.driving import LEAD_S
from test_plans.hold_up import CONDITION, held_output, load_doubts
from test_plans.procedure import Evidence
from test_plans.readings import Record, doubted, nothing
from test_plans.reset_counts import ITEM
from test_plans.sheets import DimmingOutput, Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.soak_looks import (
    QUIET_S,
    QUIET_SETTLE_S,
    REFERENCE,
    driven_axis,
    levels_duration_s,
    looked_at,
    looks_of,
    names_of,
)
from test_plans.trim_loaded import loaded_drop

FEWEST_REPORTS = 4  # of one watch: their line has a slope, and residues to judge it by
HOLD_UP, QUIESCENT, DROP, LEVEL, FREQUENCY, CLOCK = (
    "soak-hold-up-drift",
    "soak-quiescent-drift",
    "soak-drop-drift",
    "soak-level-drift",
    "soak-frequency-drift",
    "soak-clock-drift",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One quantity over the soak: what it was at each look, and when, in seconds of the soak."""

    key: str
    title: str
    function: str
    limit: str
    pins: tuple[str, ...]
    times_s: tuple[float, ...]
    values: tuple[Estimate, ...]

    def drifts(self) -> tuple[Estimate, ...]:
        """Return the change since the first look, per cent; of the first one exactly nothing."""
        return tuple(relative_percent(value, self.values[0]) for value in self.values)


def courses(evidence: Evidence, setup: Setup) -> Iterator[Course]:
    """Yield every quantity that was looked at."""
    output, axis, dimmer = held_output(setup), driven_axis(setup), looked_at(setup)
    places = range(looks_of(setup))
    loads = [Record(evidence, names_of(place).load) for place in places]
    quiets = [Record(evidence, names_of(place).quiet) for place in places]
    times_s = _since_first(loads)
    yield Course(
        key=output.name,
        title=f"{output.title} at its rated current",
        function=output.function,
        limit=HOLD_UP,
        pins=(output.plus_pin,),
        times_s=times_s,
        values=tuple(_held(record, setup) for record in loads),
    )
    yield Course(
        key="quiescent",
        title="Supply current with the outputs unloaded",
        function=function_named(setup.unit, "power"),
        limit=QUIESCENT,
        pins=(setup.unit.power_pin,),
        times_s=_since_first(quiets),
        values=tuple(_quiet(record, setup) for record in quiets),
    )
    if axis is not None:
        yield Course(
            key=f"{axis.name}.drop",
            title=f"{axis.title} on its load: drop",
            function=axis.function,
            limit=DROP,
            pins=(axis.plus_pin, axis.minus_pin),
            times_s=times_s,
            values=tuple(loaded_drop(record, setup, axis, axis.switches[0]) for record in loads),
        )
    if dimmer is not None:
        yield from _dimming(dimmer, [Record(evidence, names_of(place).levels) for place in places], setup)
    if has_clock(setup):
        watches = [Record(evidence, names_of(place).watch) for place in places[:-1]]
        yield Course(
            key="clock",
            title="The unit's clock by its reports",
            function=function_named(setup.unit, "power"),
            limit=CLOCK,
            pins=(setup.unit.power_pin,),
            times_s=_since_first(watches),
            values=tuple(_period(record, setup) for record in watches),
        )


def _dimming(dimmer: DimmingOutput, records: Sequence[Record], setup: Setup) -> Iterator[Course]:
    """Yield level and, where it is pulsed, frequency of one dimming output."""
    levels = [_level(record, setup, dimmer) for record in records]
    level = Course(
        key=dimmer.name,
        title=f"{dimmer.title} at half travel: level",
        function=function_named(setup.unit, "dimming"),
        limit=LEVEL,
        pins=(dimmer.pin,),
        times_s=_since_first(records),
        values=tuple(found.value for found in levels),
    )
    yield level
    if dimmer.frequency_hz > 0.0:
        yield replace(
            level,
            key=f"{dimmer.name}.frequency",
            title=f"{dimmer.title} at half travel: frequency",
            limit=FREQUENCY,
            values=tuple(map(_frequency, levels)),
        )


def has_clock(setup: Setup) -> bool:
    """Say whether the unit's clock shows: it reports by itself, and is watched more than once."""
    return ITEM in setup.unit.bus.reports and looks_of(setup) > 2


def reference_course(evidence: Evidence, setup: Setup) -> Course:
    """Return the bench's own reference over the soak: what it seems to drift is the bench's doing."""
    records = [Record(evidence, names_of(place).load) for place in range(looks_of(setup))]
    return Course(
        key=REFERENCE,
        title="Bench: its reference",
        function="",
        limit="",
        pins=(),
        times_s=_since_first(records),
        values=tuple(record.mean(REFERENCE, 0.02, LEAD_S) for record in records),
    )


def drift_measurements(course: Course, doubts: tuple[Doubt, ...]) -> Iterator[Measurement]:
    """Yield the drift from the first look to the last, and the largest excursion from the first, in per cent.

    `doubts` are about the bench that all looks have in common.
    """
    drifts = course.drifts()
    for what, words, drift in (
        ("drift", "drift over the soak", drifts[-1]),
        ("excursion", f"farthest from the first of {len(drifts)} looks", worst_of(list(drifts[1:]))),
    ):
        yield drift.measurement(
            id=f"soak.{course.key}.{what}",
            limit=course.limit,
            title=f"{course.title}: {words}",
            function=course.function,
            quantity_unit="%",
            pins=course.pins,
            doubts=doubts,
            notes=_slope(course, drifts) if what == "drift" else (),
        )


def drift_curve(every: Sequence[Course], function: str) -> Curve:
    """Return the change of every quantity over the soak."""
    return Curve(
        id="soak.curve",
        title="Change over the soak",
        function=function,
        x_label="since the first look, min",
        y_label="change, %",
        series={
            course.key: (
                tuple(time_s / 60.0 for time_s in course.times_s),
                tuple(drift.value for drift in course.drifts()),
            )
            for course in every
        },
    )


def _slope(course: Course, drifts: Sequence[Estimate]) -> tuple[str, ...]:
    """Return the slope of the straight line through all looks, with what its residues say of it (k = 2)."""
    points = [(time_s, drift.value) for time_s, drift in zip(course.times_s, drifts, strict=True)]
    known = np.array([point for point in points if all(map(math.isfinite, point))])
    if len(known) < 3 or np.ptp(known[:, 0]) == 0.0:
        return ()
    line = fit_line(known[:, 0] / 60.0, known[:, 1])
    return (f"straight line through {len(known)} looks: {line.slope:+.3g} % a minute, +/- {2.0 * line.u_slope:.2g}",)


def _since_first(records: Sequence[Record]) -> tuple[float, ...]:
    begin_s = [math.nan if record.capture is None else record.capture.start_s for record in records]
    return tuple(one - begin_s[0] for one in begin_s)


def _held(record: Record, setup: Setup) -> Estimate:
    span = (0.02, LEAD_S)
    doubts = (*supply_doubts(record, setup, CONDITION, *span), *load_doubts(record, setup, *span))
    return doubted(record.mean(voltage_signal(held_output(setup).name), *span), *doubts)


def _quiet(record: Record, setup: Setup) -> Estimate:
    span = (QUIET_SETTLE_S, QUIET_SETTLE_S + QUIET_S)
    return doubted(record.mean("unit.current", *span), *supply_doubts(record, setup, CONDITION, *span))


def _level(record: Record, setup: Setup, dimmer: DimmingOutput) -> Level:
    span = (SETTLE_S, levels_duration_s(setup))
    return level_of(record, setup, dimmer, *span, spoilt=supply_doubts(record, setup, CONDITION, *span))


def _frequency(level: Level) -> Estimate:
    if level.frequency_hz is not None:
        return level.frequency_hz
    untimed = Doubt(
        reason="its pulses could not be timed", cause=Cause.UNDECIDED, next_step="look at its level over the soak"
    )
    return nothing(*(level.value.doubts or (untimed,)))


def _period(record: Record, setup: Setup) -> Estimate:
    """Return the period of the unit's reports in one watch: the slope of their times, uncertain by its residues.

    Where the unit was reset meanwhile its reports begin anew: the longest stretch between resets is taken.
    """
    runs = [tuple(run) for _, run in groupby(record.reports(ITEM), key=lambda event: int(event.fields["count"]))]
    reports = max(runs, key=len, default=())
    if record.capture is None or len(reports) < FEWEST_REPORTS:
        few = Doubt(
            reason=f"{record.name}: {len(reports)} reports of {ITEM} tell no period",
            cause=Cause.UNDECIDED,
            next_step="have a longer soak-time, or look at the bus",
        )
        return nothing(*(record.missing or (few,)))
    times_s = np.array([event.time_s for event in reports])
    numbers = np.rint((times_s - times_s[0]) / setup.unit.bus.report_period_s)
    if len(set(numbers.tolist())) < len(numbers):
        twice = Doubt(
            reason=f"{record.name}: reports of {ITEM} came out of their period",
            cause=Cause.UNDECIDED,
            next_step="look at the unit's bus with an interface of its own",
        )
        return nothing(twice)
    line = fit_line(numbers, times_s)
    source = Source(
        name=f"arrival of reports in {record.name}",
        standard_uncertainty=line.u_slope,
        degrees_of_freedom=len(numbers) - 2,
    )
    return Estimate(value=line.slope, terms=(Term(source=source, sensitivity=1.0),), captures=record.names)


def expected_percent(end: Estimate, begin: Estimate) -> float:
    """Return the standard uncertainty of a change from `begin` to `end`, in per cent."""
    return scaled(ratio(difference(end, begin), begin), 100.0).standard_uncertainty
