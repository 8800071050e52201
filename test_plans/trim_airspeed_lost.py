"""Trim speed when airspeed can't be used: lost, constant for long, beyond all reason, no number, or a spoilt text."""

import math
from collections.abc import Iterable

import numpy as np

from analysis.measurement import Doubt, Measurement, Result
from analysis.uncertainty import Estimate, bounded, difference, exact, total
from analysis.verdict import Cause
from test_plans.airspeed_duty import (
    Look,
    airspeed_doubts,
    airspeed_sent,
    capture_doubts,
    deviation_percent,
    duty_capture,
    duty_percent,
    duty_signals,
    expected_duty,
    expected_off_percent,
    expected_percent,
    held_switches,
    look,
    rate_hz,
    without_schedule,
)
from test_plans.airspeed_line import new_airspeed_s
from test_plans.conditions import bus_voltage_v, current_limit_a, required_limit
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.expected import typical
from test_plans.odd_airspeeds import AFTER_S, LOOK_S, POLARITY, checks_of, end_of, full_kt
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import LIGHT, axis_functions, light_load, light_needs
from test_plans.trim_drive import drives_of, first_drive

LIMIT_A = 0.5
SENT_BOUND_S = 0.0025  # a frame's own length, and the host's part ahead of it
LOST, KEPT = "lost", "kept"


class TrimAirspeedLost:
    """Fallback to the slow duty and its time, recovery, and airspeeds that are not to be believed or are."""

    name = "trim-airspeed-lost"
    title = "Trim outputs: airspeed lost, frozen, absurd or spoilt"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        gap = without_schedule(setup)
        if gap is not None or (setup.unit.airspeed is not None and math.isfinite(setup.unit.airspeed.lost_s)):
            return gap
        if setup.unit.airspeed is not None and setup.unit.airspeed.switch is not None:
            return NotForModel(reason=f"model {setup.unit.model} has airspeed by a switch, which can't be lost")
        return NotForModel(
            reason=f"model {setup.unit.model} can't tell a dead airspeed line from an airspeed",
            untested="trim speed without airspeed",
        )

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture without airspeed and one with odd ones."""
        volts = bus_voltage_v(setup)
        captures = (
            duty_capture(setup, LOST, _Lost(setup).end_s, volts),
            duty_capture(setup, KEPT, end_of(checks_of(setup)), volts),
        )
        limits = (("trim-speed-curve", expected_off_percent(setup)), ("trim-airspeed-lost", _expected_time(setup)))
        return light_needs(setup, volts, current_limit_a(setup, LIGHT, LIMIT_A), captures, limits)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the airspeed away and give it back; then give what is constant, absurd, no number or spoilt."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, LIGHT, LIMIT_A))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, light_load(setup)) for axis in axes])
        rate, lines = rate_hz(setup), trim_lines(setup.unit)
        with rig.capture(LOST, duty_signals(setup), sample_rate_hz=rate, lines=lines) as session:
            times = _Lost(setup)
            rig.set_airspeed(full_kt(setup))
            session.wait_until(times.held.pressed_s - LEAD_S)
            look(session, setup, times.held)
            session.wait_until(times.stopped_s)
            rig.stop_airspeed()
            session.wait_until(times.without.pressed_s - LEAD_S)
            look(session, setup, times.without)
            session.wait_until(times.restarted_s)
            rig.set_airspeed(full_kt(setup))
            session.wait_until(times.back.pressed_s - LEAD_S)
            look(session, setup, times.back)
            session.wait_until(times.end_s)
        with rig.capture(KEPT, duty_signals(setup), sample_rate_hz=rate, lines=lines) as session:
            for check in checks_of(setup):
                if check.first_kt is not None:
                    session.wait_until(check.given_s - new_airspeed_s(setup.unit.airspeed))
                    rig.set_airspeed(check.first_kt)
                session.wait_until(check.given_s)
                rig.set_airspeed(check.airspeed_kt, check.fault)
                session.wait_until(check.looked.pressed_s - LEAD_S)
                look(session, setup, check.looked)
            session.wait_until(end_of(checks_of(setup)))
        rig.set_airspeed(setup.plan.airspeed_kt)
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each axis the time to the slow duty, and the duty without airspeed, after it, and for odd ones."""
        lost, kept = Record(evidence, LOST), Record(evidence, KEPT)
        spoilt = {record.name: capture_doubts(record, setup) for record in (lost, kept)}
        times = _Lost(setup)
        for axis, switch in held_switches(setup, POLARITY):
            place = (axis, switch)
            yield _fallback_time(lost, setup, place, spoilt[LOST])
            without = duty_percent(lost, setup, place, times.without)
            silent = _still_sent(lost, times)
            slow = exact(expected_percent(setup.unit, math.nan))
            yield _duty(axis, doubted(without, *silent, *spoilt[LOST]), slow, ("lost", "airspeed lost"))
            back = doubted(
                duty_percent(lost, setup, place, times.back),
                *airspeed_doubts(lost, times.back, full_kt(setup)),
                *spoilt[LOST],
            )
            yield _duty(axis, back, expected_duty(lost, setup, times.back, full_kt(setup)), ("back", "airspeed back"))
            for check in checks_of(setup):
                found = duty_percent(kept, setup, place, check.looked)
                doubts = (*airspeed_doubts(kept, check.looked, check.airspeed_kt, check.fault), *spoilt[KEPT])
                due = expected_duty(kept, setup, check.looked, check.expected_kt)
                yield _duty(axis, doubted(found, *doubts), due, (check.what, check.title))


