"""What a staircase of points says of an output: dead travel, steps, linearity, ends, tracking, spread of frequency.

Points come in order of rising travel; everything is pure arithmetic on them.
"""

import math
from itertools import pairwise

from analysis.linearity import linearity, steps_back
from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, combined, difference, resolved, scaled, total
from analysis.verdict import Cause
from test_plans.dimming_levels import mean_share, worst_of
from test_plans.dimming_points import Point
from test_plans.readings import Record, nothing
from test_plans.sheets import DimmingOutput

LIT_PART = 0.01  # of the output's span: below, it has not left its lowest level
DONE_PART = 0.99
TRACKED_FROM = 0.4  # of full: below, the difference counts as per cent of this level
Noted = tuple[Estimate, tuple[str, ...]]


def dead_travel(points: list[Point], *, high: bool = False) -> Estimate:
    """Return the per cent of travel at one end over which the output does nothing.

    It lies between two points, so half their distance either way is its resolution. An output that never leaves its
    level is dead over all of its travel.
    """
    if (spoilt := _spoilt(points)) is not None:
        return spoilt
    levels = [point.level.value for point in points]
    span = max(levels) - min(levels)
    sign, edge = (-1.0, max(levels) - (1.0 - DONE_PART) * span) if high else (1.0, min(levels) + LIT_PART * span)
    ordered = points[::-1] if high else points
    origin = 1.0 if high else 0.0
    alive = next((k for k, point in enumerate(ordered) if sign * (point.level.value - edge) > 0.0), len(points) - 1)
    near, far = ordered[max(alive - 1, 0)].travel, ordered[alive].travel
    middle = combined(0.5 * (near.value + far.value), ((near, 0.5), (far, 0.5)))
    step = resolved(0.0, abs(far.value - near.value), "distance of two points of travel")
    measured = combined(sign * (middle.value - origin), ((middle, 1.0), (step, 1.0)))
    return scaled(measured, 100.0)


def largest_step(points: list[Point]) -> Noted:
    """Return the step of largest magnitude between two points that both should be lit, with its sign."""
    lit = [point for point in points if point.expected > 0.0]
    steps = [difference(later.level, earlier.level) for earlier, later in pairwise(lit)]
    if not steps:
        return nothing(*(points[0].level.doubts or (_too_few(),))), ()
    worst = worst_of(steps)
    at = lit[next(k for k, step in enumerate(steps) if step is worst)].travel.value
    return worst, (f"from {100.0 * at:.0f} % of travel on",)


def hysteresis(up: list[Point], down: list[Point], span: float) -> Noted:
    """Return the level turned up less the level turned down at one travel, where it is furthest from nought.

    In per cent of `span`, the output's own from its lowest to its highest level; both runs in order of rising travel.
    """
    lit = [(one, other) for one, other in zip(up, down, strict=False) if one.expected > 0.0]
    if not lit:
        return nothing(*([*up, *down][0].level.doubts if up or down else ()), _too_few()), ()
    gaps = [scaled(difference(one.level, other.level), 100.0 / span) for one, other in lit]
    worst = worst_of(gaps)
    at = lit[next(k for k, gap in enumerate(gaps) if gap is worst)][0].travel.value
    return worst, (f"at {100.0 * at:.0f} % of travel",)


def falls(points: list[Point]) -> tuple[list[float], int]:
    """Return the travels from which a step up surely makes it darker, and how many steps there were."""
    steps = len(points) - 1
    if steps < 1:
        return [], 0
    u = max(difference(b.level, a.level).standard_uncertainty for a, b in pairwise(points)) / math.sqrt(2.0)
    if not math.isfinite(u):
        return [], steps
    down = steps_back([point.level.value for point in points], u)
    return [points[int(k)].travel.value for k in down], steps


