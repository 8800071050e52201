"""Panel dimming in fine steps: every rheostat in 101 points up and down, all at once, and every output on them.

The wipers' pins are sampled, so each point is held against the sheet's curve at the travel that really stood there.
"""

from collections.abc import Iterable, Iterator

from analysis.measurement import Curve, Measurement, Observation, Result
from analysis.uncertainty import Estimate, difference, resolved, scaled, total
from test_plans.conditions import bus_voltage_v, count
from test_plans.dimming_bench import (
    dimming_function,
    dimming_needs,
    levels_capture,
    outputs_of,
    periods_s,
    rheostat_for,
    rheostats_of,
    sample_rate_hz,
    signals_of,
    wake,
)
from test_plans.dimming_expected import deviation, frequency_hz, level, near_off
from test_plans.dimming_levels import (
    SETTLE_S,
    all_captures,
    all_doubts,
    expected_level,
    is_pwm,
    limit_of,
    travel_from,
    unit_of,
    worst_of,
)
from test_plans.dimming_points import Point, sweep_points
from test_plans.dimming_staircase import (
    TRACKED_FROM,
    apart_percent,
    dead_travel,
    end_levels,
    falls,
    frequency_furthest,
    frequency_spread,
    hysteresis,
    integral_error,
    largest_step,
    no_pulses,
    tracking,
)
from test_plans.driving import LEAD_S, Action, drive_at, play
from test_plans.expected import reading, worst
from test_plans.model_gaps import without_dimming
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, nothing
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Setup
from test_plans.signals import voltage_signal

POINTS = 101
PERIODS = 24
DIRECTIONS = ("up", "down")
HYSTERESIS = "dimming-hysteresis"


