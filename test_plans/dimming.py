"""Panel dimming: one rheostat in 21 points up and down; duty, frequency and level of every output on it.

The wiper pin is sampled, so each point is held against the sheet's curve at the travel that really stood there.
"""

from collections.abc import Iterable
from itertools import pairwise

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, count, names
from test_plans.dimming_bench import dimming_needs, wake
from test_plans.dimming_expected import deviation, frequency_hz
from test_plans.dimming_levels import all_captures, all_doubts, expected_level, limit_of, pulses_sure, worst_of
from test_plans.dimming_points import Point, sweep_points
from test_plans.dimming_staircase import frequency_furthest, no_pulses
from test_plans.driving import LEAD_S, Action, drive_at, play
from test_plans.expected import worst
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_dimming
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, nothing
from test_plans.rig import Rig
from test_plans.sheets import DimmingKind, DimmingOutput, Rheostat, Setup
from test_plans.signals import function_named, idle_outputs, voltage_signal
from test_plans.switch_lines import watched_lines

RATE_HZ = 50_000.0
POINTS = 21
SETTLE_S = 0.100
PERIODS = 50
SLOWEST_HZ = 240.0
OTHERS_RATE_HZ = 1000.0
OTHERS_S = 0.4
OFF_DUTY_PERCENT = 0.5
STEP_DOWN_U = 3.0


