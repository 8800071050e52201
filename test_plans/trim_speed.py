"""Trim speed by airspeed: duty of every output, both directions, along rising and falling airspeed."""

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, difference, scaled
from test_plans.airspeed_duty import (
    Look,
    airspeed_doubts,
    capture_doubts,
    deviation_percent,
    duty_capture,
    duty_found,
    duty_percent,
    duty_signals,
    expected_duty,
    expected_off_percent,
    expected_percent,
    expected_u_percent,
    held_switches,
    look,
    rate_hz,
    without_schedule,
    worst_of,
)
from test_plans.airspeed_line import new_airspeed_s
from test_plans.conditions import bus_voltage_v, count, current_limit_a
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import LIGHT, axis_functions, light_load, light_needs

LIMIT_A = 0.5
POINTS = 10
BEYOND_KT = 10.0  # past both ends of the slope: end values must hold
HOLD_S = 0.2
BETWEEN_S = 0.12
LOOKS_S = 2.0 * (HOLD_S + BETWEEN_S)
PASSES = ("rising", "falling")
WAYS = ((1, "plus"), (-1, "minus"))
STEP_U = 3.0  # a step up that its uncertainty does not explain


class TrimSpeed:
    """Speed schedule: deviation from the sheet's, monotony, gap between the passes, frequency."""

    name = "trim-speed"
    title = "Trim outputs: speed by airspeed"
    conditions = ("voltage_v", "current_limit_a", "load", "axes", "points")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_schedule(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per pass, all outputs in it."""
        volts = bus_voltage_v(setup)
        captures = tuple(duty_capture(setup, name, _duration_s(setup), volts) for name in PASSES)
        limits = (("trim-speed-curve", expected_off_percent(setup)), ("trim-speed-gap", _expected_gap(setup)))
        return light_needs(setup, volts, current_limit_a(setup, LIGHT, LIMIT_A), captures, limits)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Step the airspeed up, then down; at each one look at both directions. It ends at the plan's airspeed."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, LIGHT, LIMIT_A))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, light_load(setup)) for axis in axes])
        for name in PASSES:
            with rig.capture(
                name, duty_signals(setup), sample_rate_hz=rate_hz(setup), lines=trim_lines(setup.unit)
            ) as session:
                for place, airspeed_kt in enumerate(_airspeeds(setup, name)):
                    session.wait_until(_point_s(setup, place))
                    rig.set_airspeed(airspeed_kt)
                    for looked in _looks(setup, place):
                        look(session, setup, looked)
                session.wait_until(_duration_s(setup))
        rig.set_airspeed(setup.plan.airspeed_kt)
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each axis and direction the worst deviation of each pass, monotony, gap, frequency and the curve."""
        records = {name: Record(evidence, name) for name in PASSES}
        spoilt = {name: capture_doubts(record, setup) for name, record in records.items()}
        for axis in axes_under_test(setup):
            shown: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
            for polarity, way in WAYS:
                switch = next((s for a, s in held_switches(setup, polarity) if a is axis), None)
                if switch is None:
                    continue
                duties = {
                    name: _duties(record, setup, (axis, switch), spoilt[name]) for name, record in records.items()
                }
                for name in PASSES:
                    speeds = _airspeeds(setup, name)
                    due = _expected(records[name], setup, polarity)
                    yield _curve(axis, (duties[name], due), speeds, f"{way}.speed-{name}")
                    yield _monotonic(records[name], axis, duties[name], f"{way}.speed-{name}-monotonic")
                    if all(math.isfinite(duty.value) for duty in duties[name]):
                        shown[f"{way}, {name}"] = (speeds, tuple(duty.value for duty in duties[name]))
                if setup.unit.airspeed is None or setup.unit.airspeed.switch is None:
                    yield _gap(axis, setup, duties, way)
                yield _frequency(records[PASSES[0]], setup, (axis, switch), way)
            yield _picture(axis, setup, shown)


def _duties(
    record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], spoilt: tuple[Doubt, ...]
) -> tuple[Estimate, ...]:
    """Return the duty at every airspeed of a pass, per cent."""
    _, switch = place
    found = []
    for point, airspeed_kt in enumerate(_airspeeds(setup, record.name)):
        looked = next(looked for looked in _looks(setup, point) if looked.polarity == switch.polarity)
        duty = duty_percent(record, setup, place, looked)
        found.append(doubted(duty, *airspeed_doubts(record, looked, airspeed_kt), *spoilt))
    return tuple(found)


