"""Trim speed by airspeed, and airspeed lost, frozen, absurd: from captures made of arrays."""

import math

import numpy as np
import pytest
from synthetic_captures import Scene, judged, setup_of, sheets

from analysis.pwm import pwm
from analysis.verdict import Cause, Verdict
from test_plans.airspeed_duty import expected_percent, rate_hz
from test_plans.receive_line import LINE
from test_plans.registry import PROCEDURES
from test_plans.rig import AirspeedFault
from test_plans.switch_lines import watched_lines

UNIT = sheets().unit
AXES = [axis.name for axis in UNIT.trims]
PWM_HZ = 400.0
LATENCY_S = 0.025


class FlyingRig:
    """Plays a procedure on paper: capture time moves by its waits, airspeed frames go out every 100 ms."""

    def __init__(self):
        self.now_s = 0.0
        self.airspeed_kt = 60.0
        self.due_s = 0.05
        self.presses = []
        self.sent = []
        self.taken = {}
        self.name = ""

    def set_airspeed(self, airspeed_kt, fault=AirspeedFault.NONE):
        assert fault is AirspeedFault.NONE  # a frame has none
        if self.airspeed_kt is None:
            self.due_s = self.now_s
        self.airspeed_kt = airspeed_kt

    def stop_airspeed(self):
        self.airspeed_kt = None

    def idle_inputs(self):
        pass

    def arm(self, on):
        pass

    def wait(self, duration_s):
        pass

    def set_load(self, output, position):
        pass

    def set_supply(self, voltage_v, current_limit_a):
        pass

    def read_supply(self):
        return type("Reading", (), {"set_voltage_v": 13.8, "voltage_v": 13.8})()

    def capture(self, name, _signals, **_settings):
        self.name, self.now_s, self.due_s, self.presses, self.sent = name, 0.0, 0.05, [], []
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_args):
        self.taken[self.name] = (self.now_s, self.presses, self.sent)
        return False

    def wait_until(self, time_s):
        while self.airspeed_kt is not None and self.due_s <= time_s:
            self.sent.append((self.due_s, self.airspeed_kt))
            self.due_s += 0.1
        self.now_s = max(self.now_s, time_s)

    def press(self, switch, *, at_s):
        self.presses.append([switch, at_s, math.inf])

    def release(self, switch, *, at_s):
        next(entry for entry in self.presses if entry[0] == switch and entry[2] == math.inf)[2] = at_s


def level(airspeed_kt):
    """The schedule, written down once more."""
    return 1.0 - 0.55 * min(1.0, max(0.0, (airspeed_kt - 70.0) / 70.0))


def good_duty(times_s, sent, _polarity, *, lost_s=3.0):
    """Duty at every sample: the last number that came and is believed, given up after a while."""
    numbers = np.array([pair for pair in sent if 0.0 <= pair[1] <= 400.0])
    last = np.searchsorted(numbers[:, 0], times_s, side="right") - 1
    duty = np.array([level(airspeed_kt) for airspeed_kt in numbers[:, 1]])[np.maximum(last, 0)]
    return np.where((last >= 0) & (times_s - numbers[np.maximum(last, 0), 0] >= lost_s), 0.45, duty)


def stretch(scene, start_s, stop_s):
    return slice(round(start_s * scene.rate_hz), round(stop_s * scene.rate_hz))