class DimmingSweep:
    """Curve, ends, dead travel, steps, linearity, tracking and frequency of every output."""

    name = "dimming-sweep"
    title = "Panel dimming in fine steps: curve, ends, linearity, tracking, frequency"
    conditions = ("voltage_v", "current_limit_a", "rheostats", "points")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return two staircases of all rheostats and outputs together."""
        volts = bus_voltage_v(setup)
        captures = tuple(
            levels_capture(setup, direction, n_periods=PERIODS, duration_s=_duration_s(setup), bus_v=volts)
            for direction in DIRECTIONS
        )
        return dimming_needs(setup, captures, _expected(setup), rheostats=rheostats_of(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Turn all rheostats together, up in steps and down again."""
        wake(rig, setup)
        last = _points(setup) - 1
        for direction in DIRECTIONS:
            with rig.capture(direction, signals_of(setup), sample_rate_hz=sample_rate_hz(setup, PERIODS)) as session:
                actions: list[Action] = []
                for step in range(last + 1):
                    part = (step if direction == "up" else last - step) / last
                    actions += [
                        drive_at(session, rheostat.name, part * rheostat.full_travel_v, LEAD_S + step * _step_s(setup))
                        for rheostat in rheostats_of(setup)
                    ]
                play(session, actions)
                session.wait_until(_duration_s(setup))
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give everything about every output, and how sister outputs track."""
        records = {direction: Record(evidence, direction) for direction in DIRECTIONS}
        sweeps = {
            direction: sweep_points(record, setup, outputs_of(setup), settle_s=SETTLE_S, step_s=_step_s(setup))
            for direction, record in records.items()
        }
        for output in outputs_of(setup):
            runs = {direction: points[output.name] for direction, points in sweeps.items()}
            for direction, points in runs.items():
                yield self._deviation(setup, output, direction, points)
            yield from self._shape(setup, output, runs["up"])
            if HYSTERESIS in setup.unit.limits:
                yield self._hysteresis(setup, output, runs)
            yield from self._ends(setup, output, records["up"], runs["up"])
            if is_pwm(output):
                yield from self._frequency(setup, output, [*runs["up"], *runs["down"]])
            yield self._curve(setup, output, runs)
        yield from self._tracking(setup, sweeps["up"])

    def _deviation(self, setup: Setup, output: DimmingOutput, direction: str, points: list[Point]) -> Measurement:
        worst = worst_of([point.deviation for point in points])
        at = next((point for point in points if point.deviation is worst), None)
        return worst.measurement(
            id=f"{output.name}.sweep-{direction}",
            limit=limit_of(output, "curve"),
            title=f"{output.title}: furthest off its curve in fine steps, turned {direction}",
            function=dimming_function(setup),
            quantity_unit=unit_of(output),
            pins=(output.pin,),
            notes=()
            if at is None
            else (f"at {100.0 * at.travel.value:.0f} % of travel, worst of {len(points)} points",),
        )

    def _shape(self, setup: Setup, output: DimmingOutput, points: list[Point]) -> Iterator[Result]:
        step, step_at = largest_step(points)
        for what, title, limit, unit, found, notes in (
            ("dead-travel-low", "dead travel at the low end", "dimming-dead-travel", "%", dead_travel(points), ()),
            (
                "dead-travel-high",
                "dead travel at the high end",
                "dimming-dead-travel",
                "%",
                dead_travel(points, high=True),
                (),
            ),
            ("largest-step", "largest step", limit_of(output, "step"), unit_of(output), step, step_at),
            ("linearity", "furthest off the line between its ends", "dimming-linearity", "%", *integral_error(points)),
        ):
            yield found.measurement(
                id=f"{output.name}.{what}",
                limit=limit,
                title=f"{output.title}: {title}",
                function=dimming_function(setup),
                quantity_unit=unit,
                pins=(output.pin,),
                notes=notes,
            )
        down, steps = falls(points)
        levels = [point.level for point in points]
        yield Observation(
            id=f"{output.name}.monotonic-fine",
            title=f"{output.title}: no fine step makes it darker",
            function=dimming_function(setup),
            statement="no step up falls by more than twice the uncertainty of a step",
            trials=steps,
            failures=len(down),
            detail=", ".join(f"at {100.0 * travel:.0f} % of travel" for travel in down),
            doubts=all_doubts(levels),
            captures=all_captures(levels),
            pins=(output.pin,),
        )

    def _hysteresis(self, setup: Setup, output: DimmingOutput, runs: dict[str, list[Point]]) -> Measurement:
        worst, notes = hysteresis(runs["up"], runs["down"][::-1], output.high_level - output.low_level)
        return worst.measurement(
            id=f"{output.name}.hysteresis",
            limit=HYSTERESIS,
            title=f"{output.title}: turned up against turned down, at one travel",
            function=dimming_function(setup),
            quantity_unit="%",
            pins=(output.pin,),
            notes=notes,
        )

    def _ends(self, setup: Setup, output: DimmingOutput, record: Record, points: list[Point]) -> Iterator[Measurement]:
        low, high = end_levels(record, output, points)
        for what, title, found in (
            ("off-level", "level with the rheostat at zero", low),
            ("full-level", "level with the rheostat at full", high),
        ):
            yield found.measurement(
                id=f"{output.name}.{what}",
                limit=limit_of(output, what),
                title=f"{output.title}: {title}",
                function=dimming_function(setup),
                quantity_unit=unit_of(output),
                pins=(output.pin,),
            )

    def _frequency(self, setup: Setup, output: DimmingOutput, points: list[Point]) -> Iterator[Measurement]:
        found = [point.frequency_hz for point in points if point.frequency_hz is not None]
        missing = nothing(*(all_doubts([point.level for point in points]) or (no_pulses(output),)))
        worst = frequency_furthest(found, output.frequency_hz, missing)
        for what, limit, title, estimate in (
            ("frequency-fine", "pwm-frequency", "frequency furthest from nominal", worst),
            (
                "frequency-spread",
                "pwm-frequency-spread",
                "spread of its frequency over the levels",
                frequency_spread(found, missing),
            ),
        ):
            yield estimate.measurement(
                id=f"{output.name}.{what}",
                limit=limit,
                title=f"{output.title}: {title}",
                function=dimming_function(setup),
                quantity_unit="Hz",
                pins=(output.pin,),
                notes=(f"{len(found)} points show pulses long enough to be timed",),
            )

    def _tracking(self, setup: Setup, ups: dict[str, list[Point]]) -> Iterator[Measurement]:
        for output in outputs_of(setup):
            sisters = [other for other in outputs_of(setup) if other.kind is output.kind and other is not output]
            if not sisters:
                continue
            worst, notes = tracking(output, ups[output.name], [ups[sister.name] for sister in sisters])
            yield worst.measurement(
                id=f"{output.name}.tracking",
                limit="dimming-tracking",
                title=f"{output.title}: furthest from the mean of its {len(sisters)} sister outputs",
                function=dimming_function(setup),
                quantity_unit="%",
                pins=(output.pin, *(sister.pin for sister in sisters)),
                notes=notes,
            )

    def _curve(self, setup: Setup, output: DimmingOutput, runs: dict[str, list[Point]]) -> Curve:
        travels = tuple(float(step) for step in range(101))
        wanted = tuple(expected_level(output, travel / 100.0)[0] for travel in travels)
        limit = setup.unit.limits[limit_of(output, "curve")]
        return Curve(
            id=f"{output.name}.sweep",
            title=f"{output.title} in fine steps over the rheostat's travel",
            function=dimming_function(setup),
            x_label="travel, %",
            y_label="duty, %" if is_pwm(output) else "level, V",
            series={
                direction: (
                    tuple(100.0 * point.travel.value for point in points),
                    tuple(point.level.value for point in points),
                )
                for direction, points in runs.items()
            },
            bands={
                "lowest allowed": (travels, tuple(level + limit.low for level in wanted)),
                "highest allowed": (travels, tuple(level + limit.high for level in wanted)),
            },
        )


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainty of every limit, the worst of the outputs that it speaks of."""
    rate_hz, stretch_s = sample_rate_hz(setup, PERIODS), periods_s(setup, PERIODS)
    step = 1.0 / (_points(setup) - 1)
    found: dict[str, list[Estimate]] = {"dimming-dead-travel": [], "dimming-linearity": []}
    for output in outputs_of(setup):
        full = output.high_level
        last, but_one = (
            level(setup, output, expected_level(output, at)[0], rate_hz=rate_hz, stretch_s=stretch_s, when=f"at {at}")
            for at in (1.0, 1.0 - step)
        )
        if HYSTERESIS in setup.unit.limits:
            turned = (
                level(setup, output, full, rate_hz=rate_hz, stretch_s=stretch_s, when=when) for when in DIRECTIONS
            )
            gap = scaled(difference(*turned), 100.0 / (full - output.low_level))
            found.setdefault(HYSTERESIS, []).append(gap)
        low = level(setup, output, output.low_level, rate_hz=rate_hz, stretch_s=stretch_s, when="lowest")
        rheostat = rheostat_for(setup, output)
        pin = reading(setup, voltage_signal(rheostat.name), rheostat.full_travel_v)
        dead = total(travel_from(pin, rheostat), resolved(0.0, step, "distance of two points"))
        bent = total(but_one, scaled(low, -step), scaled(last, step - 1.0))
        found["dimming-dead-travel"].append(scaled(dead, 100.0))
        found["dimming-linearity"].append(scaled(bent, 100.0 / (full - output.low_level)))
        for key, entry in (
            (limit_of(output, "curve"), deviation(setup, output, 1.0, rate_hz=rate_hz, stretch_s=stretch_s)),
            (limit_of(output, "step"), difference(last, but_one)),
            (limit_of(output, "full-level"), last),
            (limit_of(output, "off-level"), near_off(setup, output, bus_voltage_v(setup))),
        ):
            found.setdefault(key, []).append(entry)
        if sisters := [other for other in outputs_of(setup) if other.kind is output.kind and other is not output]:
            found.setdefault("dimming-tracking", []).append(_apart(setup, output, sisters))
        if is_pwm(output):
            highest, lowest = (
                frequency_hz(setup, output, rate_hz=rate_hz, stretch_s=stretch_s, when=when) for when in ("high", "low")
            )
            found.setdefault("pwm-frequency", []).append(highest)
            found.setdefault("pwm-frequency-spread", []).append(difference(highest, lowest))
    return tuple((key, worst(*entries)) for key, entries in found.items())


def _apart(setup: Setup, output: DimmingOutput, sisters: list[DimmingOutput]) -> Estimate:
    """Return the difference to the mean of the sister outputs where it counts most, just where it is tracked from."""
    rate_hz, stretch_s = sample_rate_hz(setup, PERIODS), periods_s(setup, PERIODS)
    own, *others = (
        deviation(setup, one, TRACKED_FROM, rate_hz=rate_hz, stretch_s=stretch_s) for one in (output, *sisters)
    )
    return apart_percent(own, others, TRACKED_FROM * output.high_level)


def _points(setup: Setup) -> int:
    return count(setup, "points", POINTS)


def _step_s(setup: Setup) -> float:
    return SETTLE_S + periods_s(setup, PERIODS)


def _duration_s(setup: Setup) -> float:
    return LEAD_S + _points(setup) * _step_s(setup)