def integral_error(points: list[Point]) -> Noted:
    """Return the level furthest off the line between the lowest lit and the highest point, in per cent of that span."""
    lit = [point for point in points if point.expected > 0.0]
    if (spoilt := _spoilt(lit)) is not None:
        return spoilt, ()
    values = [point.level.value for point in lit]
    if values[0] == values[-1]:
        return nothing(Doubt(reason="the level is the same at both ends, there is no line", cause=Cause.UNIT)), ()
    shape = linearity(values)
    worst = max(range(len(lit)), key=lambda k: abs(float(shape.inl[k])))
    span, part = values[-1] - values[0], worst / (len(lit) - 1)
    ends = ((lit[0].level, part - 1.0), (lit[-1].level, -part))
    found = combined(float(shape.inl[worst]) * shape.lsb, ((lit[worst].level, 1.0), *ends))
    errors = f"INL {shape.worst_inl:.2f}, DNL {shape.worst_dnl:.2f} steps"
    at = f"at {100.0 * lit[worst].travel.value:.0f} % of travel"
    return scaled(found, 100.0 / span), (errors, at)


def end_levels(record: Record, output: DimmingOutput, points: list[Point]) -> tuple[Estimate, Estimate]:
    """Return the level at the lowest point, as a mean so that the shortest pulse counts, and at the highest one."""
    first, last = points[0], points[-1]
    if not math.isfinite(first.from_s):
        return first.level, last.level
    low = mean_share(record, output, first.from_s, first.to_s)
    merged = Estimate(
        value=low.value,
        terms=low.terms,
        doubts=tuple(dict.fromkeys((*low.doubts, *first.travel.doubts))),
        captures=low.captures,
    )
    return merged, last.level


def tracking(output: DimmingOutput, own: list[Point], sisters: list[list[Point]]) -> Noted:
    """Return the point of largest difference to the mean of the sister outputs, in per cent of what is asked there.

    Each is taken off its own curve first, so that rheostats which stand a little apart do not count. Below 40 % of
    full the difference is per cent of 40 % of full.
    """
    if any(len(points) != len(own) for points in sisters):
        return nothing(_too_few()), ()
    found = []
    for k, point in enumerate(own):
        base = max(point.expected, TRACKED_FROM * output.high_level)
        found.append(apart_percent(point.deviation, [points[k].deviation for points in sisters], base))
    worst = worst_of(found)
    at = own[next(k for k, entry in enumerate(found) if entry is worst)].travel.value
    return worst, (f"at {100.0 * at:.0f} % of travel, worst of {len(found)} points",)


def apart_percent(own: Estimate, sisters: list[Estimate], base: float) -> Estimate:
    """Return a deviation less the mean of the sister outputs', in per cent of `base`."""
    mean = scaled(total(*sisters), 1.0 / len(sisters))
    return scaled(difference(own, mean), 100.0 / base)


def frequency_furthest(found: list[Estimate], nominal_hz: float, missing: Estimate) -> Estimate:
    """Return the frequency furthest from nominal, a doubtful one first; `missing` where no point had one."""
    doubtful = next((entry for entry in found if entry.doubts), None)
    return doubtful or max(found, key=lambda entry: abs(entry.value - nominal_hz), default=missing)


def no_pulses(output: DimmingOutput) -> Doubt:
    """Return the doubt about the frequency of an output that should pulse and does not, long enough to be timed."""
    return Doubt(
        reason=f"{output.title} showed no pulses long enough to be timed at any point",
        cause=Cause.UNDECIDED,
        next_step="see what its levels say of it",
    )


def frequency_spread(found: list[Estimate], missing: Estimate) -> Estimate:
    """Return highest less lowest frequency; `missing` where no point had one."""
    if not found:
        return missing
    doubtful = next((entry for entry in found if entry.doubts), None)
    if doubtful is not None:
        return doubtful
    highest, lowest = (pick(found, key=lambda entry: entry.value) for pick in (max, min))
    return difference(highest, lowest)


def _spoilt(points: list[Point]) -> Estimate | None:
    """Return the first doubtful level, or a doubt that there are too few points; None where all is well."""
    doubtful = next((point.level for point in points if point.level.doubts), None)
    if doubtful is not None:
        return nothing(*doubtful.doubts)
    return nothing(_too_few()) if len(points) < 3 else None


def _too_few() -> Doubt:
    return Doubt(reason="fewer than three points of the curve", cause=Cause.BENCH, next_step="run the procedure again")
