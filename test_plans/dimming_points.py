"""A staircase of a rheostat read point by point: where its wiper stood and what one output showed there."""

import math
from dataclasses import dataclass
from itertools import chain

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate
from analysis.verdict import Cause
from test_plans.dimming_bench import rheostat_for
from test_plans.dimming_levels import expected_level, level_of, off_curve, steady_doubts, travel_of
from test_plans.readings import Record, nothing
from test_plans.sheets import DimmingOutput, Setup

CUT_SHORT = Doubt(
    reason="the wiper was never stepped in the capture", cause=Cause.BENCH, next_step="run the procedure again"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One point: travel at the pin (0 to 1), level found (per cent or V), what the sheet asks, their difference.

    `from_s` and `to_s` are the stretch of the capture that it was read from.
    """

    travel: Estimate
    level: Estimate
    expected: float
    deviation: Estimate
    frequency_hz: Estimate | None
    from_s: float = math.nan
    to_s: float = math.nan


def sweep_points(
    record: Record, setup: Setup, outputs: tuple[DimmingOutput, ...], *, settle_s: float, step_s: float
) -> dict[str, list[Point]]:
    """Return the points of every output in a capture, in order of time; one doubtful point where it is missing.

    One signal is read after the other, as reading one may mean a file.

    Args:
        record: the capture, with the stimulus events of the outputs' rheostats.
        setup: sheets and conditions.
        outputs: whose levels.
        settle_s: left out after each step of a wiper.
        step_s: from one step to the next.
    """
    rheostats = {output.name: rheostat_for(setup, output) for output in outputs}
    windows = {
        rheostat.name: [(step.time_s + settle_s, step.time_s + step_s) for step in record.stimuli(rheostat.name)]
        for rheostat in rheostats.values()
    }
    travels = {
        rheostat.name: [travel_of(record, rheostat, *window) for window in windows[rheostat.name]]
        for rheostat in rheostats.values()
    }
    spoilt = {
        window: steady_doubts(record, setup, *window) for window in dict.fromkeys(chain.from_iterable(windows.values()))
    }
    points = {}
    for output in outputs:
        name = rheostats[output.name].name
        points[output.name] = [
            _point(record, setup, output, travel=travel, window=window, spoilt=spoilt[window])
            for travel, window in zip(travels[name], windows[name], strict=True)
        ] or [_no_point(record)]
    return points


def _point(
    record: Record,
    setup: Setup,
    output: DimmingOutput,
    *,
    travel: Estimate,
    window: tuple[float, float],
    spoilt: tuple[Doubt, ...],
) -> Point:
    found = level_of(record, setup, output, *window, spoilt=spoilt)
    return Point(
        travel=travel,
        level=found.value,
        expected=expected_level(output, travel.value)[0],
        deviation=off_curve(output, found.value, travel),
        frequency_hz=found.frequency_hz,
        from_s=window[0],
        to_s=window[1],
    )


def _no_point(record: Record) -> Point:
    missing = nothing(*(record.missing or (CUT_SHORT,)))
    return Point(travel=missing, level=missing, expected=0.0, deviation=missing, frequency_hz=None)
