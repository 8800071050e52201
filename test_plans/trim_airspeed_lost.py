"""Trim speed when airspeed can't be used: lost, constant for long, beyond all reason, or no number at all."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt, Measurement, Result
from analysis.uncertainty import Estimate, bounded, difference
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
    expected_percent,
    held_switches,
    look,
    rate_hz,
    without_schedule,
)
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import watched_lines
from test_plans.trim_bench import LIGHT, axis_functions, light_load, light_needs
from test_plans.trim_drive import drives_of, first_drive

LIMIT_A = 0.5
LOOK_S = 0.25
NEW_AIRSPEED_S = 0.25
AFTER_S = 0.5  # after the time by which airspeed must be given up
FROZEN_PART = 1.5  # of that time: a constant airspeed that still comes is no lost one
ABSURD_KT = 300.0
SENT_BOUND_S = 0.0025  # a frame's own length, and the host's part ahead of it
POLARITY = 1
LOST, KEPT = "lost", "kept"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One look in capture `kept`: what is sent before it, NaN for no number, and what must come of it."""

    what: str
    title: str
    airspeed_kt: float
    expected_kt: float
    wait_s: float


class TrimAirspeedLost:
    """Fallback to the slow duty and its time, recovery, and airspeeds that are not to be believed or are."""

    name = "trim-airspeed-lost"
    title = "Trim outputs: airspeed lost, frozen, absurd"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_schedule(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture without airspeed and one with odd ones."""
        volts = bus_voltage_v(setup)
        captures = (
            duty_capture(setup, LOST, _Lost(setup).end_s, volts),
            duty_capture(setup, KEPT, _looks(setup)[-1].released_s + LOOK_S, volts),
        )
        limits = (("trim-speed-curve", 0.7), ("trim-airspeed-lost", 3e-3))
        return light_needs(setup, volts, current_limit_a(setup, LIGHT, LIMIT_A), captures, limits)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the airspeed away and give it back; then send what is constant, absurd and no number."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, LIGHT, LIMIT_A))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, light_load(setup)) for axis in axes])
        rate, lines = rate_hz(setup), watched_lines(setup.unit)
        with rig.capture(LOST, duty_signals(setup), sample_rate_hz=rate, lines=lines) as session:
            times = _Lost(setup)
            rig.set_airspeed(_full_kt(setup))
            session.wait_until(times.held.pressed_s - LEAD_S)
            look(session, setup, times.held)
            session.wait_until(times.stopped_s)
            rig.stop_airspeed()
            session.wait_until(times.without.pressed_s - LEAD_S)
            look(session, setup, times.without)
            session.wait_until(times.restarted_s)
            rig.set_airspeed(_full_kt(setup))
            look(session, setup, times.back)
            session.wait_until(times.end_s)
        with rig.capture(KEPT, duty_signals(setup), sample_rate_hz=rate, lines=lines) as session:
            for check, looked in zip(_checks(setup), _looks(setup), strict=True):
                session.wait_until(looked.pressed_s - check.wait_s)
                rig.set_airspeed(check.airspeed_kt)
                session.wait_until(looked.pressed_s - LEAD_S)
                look(session, setup, looked)
            session.wait_until(_looks(setup)[-1].released_s + LOOK_S)
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
            yield _duty(axis, setup, doubted(without, *silent, *spoilt[LOST]), math.nan, ("lost", "airspeed lost"))
            back = doubted(
                duty_percent(lost, setup, place, times.back),
                *airspeed_doubts(lost, times.back, _full_kt(setup)),
                *spoilt[LOST],
            )
            yield _duty(axis, setup, back, _full_kt(setup), ("back", "airspeed back"))
            for check, looked in zip(_checks(setup), _looks(setup), strict=True):
                found = duty_percent(kept, setup, place, looked)
                doubts = (*airspeed_doubts(kept, looked, check.airspeed_kt), *spoilt[KEPT])
                yield _duty(axis, setup, doubted(found, *doubts), check.expected_kt, (check.what, check.title))


class _Lost:
    """When what is done in capture `lost`: held at full duty, airspeed stopped, looked at without it and with it."""

    def __init__(self, setup: Setup) -> None:
        least_cut_s = min(axis.cut_off_s for axis in axes_under_test(setup))
        given_up_s = setup.unit.limits["trim-airspeed-lost"].high
        self.held = Look(polarity=POLARITY, pressed_s=0.5, released_s=0.5 + 0.93 * least_cut_s)
        self.stopped_s = self.held.pressed_s + 0.1
        after_s = max(self.held.released_s, self.stopped_s + given_up_s) + AFTER_S
        self.without = Look(polarity=POLARITY, pressed_s=after_s, released_s=after_s + LOOK_S)
        self.restarted_s = self.without.released_s + 0.1
        back_s = self.restarted_s + NEW_AIRSPEED_S
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
        proved = held_s > setup.unit.limits["trim-airspeed-lost"].high
        return nothing(*doubts, Doubt(reason=reason, cause=Cause.UNIT if proved and not doubts else Cause.UNDECIDED))
    period_s = 1.0 / rules.pwm_hz
    fell_s = drive.start_s + float(low[0] + 1) / record.capture.sample_rate_hz - rules.slow_duty * period_s
    begin = bounded(sent[0], SENT_BOUND_S, "last airspeed frame")
    end = bounded(fell_s, period_s, "first short period of the output")
    time = difference(end, begin)
    return Estimate(value=time.value, terms=time.terms, doubts=tuple(dict.fromkeys(doubts)), captures=record.names)


def _still_sent(record: Record, times: _Lost) -> tuple[Doubt, ...]:
    """Return the doubt that the bench went on sending airspeed."""
    if record.capture is None:
        return record.missing
    events = record.capture.events_of("sent")
    if not any(times.stopped_s + 0.1 < event.time_s < times.restarted_s - 0.01 for event in events):
        return ()
    return (Doubt(reason="airspeed went on being sent", cause=Cause.BENCH, next_step="run it again"),)


def _duty(axis: TrimAxis, setup: Setup, duty: Estimate, expected_kt: float, words: tuple[str, str]) -> Measurement:
    what, title = words
    return deviation_percent(duty, setup, expected_kt).measurement(
        id=f"{axis.name}.airspeed-{what}",
        limit="trim-speed-curve",
        title=f"{axis.title}, {title}: deviation of duty",
        function=axis.function,
        quantity_unit="%",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"{expected_percent(setup.unit, expected_kt):.1f} % expected, {duty.value:.1f} % found",)
        if math.isfinite(duty.value)
        else (),
    )


def _checks(setup: Setup) -> tuple[Check, ...]:
    rules = setup.unit.trim_rules
    full_kt = _full_kt(setup)
    slow_kt = rules.slow_airspeed_kt if rules is not None else full_kt
    middle_kt = 0.5 * (setup.unit.full_trim_airspeed_kt + slow_kt)
    given_up_s = setup.unit.limits["trim-airspeed-lost"].high
    return (
        Check(what="middle", title="airspeed in the middle", airspeed_kt=middle_kt, expected_kt=middle_kt, wait_s=0.5),
        Check(
            what="frozen",
            title="same airspeed for long, frames still coming",
            airspeed_kt=middle_kt,
            expected_kt=middle_kt,
            wait_s=FROZEN_PART * given_up_s,
        ),
        Check(
            what="absurd-high",
            title=f"airspeed {ABSURD_KT:g} kt",
            airspeed_kt=ABSURD_KT,
            expected_kt=ABSURD_KT,
            wait_s=0.5,
        ),
        Check(what="zero", title="airspeed 0 kt", airspeed_kt=0.0, expected_kt=0.0, wait_s=0.5),
        Check(
            what="no-number",
            title="frames without a number for long",
            airspeed_kt=math.nan,
            expected_kt=math.nan,
            wait_s=given_up_s + AFTER_S,
        ),
        Check(
            what="number-again",
            title="frames with a number again",
            airspeed_kt=full_kt,
            expected_kt=full_kt,
            wait_s=0.5,
        ),
    )


def _looks(setup: Setup) -> tuple[Look, ...]:
    """Return one look for each check, all the same way."""
    found = []
    at_s = LEAD_S
    for check in _checks(setup):
        at_s += check.wait_s
        found.append(Look(polarity=POLARITY, pressed_s=at_s, released_s=at_s + LOOK_S))
        at_s += LOOK_S + 0.1
    return tuple(found)


def _full_kt(setup: Setup) -> float:
    """Return an airspeed at which trim runs at full duty."""
    return max(0.0, setup.unit.full_trim_airspeed_kt - 10.0)
