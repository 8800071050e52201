"""A trim output shorted while it drives, for a tenth of a second through a fuse: how soon it is off, and then.

It drives a light load, a relay puts next to nothing in its place while the switch is held: the drive must end at once,
stay off while the switch is held, and drive again at a new press once the short is gone. All other outputs are watched
meanwhile. What flows is read as volts across the short, for the output's own current channel ends far below.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, ratio
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, number
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.expected import load_of, reading, typical
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_limit, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sampled_time import interval, interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.shorts import SHORT_OHM, short_of
from test_plans.signals import idle_outputs, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_functions, axis_signals, light_load, trim_needs
from test_plans.trim_drive import axis_observation, drives_of, press_doubts, presses_of, time_measurement
from test_plans.trim_drop_sweep import first_seat
from test_plans.trim_switches import seat_words, switch_id

CONDITION = "over-current"
RATE_HZ = 40_000.0
ON_S = 0.3  # from the press until the short comes
SHORT_S = 0.1
HELD_S = 0.2  # after the short the switch is still held
REST_S = 0.3
ANEW_S = 0.3
FLOWS_PART = 1.2  # of the highest trip current: from there up it is the short that flows
RESERVE = 1.4  # of the supply's limit over what the short is going to draw
FALLS_S = 0.02  # ahead of the note: no sooner did the relay close
LIMIT = "trim-short-time"
CURRENT = "unit.current.high"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shorted:
    """One short as sampled, in capture time; NaN where it was not seen."""

    told_s: float
    began_s: float  # more flows than any trip current
    ended_s: float  # and no longer


class TrimShort:
    """Short of every axis under test, in each direction of its first seat."""

    name = "trim-short"
    title = "Trim outputs shorted while they drive"
    conditions = ("voltage_v", "current_limit_a", "axes", "load")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup) or without_limit(setup, LIMIT, "trim-trip-current")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a capture a direction, a short and a light load on every axis."""
        volts, axes = bus_voltage_v(setup), axes_under_test(setup)
        captures = tuple(
            CaptureNeed(
                name=_capture(switch),
                signals=_signals(setup, axis),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(),
                highest_v={"unit.voltage": volts, voltage_signal(axis.name): volts, CURRENT: _most_a(setup, axis)},
            )
            for axis in axes
            for switch in first_seat(axis)
        )
        needs = trim_needs(
            setup,
            captures,
            volts=volts,
            condition=CONDITION,
            limit_a=_limit_a(setup),
            load=light_load(setup),
            limits=((LIMIT, _expected(setup)),),
            switches=[switch for axis in axes for switch in first_seat(axis)],
        )
        return replace(
            needs,
            loads=tuple((axis.name, _short(setup, axis)) for axis in axes),
            light_loads=needs.loads,
            load_current_a=max(_most_a(setup, axis) for axis in axes),
            untested=(f"a short of a trim output that is over within {1e6 / RATE_HZ:.0f} us, between two samples",),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Drive, short, hold on, let go; press anew without the short."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=_limit_a(setup))
        for axis in axes_under_test(setup):
            light, short = light_load(setup), _short(setup, axis)
            for switch in first_seat(axis):
                apply_loads(rig, [(axis.name, light)])
                with rig.capture(
                    _capture(switch), _signals(setup, axis), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)
                ) as session:
                    session.press(switch.name, at_s=LEAD_S)
                    shorted_s = LEAD_S + ON_S
                    session.wait_until(shorted_s)
                    rig.set_load(axis.name, short)
                    session.note(shorted=axis.name)
                    session.wait_until(shorted_s + SHORT_S)
                    rig.set_load(axis.name, light)
                    released_s = shorted_s + SHORT_S + HELD_S
                    session.wait_until(released_s - LEAD_S)
                    session.release(switch.name, at_s=released_s)
                    session.press(switch.name, at_s=released_s + REST_S)
                    session.wait_until(released_s + REST_S)
                    session.release(switch.name, at_s=released_s + REST_S + ANEW_S)
                    session.wait_until(_duration_s())
                drop_loads(rig, [axis.name])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give how soon it was off, what flowed, and what it did afterwards, for each direction."""
        for axis in axes_under_test(setup):
            for switch in first_seat(axis):
                record = Record(evidence, _capture(switch))
                yield from _results(record, setup, axis, switch)


def _results(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Iterable[Result]:
    short, spoilt = _shorted(record, setup, axis, switch), _doubts(record, setup, axis, switch)
    yield time_measurement(
        doubted(_trip_time(record, short), *spoilt),
        axis,
        id_=switch_id(switch, "short-time"),
        limit=LIMIT,
        title=f"{seat_words(switch)}: shorted, off after",
        trials=1,
    )
    yield doubted(_peak(record, setup, axis, short), *spoilt).measurement(
        id=switch_id(switch, "short-current"),
        limit="",
        title=f"{axis.title} {seat_words(switch)}: shorted, largest current",
        function=axis.function,
        quantity_unit="A",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"through {_short(setup, axis)}",),
    )
    yield _holds_off(record, axis, switch, short, spoilt)
    yield _drives_again(record, axis, switch, spoilt)
    yield idle_observation(
        record,
        setup,
        _others(setup, axis),
        switch_id(switch, "short-others-idle"),
        f"{axis.title} {seat_words(switch)}: shorted, moves no other output",
        function=axis.function,
        pins=(axis.plus_pin, axis.minus_pin),
    )


def _shorted(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Shorted | None:
    """Return the short: what flows beyond any trip current around when the relay was told; None where none was told."""
    told = [time_s for time_s, output in record.notes("shorted") if output == axis.name]
    if not told or record.capture is None:
        return None
    start_s = told[0] - FALLS_S
    amps = switch.polarity * record.samples(f"{axis.name}.current", start_s, told[0] + SHORT_S + FALLS_S)
    above = np.flatnonzero(amps > FLOWS_PART * setup.unit.limits["trim-trip-current"].high)
    if not above.size:
        return Shorted(told_s=told[0], began_s=math.nan, ended_s=math.nan)
    return Shorted(
        told_s=told[0],
        began_s=start_s + (float(above[0]) - 0.5) / record.capture.sample_rate_hz,
        ended_s=start_s + (float(above[-1]) + 0.5) / record.capture.sample_rate_hz,
    )


def _trip_time(record: Record, short: Shorted | None) -> Estimate:
    if short is None or math.isnan(short.began_s):
        return nothing(*record.missing)
    return interval_in(record, short.ended_s - short.began_s)


def _peak(record: Record, setup: Setup, axis: TrimAxis, short: Shorted | None) -> Estimate:
    """Return the largest current, as volts across the short."""
    if short is None or math.isnan(short.began_s) or record.capture is None:
        return nothing(*record.missing)
    volts = np.abs(record.samples(voltage_signal(axis.name), short.began_s, short.ended_s))
    across = volts[1:] if volts.size > 1 else volts  # the first may still see the light load
    if not across.size:
        return nothing()
    load = load_of(setup, axis.name, _short(setup, axis))
    resistor = bounded(load.resistance_ohm, load.relative_bound * load.resistance_ohm, f"short of {axis.name}")
    read = reading(setup, voltage_signal(axis.name), float(across.max()), samples=1)
    return replace(ratio(read, resistor), captures=record.names)


def _holds_off(
    record: Record, axis: TrimAxis, switch: TrimSwitch, short: Shorted | None, spoilt: tuple[Doubt, ...]
) -> Observation:
    presses, said = presses_of(record, switch), ""
    if short is not None and presses:
        gone_s = short.told_s + SHORT_S  # before that a drive into the short shows no volts to speak of
        again = [
            drive for drive in drives_of(record, axis) if drive.end_s > gone_s and drive.start_s < presses[0].opened_s
        ]
        said = "it drove again while the switch was still held" if again else ""
    return axis_observation(
        axis,
        record,
        id_=switch_id(switch, "short-holds-off"),
        title=f"{seat_words(switch)}: shorted, stays off",
        statement="shorted once, it stays off while the switch is held",
        tried=[said] if short is not None and presses else [],
        doubts=spoilt,
    )


def _drives_again(record: Record, axis: TrimAxis, switch: TrimSwitch, spoilt: tuple[Doubt, ...]) -> Observation:
    presses = presses_of(record, switch)
    anew = presses[1] if len(presses) > 1 else None
    again = anew is not None and any(
        drive.direction == switch.polarity and drive.start_s >= anew.closed_s and drive.duration_s > 0.5 * ANEW_S
        for drive in drives_of(record, axis)
    )
    return axis_observation(
        axis,
        record,
        id_=switch_id(switch, "short-lets-go"),
        title=f"{seat_words(switch)}: drives again after a short",
        statement="with the short gone, it drives again at a new press",
        tried=[] if anew is None else ["" if again else "the new press did not drive"],
        doubts=spoilt,
    )


def _doubts(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> tuple[Doubt, ...]:
    """Return why the short tells nothing of the unit: its line, the bus, a short that never came, or no drive ahead.

    The channel of the output's own current may clip: it only tells that the short flows.
    """
    if record.capture is None:
        return record.missing
    short = _shorted(record, setup, axis, switch)
    presses = presses_of(record, switch)
    found = [
        *press_doubts(record, switch, presses),
        *record.doubts(("unit.voltage", voltage_signal(axis.name))),
        *supply_doubts(record, setup, CONDITION),
    ]
    if short is None:
        reason = f"{record.name}: no short was told"
        return (*found, Doubt(reason=reason, cause=Cause.BENCH, next_step="run the procedure again"))
    drove = [drive for drive in drives_of(record, axis) if drive.start_s < short.told_s - FALLS_S]
    if not drove or drove[-1].direction != switch.polarity or drove[-1].end_s < short.told_s - FALLS_S:
        reason = f"{record.name}: {axis.title} did not drive when the short came"
        see = "see trim-light: whether the output drives, and the right way round"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
    elif math.isnan(short.began_s):
        reason = f"{record.name}: no short flowed out of {axis.title}"
        step = f"check the relay and fuse of {_short(setup, axis)} at {axis.name}, and its current channel"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    return tuple(dict.fromkeys(found))


def _short(setup: Setup, axis: TrimAxis) -> str:
    """Return the position of an axis's short, or the name it ought to have."""
    return short_of(setup, axis.name) or f"{SHORT_OHM:g} ohm"