def flown(procedure, duty_of=good_duty, *, frames=True, reports=True):
    rig = FlyingRig()
    setup = setup_of(procedure)
    PROCEDURES[procedure].stimulate(rig, setup)
    captures = []
    for name, (end_s, presses, sent) in rig.taken.items():
        scene = Scene(name, end_s, rate_hz(setup), set_voltage_v=13.8, current_limit_a=0.5)
        scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2)
        lines = {line: np.zeros(scene.n, dtype=bool) for line in watched_lines(UNIT)}
        volts = {axis: np.zeros(scene.n) for axis in AXES}
        names = {switch.name: switch for axis in UNIT.trims for switch in axis.switches}
        phase = (scene.times_s * PWM_HZ) % 1.0
        high = {polarity: phase < duty_of(scene.times_s, sent, polarity) for polarity in (1, -1)}
        for name_, pressed_s, released_s in presses:
            switch = names[name_]
            scene.drive(name_, pressed_s, True).drive(name_, released_s, False)
            lines[name_][stretch(scene, pressed_s, released_s)] = True
            on = stretch(scene, pressed_s + LATENCY_S, released_s + LATENCY_S)
            volts[switch.axis][on] = 13.8 * switch.polarity * high[switch.polarity][on]
        for time_s, airspeed_kt in sent:
            scene.event("sent", time_s, airspeed_kt=airspeed_kt)
            if frames:
                lines[LINE][stretch(scene, time_s, time_s + 0.0008)] = True
        if reports:
            scene.report("reset-count", 0.23, count=0)
        for line, values in lines.items():
            scene.line(line, values)
        for axis, values in volts.items():
            scene.signal(f"{axis}.voltage", values)
        captures.append(scene.capture())
    return judged(procedure, *captures)


def causes(found, *, of="pitch."):
    return {finding.cause for name, finding in found.items() if name.startswith(of)}


def test_the_rate_is_no_small_ratio_of_the_pwm_and_periods_average():
    rate = rate_hz(setup_of("trim-speed"))
    fraction = rate / PWM_HZ % 1.0
    assert min(abs(fraction * q - round(fraction * q)) for q in range(1, 6)) > 0.05
    for sample_rate_hz, averaged in ((rate, True), (50_000.0, False)):
        times_s = np.arange(round(0.13 * sample_rate_hz)) / sample_rate_hz
        values = np.where((times_s * PWM_HZ) % 1.0 < 0.6213, 13.8, 0.0)
        found = pwm(values, sample_rate_hz, nominal_frequency_hz=PWM_HZ, off_below=3.0, on_above=10.0)
        assert found.averaged is averaged
        assert found.duty == pytest.approx(0.6213, abs=3.0 * found.u_duty)


def test_the_schedule_is_full_then_a_line_then_slow_and_slow_without_airspeed():
    for airspeed_kt, percent in ((0, 100), (70, 100), (105, 72.5), (140, 45), (300, 45), (math.nan, 45)):
        assert expected_percent(UNIT, airspeed_kt) == pytest.approx(percent)


def test_a_good_schedule_passes_in_both_passes_and_directions():
    found = flown("trim-speed")
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    for axis in AXES:
        for way in ("plus", "minus"):
            assert abs(found[f"{axis}.{way}.speed-rising"].value) < 1.0
            assert found[f"{axis}.{way}.speed-rising"].standard_uncertainty < 0.8


def test_one_direction_that_ignores_airspeed_is_the_units():
    found = flown(
        "trim-speed",
        lambda times_s, sent, polarity: good_duty(times_s, sent, polarity) if polarity > 0 else np.ones(times_s.size),
    )
    assert found["pitch.minus.speed-rising"].value == pytest.approx(55.0, abs=1.0)
    assert found["pitch.minus.speed-rising"].cause is Cause.UNIT
    assert found["pitch.plus.speed-rising"].verdict is Verdict.PASS


def test_miles_per_hour_taken_for_knots_are_the_units():
    def in_mph(times_s, sent, polarity):
        return good_duty(times_s, [(time_s, 1.1508 * kt) for time_s, kt in sent], polarity)

    found = flown("trim-speed", in_mph)["pitch.plus.speed-falling"]
    assert found.value < -10.0
    assert found.cause is Cause.UNIT