class DimmingCurve:
    """Curve, frequency and ends of the outputs on a rheostat."""

    name = "dimming-curve"
    title = "Panel dimming: curve and frequency"
    conditions = ("voltage_v", "current_limit_a", "rheostats", "points")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (function_named(setup.unit, "dimming"),)

    def needs(self, setup: Setup) -> Needs:
        """Return two staircases at 50 kS/s for each rheostat, and a look at everything else at full travel."""
        volts = bus_voltage_v(setup)
        captures = []
        for rheostat in _rheostats(setup):
            signals = _signals(setup, rheostat)
            highest = dict.fromkeys(signals, volts) | {voltage_signal(rheostat.name): rheostat.full_travel_v}
            captures += [
                CaptureNeed(
                    name=f"{rheostat.name}.{direction}",
                    signals=signals,
                    sample_rate_hz=RATE_HZ,
                    duration_s=_staircase_s(setup, rheostat),
                    highest_v=highest,
                )
                for direction in ("up", "down")
            ]
            captures.append(
                CaptureNeed(
                    name=f"{rheostat.name}.others",
                    signals=tuple(voltage_signal(name) for name in _others(setup, rheostat)),
                    lines=watched_lines(setup.unit),
                    sample_rate_hz=OTHERS_RATE_HZ,
                    duration_s=OTHERS_S,
                )
            )
        return dimming_needs(setup, tuple(captures), _expected(setup), rheostats=_rheostats(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Turn each rheostat up in steps, look at all other outputs, turn it down again."""
        wake(rig, setup)
        for rheostat in _rheostats(setup):
            levels_v = [rheostat.full_travel_v * step / (_points(setup) - 1) for step in range(_points(setup))]
            self._staircase(rig, setup, rheostat, "up", levels_v)
            others = [voltage_signal(name) for name in _others(setup, rheostat)]
            lines = watched_lines(setup.unit)
            with rig.capture(f"{rheostat.name}.others", others, sample_rate_hz=OTHERS_RATE_HZ, lines=lines) as session:
                session.wait_until(OTHERS_S)
            self._staircase(rig, setup, rheostat, "down", levels_v[::-1])
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for every output its worst deviation up and down, frequency, off state and order of steps."""
        for rheostat in _rheostats(setup):
            sweeps = {
                direction: sweep_points(
                    Record(evidence, f"{rheostat.name}.{direction}"),
                    setup,
                    _outputs(setup, rheostat),
                    settle_s=SETTLE_S,
                    step_s=_step_s(setup, rheostat),
                )
                for direction in ("up", "down")
            }
            for output in _outputs(setup, rheostat):
                runs = {direction: points[output.name] for direction, points in sweeps.items()}
                for direction, points in runs.items():
                    yield self._curve_deviation(setup, output, direction, points)
                if output.kind is DimmingKind.PWM:
                    yield self._frequency(setup, output, [*runs["up"], *runs["down"]])
                    yield self._off(setup, output, [*runs["up"], *runs["down"]])
                yield self._monotonic(setup, output, runs["up"])
                yield self._curve(setup, output, runs)
            yield self._others_idle(evidence, setup, rheostat)

    def _staircase(self, rig: Rig, setup: Setup, rheostat: Rheostat, direction: str, levels_v: list[float]) -> None:
        name = f"{rheostat.name}.{direction}"
        with rig.capture(name, _signals(setup, rheostat), sample_rate_hz=RATE_HZ) as session:
            step_s = _step_s(setup, rheostat)
            actions: list[Action] = [
                drive_at(session, rheostat.name, level_v, LEAD_S + index * step_s)
                for index, level_v in enumerate(levels_v)
            ]
            play(session, actions)
            session.wait_until(_staircase_s(setup, rheostat))

    def _curve_deviation(self, setup: Setup, output: DimmingOutput, direction: str, points: list[Point]) -> Measurement:
        worst = worst_of([point.deviation for point in points])
        pwm_kind = output.kind is DimmingKind.PWM
        at = next((point for point in points if point.deviation is worst), None)
        note = () if at is None else (f"at {100.0 * at.travel.value:.0f} % of travel, worst of {len(points)} points",)
        return worst.measurement(
            id=f"{output.name}.curve-{direction}",
            limit="pwm-curve" if pwm_kind else "dc-curve",
            title=f"{output.title}: furthest off its curve, turned {direction}",
            function=function_named(setup.unit, "dimming"),
            quantity_unit="%" if pwm_kind else "V",
            pins=(output.pin,),
            notes=note,
        )

    def _frequency(self, setup: Setup, output: DimmingOutput, points: list[Point]) -> Measurement:
        """Return the frequency furthest off over the points whose pulses can be timed; in doubt where none can."""
        found = [point.frequency_hz for point in points if point.frequency_hz is not None]
        asked = any(pulses_sure(point.expected) for point in points)
        spoilt = all_doubts([point.level for point in points])
        missing = nothing(*(spoilt or (no_pulses(output) if asked else _no_pulses_asked(output),)))
        worst = frequency_furthest(found, output.frequency_hz, missing)
        return worst.measurement(
            id=f"{output.name}.frequency",
            limit="pwm-frequency",
            title=f"{output.title}: frequency furthest from nominal",
            function=function_named(setup.unit, "dimming"),
            quantity_unit="Hz",
            pins=(output.pin,),
            notes=(f"{len(found)} points show pulses",),
        )

    def _off(self, setup: Setup, output: DimmingOutput, points: list[Point]) -> Observation:
        resting = [point for point in points if point.expected == 0.0]
        lit = [point for point in resting if not point.level.value <= OFF_DUTY_PERCENT]
        return Observation(
            id=f"{output.name}.off",
            title=f"{output.title}: off with the rheostat at zero",
            function=function_named(setup.unit, "dimming"),
            statement=f"no pulses below {100.0 * output.off_below:.0f} % of travel",
            trials=len(resting),
            failures=len(lit),
            detail=f"{max((point.level.value for point in lit), default=0.0):.1f} % duty",
            doubts=all_doubts([point.level for point in resting]),
            captures=all_captures([point.level for point in resting]),
            pins=(output.pin,),
        )

    def _monotonic(self, setup: Setup, output: DimmingOutput, points: list[Point]) -> Observation:
        steps = [difference(later.level, earlier.level) for earlier, later in pairwise(points)]
        down = [step for step in steps if step.value < -STEP_DOWN_U * step.standard_uncertainty]
        return Observation(
            id=f"{output.name}.monotonic",
            title=f"{output.title}: brighter with every step up",
            function=function_named(setup.unit, "dimming"),
            statement="no step up of the rheostat makes it darker",
            trials=len(steps),
            failures=len(down),
            detail=f"{len(down)} steps go down",
            doubts=all_doubts([point.level for point in points]),
            captures=all_captures([point.level for point in points]),
            pins=(output.pin,),
        )

    def _curve(self, setup: Setup, output: DimmingOutput, runs: dict[str, list[Point]]) -> Curve:
        unit = "duty, %" if output.kind is DimmingKind.PWM else "level, V"
        travels = tuple(float(step) for step in range(101))
        wanted = tuple(expected_level(output, travel / 100.0)[0] for travel in travels)
        limit = setup.unit.limits["pwm-curve" if output.kind is DimmingKind.PWM else "dc-curve"]
        return Curve(
            id=f"{output.name}.curve",
            title=f"{output.title} over the rheostat's travel",
            function=function_named(setup.unit, "dimming"),
            x_label="travel, %",
            y_label=unit,
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

    def _others_idle(self, evidence: Evidence, setup: Setup, rheostat: Rheostat) -> Observation:
        record = Record(evidence, f"{rheostat.name}.others")
        others = _others(setup, rheostat)
        return idle_observation(
            record,
            setup,
            others,
            f"{rheostat.name}.others-idle",
            f"{rheostat.title}: moves its own outputs only",
            function=function_named(setup.unit, "dimming"),
            pins=(rheostat.pin,),
        )


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of levels off their curve at half and full travel, and of a frequency over a point."""
    curves: dict[str, list[Estimate]] = {}
    u_hz = []
    for rheostat in _rheostats(setup):
        stretch_s = _step_s(setup, rheostat) - SETTLE_S
        for output in _outputs(setup, rheostat):
            curves.setdefault(limit_of(output, "curve"), []).extend(
                deviation(setup, output, at, rate_hz=RATE_HZ, stretch_s=stretch_s) for at in (0.5, 1.0)
            )
            if output.kind is DimmingKind.PWM:
                u_hz.append(frequency_hz(setup, output, rate_hz=RATE_HZ, stretch_s=stretch_s).standard_uncertainty)
    found = {key: worst(*entries) for key, entries in curves.items()}
    return tuple((found | ({"pwm-frequency": max(u_hz)} if u_hz else {})).items())


def _no_pulses_asked(output: DimmingOutput) -> Doubt:
    return Doubt(
        reason=f"no point of the plan asks {output.title} for pulses long enough to be timed",
        cause=Cause.BENCH,
        next_step="give the plan more points",
    )


def _rheostats(setup: Setup) -> tuple[Rheostat, ...]:
    wanted = names(setup, "rheostats", tuple(rheostat.name for rheostat in setup.unit.rheostats[:1]))
    return tuple(rheostat for rheostat in setup.unit.rheostats if rheostat.name in wanted)


def _outputs(setup: Setup, rheostat: Rheostat) -> tuple[DimmingOutput, ...]:
    mapped = setup.aircraft.dimming_map
    return tuple(output for output in setup.unit.dimming if mapped.get(output.name) == rheostat.name)


def _others(setup: Setup, rheostat: Rheostat) -> tuple[str, ...]:
    own = {output.name for output in _outputs(setup, rheostat)}
    return tuple(name for name in idle_outputs(setup.unit) if name not in own)


def _signals(setup: Setup, rheostat: Rheostat) -> tuple[str, ...]:
    return (voltage_signal(rheostat.name), *(voltage_signal(output.name) for output in _outputs(setup, rheostat)))


def _points(setup: Setup) -> int:
    return count(setup, "points", POINTS)


def _step_s(setup: Setup, rheostat: Rheostat) -> float:
    """Return the time of one step: settling, then 50 periods of the slowest output and a little more."""
    slowest_hz = min((o.frequency_hz for o in _outputs(setup, rheostat) if o.frequency_hz > 0.0), default=SLOWEST_HZ)
    return SETTLE_S + (PERIODS + 2) / slowest_hz


def _staircase_s(setup: Setup, rheostat: Rheostat) -> float:
    return LEAD_S + _points(setup) * _step_s(setup, rheostat)