def _expected(record: Record, setup: Setup, polarity: int) -> tuple[Estimate, ...]:
    """Return the duty that the sheet gives at every airspeed of a pass, per cent."""
    rising = record.name == PASSES[0]
    looks = (
        next(look for look in _looks(setup, place) if look.polarity == polarity)
        for place in range(len(_airspeeds(setup, record.name)))
    )
    return tuple(
        expected_duty(record, setup, looked, airspeed_kt, rising=rising)
        for looked, airspeed_kt in zip(looks, _airspeeds(setup, record.name), strict=True)
    )


def _curve(
    axis: TrimAxis, found: tuple[Sequence[Estimate], Sequence[Estimate]], airspeeds_kt: Sequence[float], what: str
) -> Measurement:
    """Return the largest deviation of a pass; every doubt of any point stands."""
    deviations = [deviation_percent(duty, due) for duty, due in zip(*found, strict=True)]
    worst = worst_of(deviations)
    doubts = [doubt for found in deviations for doubt in found.doubts]
    value = deviations[worst]
    return doubted(value, *doubts).measurement(
        id=f"{axis.name}.{what}",
        limit="trim-speed-curve",
        title=f"{axis.title}, {_pass_words(what)}: largest deviation of duty",
        function=axis.function,
        quantity_unit="%",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"at {airspeeds_kt[worst]:g} kt, of {len(deviations)} airspeeds",) if math.isfinite(value.value) else (),
    )


def _pass_words(what: str) -> str:
    return what.replace(".speed-", " pin positive, airspeed ")


def _monotonic(record: Record, axis: TrimAxis, duties: Sequence[Estimate], what: str) -> Observation:
    """Return whether more airspeed never meant more duty, beyond what its uncertainty explains."""
    falling = duties if record.name == PASSES[0] else duties[::-1]  # by airspeed, slow to fast
    steps = [difference(later, earlier) for earlier, later in pairwise(falling)]
    wrong = [step for step in steps if step.value > STEP_U * step.standard_uncertainty]
    return Observation(
        id=f"{axis.name}.{what}",
        title=f"{axis.title}, {_pass_words(what.removesuffix('-monotonic'))}: monotonic",
        function=axis.function,
        statement="more airspeed never means more duty",
        trials=len(steps) if record.capture is not None else 0,
        failures=len(wrong) if record.capture is not None else 0,
        detail="; ".join(f"duty rose by {step.value:.1f} %" for step in wrong),
        doubts=tuple(dict.fromkeys(doubt for duty in duties for doubt in duty.doubts)),
        captures=record.names,
        pins=(axis.plus_pin, axis.minus_pin),
    )


def _gap(axis: TrimAxis, setup: Setup, duties: dict[str, tuple[Estimate, ...]], way: str) -> Measurement:
    """Return the largest gap between the two passes, as airspeed by the sheet's slope."""
    rising, falling = duties[PASSES[0]], duties[PASSES[1]][::-1]
    gaps = [difference(one, other) for one, other in zip(rising, falling, strict=True)]
    worst = gaps[worst_of(gaps)]
    sign = -1.0 if worst.value < 0.0 else 1.0
    doubts = [doubt for found in gaps for doubt in found.doubts]
    return doubted(scaled(worst, sign / _slope_percent_per_kt(setup)), *doubts).measurement(
        id=f"{axis.name}.{way}.speed-gap",
        limit="trim-speed-gap",
        title=f"{axis.title}, {way} pin positive: gap between rising and falling airspeed",
        function=axis.function,
        quantity_unit="kt",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"by the sheet's slope of {_slope_percent_per_kt(setup):.3f} % of duty a knot",),
    )