def test_a_schedule_that_rises_again_and_one_that_lags_are_the_units():
    def bumped(times_s, sent, polarity):
        duty = good_duty(times_s, sent, polarity)
        return np.where((duty > 0.60) & (duty < 0.63), duty + 0.12, duty)  # at 120 kt

    found = flown("trim-speed", bumped)
    assert found["pitch.plus.speed-rising-monotonic"].cause is Cause.UNIT

    def lagging(times_s, sent, polarity):
        later = [(time_s, kt - 10.0 if place and kt < sent[0][1] else kt) for place, (time_s, kt) in enumerate(sent)]
        return good_duty(times_s, later, polarity)

    assert flown("trim-speed", lagging)["pitch.plus.speed-gap"].cause is Cause.UNIT


@pytest.mark.parametrize(
    ("missing", "cause"), [({"frames": False}, Cause.BENCH), ({"reports": False}, Cause.UNDECIDED)]
)
def test_a_bus_that_may_not_carry_airspeed_keeps_the_unit_from_blame(missing, cause):
    found = flown("trim-speed", lambda times_s, *_: np.full(times_s.size, 0.45), **missing)
    assert found["pitch.plus.speed-rising"].cause is cause


def test_a_unit_that_knows_lost_from_frozen_passes():
    found = flown("trim-airspeed-lost")
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    time = found["pitch.airspeed-lost-time"]
    assert time.value == pytest.approx(3.0, abs=0.005)
    assert time.standard_uncertainty < 0.005


def test_airspeed_kept_for_ever_is_the_units():
    found = flown("trim-airspeed-lost", lambda *given: good_duty(*given, lost_s=1e6))
    assert found["pitch.airspeed-lost-time"].cause is Cause.UNIT
    assert found["pitch.airspeed-lost"].value == pytest.approx(55.0, abs=2.0)
    assert found["pitch.airspeed-no-number"].cause is Cause.UNIT
    assert found["pitch.airspeed-frozen"].verdict is Verdict.PASS


def test_a_constant_airspeed_taken_for_lost_is_the_units():
    def suspicious(times_s, sent, polarity):
        believed = []
        same_since_s = sent[0][0]
        for place, (time_s, airspeed_kt) in enumerate(sent):
            if place and airspeed_kt != sent[place - 1][1]:
                same_since_s = time_s
            believed.append((time_s, airspeed_kt if time_s - same_since_s <= 3.0 else 140.0))
        return good_duty(times_s, believed, polarity)

    found = flown("trim-airspeed-lost", suspicious)
    assert found["pitch.airspeed-frozen"].cause is Cause.UNIT
    assert found["pitch.airspeed-middle"].verdict is Verdict.PASS


def test_airspeed_given_up_too_early_or_too_late_is_the_units():
    early = flown("trim-airspeed-lost", lambda *given: good_duty(*given, lost_s=2.0))["pitch.airspeed-lost-time"]
    assert (early.value, early.cause) == (pytest.approx(2.0, abs=0.005), Cause.UNIT)
    late = flown("trim-airspeed-lost", lambda *given: good_duty(*given, lost_s=4.5))["pitch.airspeed-lost-time"]
    assert late.cause is Cause.UNIT


def late_start(times_s, sent, polarity):
    """The minus way off for every other quarter of a second where it would drive at full duty."""
    duty = good_duty(times_s, sent, polarity)
    return np.where((duty == 1.0) & (times_s % 0.5 < 0.25), 0.0, duty) if polarity < 0 else duty


def test_an_output_that_does_not_drive_throughout_a_look_is_the_units_failure():
    found = flown("trim-speed", late_start)["pitch.minus.speed-rising"]
    assert (found.verdict, found.cause) == (Verdict.FAIL, Cause.UNIT)
    assert any("did not drive throughout" in reason for reason in found.reasons)


def test_an_output_that_does_not_drive_throughout_is_nobodys_where_airspeed_is_not_proved():
    found = flown("trim-speed", late_start, reports=False)["pitch.minus.speed-rising"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert not any("did not drive throughout" in reason for reason in found.reasons)