def _most_a(setup: Setup, axis: TrimAxis) -> float:
    """Return what a good unit drives through the short until it trips."""
    inside_ohm = typical(setup, "trim-drop") / axis.rated_current_a
    return bus_voltage_v(setup) / (load_of(setup, axis.name, _short(setup, axis)).resistance_ohm + inside_ohm)


def _limit_a(setup: Setup) -> float:
    """Return the supply's limit: well above the short's current and the unit's own, so that it is not what limits."""
    most_a = max(conforming_a(setup, CONDITION), *(_most_a(setup, axis) for axis in axes_under_test(setup)))
    return number(setup, "current_limit_a", math.ceil(10.0 * RESERVE * most_a) / 10.0)


def _others(setup: Setup, axis: TrimAxis) -> tuple[str, ...]:
    return tuple(name for name in idle_outputs(setup.unit) if name != axis.name)


def _signals(setup: Setup, axis: TrimAxis) -> tuple[str, ...]:
    return ("unit.voltage", CURRENT, *axis_signals(axis), *map(voltage_signal, _others(setup, axis)))


def _capture(switch: TrimSwitch) -> str:
    return f"{switch.name}-short"


def _expected(setup: Setup) -> float:
    lasts_s, clock_bound = typical(setup, LIMIT), setup.bench.clock_bound
    return interval(lasts_s, sample_rate_hz=RATE_HZ, clock_bound=clock_bound).standard_uncertainty


def _duration_s() -> float:
    return LEAD_S + ON_S + SHORT_S + HELD_S + REST_S + ANEW_S + 0.1