def _expected_gap(setup: Setup) -> float:
    """Return the uncertainty of a gap, in kt: two duties on the slope, of a unit that pulses as its sheet says."""
    return math.sqrt(2.0) * expected_u_percent(setup, pulsed=True) / _slope_percent_per_kt(setup)


def _frequency(record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], way: str) -> Measurement:
    """Return the PWM frequency at the highest airspeed; nothing in the sheet limits it."""
    axis, switch = place
    point = len(_airspeeds(setup, record.name)) - 1
    looked = next(looked for looked in _looks(setup, point) if looked.polarity == switch.polarity)
    found = duty_found(record, setup, place, looked)
    name = f"{record.name} {axis.name}, {way}"
    estimate = nothing(*record.missing) if found is None else found.frequency_estimate(name, record.names)
    return estimate.measurement(
        id=f"{axis.name}.{way}.pwm-frequency",
        limit="",
        title=f"{axis.title}, {way} pin positive: PWM frequency",
        function=axis.function,
        quantity_unit="Hz",
        pins=(axis.plus_pin, axis.minus_pin),
    )


def _picture(axis: TrimAxis, setup: Setup, shown: dict[str, tuple[tuple[float, ...], tuple[float, ...]]]) -> Curve:
    limit = setup.unit.limits["trim-speed-curve"]
    speeds = _airspeeds(setup, PASSES[0])
    expected = [expected_percent(setup.unit, kt) for kt in speeds]
    return Curve(
        id=f"{axis.name}.speed",
        title=f"{axis.title}: duty by airspeed",
        function=axis.function,
        x_label="airspeed, kt",
        y_label="duty, %",
        series=shown,
        bands={
            "lower limit": (speeds, tuple(duty + limit.low for duty in expected)),
            "upper limit": (speeds, tuple(duty + limit.high for duty in expected)),
        },
        capture=PASSES[0] if shown else "",
    )


def _airspeeds(setup: Setup, name: str) -> tuple[float, ...]:
    """Return the airspeeds of a pass, from below the slope to above it or back, in whole tenths of a knot."""
    rules = setup.unit.trim_rules
    slow_kt = rules.slow_airspeed_kt if rules is not None else setup.unit.full_trim_airspeed_kt
    low_kt = max(0.0, setup.unit.full_trim_airspeed_kt - BEYOND_KT)
    rising = np.linspace(low_kt, slow_kt + BEYOND_KT, count(setup, "points", POINTS)).round(1)
    return tuple(float(kt) for kt in (rising if name == PASSES[0] else rising[::-1]))


def _slope_percent_per_kt(setup: Setup) -> float:
    rules = setup.unit.trim_rules
    if rules is None:
        return math.nan
    return 100.0 * (1.0 - rules.slow_duty) / (rules.slow_airspeed_kt - setup.unit.full_trim_airspeed_kt)


def _point_s(setup: Setup, place: int) -> float:
    return LEAD_S + place * (new_airspeed_s(setup.unit.airspeed) + LOOKS_S)


def _looks(setup: Setup, place: int) -> Iterator[Look]:
    """Yield the looks at one airspeed, the plus way first."""
    at_s = _point_s(setup, place) + new_airspeed_s(setup.unit.airspeed)
    for turn, (polarity, _) in enumerate(WAYS):
        pressed_s = at_s + turn * (HOLD_S + BETWEEN_S)
        yield Look(polarity=polarity, pressed_s=pressed_s, released_s=pressed_s + HOLD_S)


def _duration_s(setup: Setup) -> float:
    return _point_s(setup, count(setup, "points", POINTS))