class _Lost:
    """When what is done in capture `lost`: held at full duty, airspeed stopped, looked at without it and with it."""

    def __init__(self, setup: Setup) -> None:
        least_cut_s = min(axis.cut_off_s for axis in axes_under_test(setup))
        given_up_s = required_limit(setup, "trim-airspeed-lost").high
        self.held = Look(polarity=POLARITY, pressed_s=0.5, released_s=0.5 + 0.93 * least_cut_s)
        self.stopped_s = self.held.pressed_s + 0.1
        after_s = max(self.held.released_s, self.stopped_s + given_up_s) + AFTER_S
        self.without = Look(polarity=POLARITY, pressed_s=after_s, released_s=after_s + LOOK_S)
        self.restarted_s = self.without.released_s + 0.1
        back_s = self.restarted_s + new_airspeed_s(setup.unit.airspeed)
        self.back = Look(polarity=POLARITY, pressed_s=back_s, released_s=back_s + LOOK_S)
        self.end_s = self.back.released_s + LOOK_S


def _fallback_time(
    record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], spoilt: tuple[Doubt, ...]
) -> Measurement:
    """Return the time from the last airspeed frame to the first pause of the output."""
    axis, _ = place
    found = doubted(_fallback_estimate(record, setup, place), *spoilt)
    return found.measurement(
        id=f"{axis.name}.airspeed-lost-time",
        limit="trim-airspeed-lost",
        title=f"{axis.title}: airspeed given up, from its last frame to slow trim",
        function=axis.function,
        quantity_unit="s",
        pins=(axis.plus_pin, axis.minus_pin),
    )


def _fallback_estimate(record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch]) -> Estimate:
    axis, switch = place
    times, rules = _Lost(setup), setup.unit.trim_rules
    if record.capture is None or rules is None:
        return nothing(*record.missing)
    sent = airspeed_sent(record, times.restarted_s)
    drive = first_drive(drives_of(record, axis), switch.polarity, times.held.pressed_s, times.stopped_s)
    doubts = [
        *record.doubts(("unit.voltage", voltage_signal(axis.name)), *times.held.window_s),
        *_still_sent(record, times),
    ]
    if sent is None:
        return nothing(*doubts, Doubt(reason="no airspeed frame was sent at all", cause=Cause.BENCH))
    if drive is None:
        reason = f"{axis.title} did not drive while airspeed was taken away"
        return nothing(
            *doubts, Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="see trim-light, and trim-speed at 60 kt")
        )
    bus_v = float(np.median(record.samples("unit.voltage", drive.start_s, drive.end_s)))
    values = record.samples(voltage_signal(axis.name), drive.start_s, drive.end_s) * switch.polarity
    low = np.flatnonzero(values[1:-1] < 0.5 * bus_v)
    if not low.size:
        held_s = drive.end_s - sent[0]
        reason = f"still at full duty {held_s:.2f} s after the last airspeed frame"
        proved = held_s > required_limit(setup, "trim-airspeed-lost").high
        return nothing(*doubts, Doubt(reason=reason, cause=Cause.UNIT if proved and not doubts else Cause.UNDECIDED))
    period_s = 1.0 / rules.pwm_hz
    fell_s = drive.start_s + float(low[0] + 1) / record.capture.sample_rate_hz - rules.slow_duty * period_s
    time = _time(sent[0], fell_s, period_s, record.capture.timebase_bound)
    return Estimate(value=time.value, terms=time.terms, doubts=tuple(dict.fromkeys(doubts)), captures=record.names)


def _time(sent_s: float, fell_s: float, period_s: float, clock_bound: float) -> Estimate:
    """Return the time from the last frame to the first short period, which is known to one period of the output."""
    begin = bounded(sent_s, SENT_BOUND_S, "last airspeed frame")
    end = bounded(fell_s, period_s, "first short period of the output")
    return total(difference(end, begin), bounded(0.0, clock_bound * abs(fell_s - sent_s), "sample clock"))


def _expected_time(setup: Setup) -> float:
    rules, time_s = setup.unit.trim_rules, typical(setup, "trim-airspeed-lost")
    if rules is None:
        return 0.0
    return _time(0.0, time_s, 1.0 / rules.pwm_hz, setup.bench.clock_bound).standard_uncertainty


def _still_sent(record: Record, times: _Lost) -> tuple[Doubt, ...]:
    """Return the doubt that the bench went on sending airspeed."""
    if record.capture is None:
        return record.missing
    events = record.capture.events_of("sent")
    if not any(times.stopped_s + 0.1 < event.time_s < times.restarted_s - 0.01 for event in events):
        return ()
    return (Doubt(reason="airspeed went on being sent", cause=Cause.BENCH, next_step="run it again"),)


def _duty(axis: TrimAxis, duty: Estimate, expected: Estimate, words: tuple[str, str]) -> Measurement:
    what, title = words
    return deviation_percent(duty, expected).measurement(
        id=f"{axis.name}.airspeed-{what}",
        limit="trim-speed-curve",
        title=f"{axis.title}, {title}: deviation of duty",
        function=axis.function,
        quantity_unit="%",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"{expected.value:.1f} % expected, {duty.value:.1f} % found",) if math.isfinite(duty.value) else (),
    )
