"""Duty of trim outputs against airspeed: what the sheet expects, what a capture shows, and which airspeed was sent."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.pwm import Pwm, pwm, rounding_of_mean
from analysis.sampling_rate import averaging_rate_hz
from analysis.uncertainty import Estimate, combined, difference, exact, scaled
from analysis.verdict import Cause
from test_plans.airspeed_line import SIGNAL as AIRSPEED_SIGNAL
from test_plans.airspeed_line import arrival_doubts, reached
from test_plans.bus_standing import supply_doubts
from test_plans.driving import axes_under_test
from test_plans.expected import reading
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import AirspeedFault, CaptureSession
from test_plans.sheets import AirspeedAnalogue, Setup, TrimAxis, TrimRules, TrimSwitch, UnitSheet
from test_plans.signals import airspeed_signals, voltage_signal
from test_plans.switch_lines import stray_doubts, trim_lines
from test_plans.trim_bench import LIGHT
from test_plans.trim_drive import seats_of
from test_plans.trim_switches import Held, line_doubts

FASTEST_HZ = 30_000.0  # 74 samples a period: a level that never changes hides a pulse of 1.3 % at most
PERIODS = 50  # of 400 Hz in a look
SETTLE_S = 0.07  # on latency, with room
OFF_PART = 0.25  # of the bus
ON_PART = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """All axes held one way at the same time, to read their duty: capture times."""

    polarity: int
    pressed_s: float
    released_s: float

    @property
    def window_s(self) -> tuple[float, float]:
        """The stretch in which the duty is read."""
        return self.pressed_s + SETTLE_S, self.released_s


def without_schedule(setup: Setup) -> NotForModel | None:
    """Return why a procedure about trim speed is left out: no trim, or nothing slows it."""
    gap = without_trim(setup)
    if gap is not None:
        return gap
    rules = setup.unit.trim_rules
    if rules is None or not math.isfinite(rules.slow_airspeed_kt):
        return NotForModel(reason=f"model {setup.unit.model} trims at full speed at every airspeed")
    return None


def expected_percent(unit: UnitSheet, airspeed_kt: float, *, rising: bool = True) -> float:
    """Return the duty the sheet gives for an airspeed, per cent; for NaN, which is none, the slow duty.

    Between the two airspeeds of a switch it depends on where the airspeed came from: `rising`, from below.
    """
    rules = unit.trim_rules
    if rules is None:
        return 100.0
    if unit.airspeed is not None and unit.airspeed.switch is not None:
        switch = unit.airspeed.switch
        fast = airspeed_kt >= switch.rising_kt if rising else airspeed_kt > switch.falling_kt
        return 100.0 * rules.slow_duty if fast else 100.0
    if airspeed_kt <= unit.full_trim_airspeed_kt:
        return 100.0
    if not airspeed_kt < rules.slow_airspeed_kt:
        return 100.0 * rules.slow_duty
    part = (airspeed_kt - unit.full_trim_airspeed_kt) / (rules.slow_airspeed_kt - unit.full_trim_airspeed_kt)
    return 100.0 * (1.0 - part * (1.0 - rules.slow_duty))


def rate_hz(setup: Setup) -> float:
    """Return the sample rate for the PWM: no small ratio of it, as 50 kS/s would be of 400 Hz (125 exactly)."""
    rules = setup.unit.trim_rules
    return averaging_rate_hz((rules.pwm_hz,), FASTEST_HZ, PERIODS) if rules is not None else FASTEST_HZ


def duty_capture(setup: Setup, name: str, duration_s: float, volts: float) -> CaptureNeed:
    """Return what a capture of all axes under test needs."""
    signals = duty_signals(setup)
    return CaptureNeed(
        name=name,
        signals=("unit.voltage", "unit.current", *signals),
        lines=trim_lines(setup.unit),
        sample_rate_hz=rate_hz(setup),
        duration_s=duration_s,
        highest_v={"unit.voltage": volts, **{signal: volts for signal in signals if signal != AIRSPEED_SIGNAL}},
    )


def duty_signals(setup: Setup) -> tuple[str, ...]:
    """Return the voltages of the axes under test, and that of airspeed where it is one."""
    return (*(voltage_signal(axis.name) for axis in axes_under_test(setup)), *airspeed_signals(setup.unit))


def held_switches(setup: Setup, polarity: int) -> tuple[tuple[TrimAxis, TrimSwitch], ...]:
    """Return for each axis the switch of the seat with priority that drives this way."""
    return tuple(
        (axis, switch)
        for axis in axes_under_test(setup)
        for switch in axis.switches
        if switch.seat == seats_of(axis)[0] and switch.polarity == polarity
    )


def look(session: CaptureSession, setup: Setup, looked: Look) -> None:
    """Hand a look over to the bench."""
    for _, switch in held_switches(setup, looked.polarity):
        session.press(switch.name, at_s=looked.pressed_s)
    for _, switch in held_switches(setup, looked.polarity):
        session.release(switch.name, at_s=looked.released_s)


def airspeed_sent(record: Record, at_s: float) -> tuple[float, float] | None:
    """Return (capture time, airspeed) of the end of the last one sent before `at_s`; None without one."""
    if record.capture is None:
        return None
    before = [event for event in record.capture.events_of("sent") if event.time_s < at_s]
    if not before:
        return None
    last = before[-1]
    return last.time_s + float(last.fields.get("lasts_s", 0.0)), float(last.fields["airspeed_kt"])


def airspeed_doubts(
    record: Record, looked: Look, airspeed_kt: float, fault: AirspeedFault = AirspeedFault.NONE
) -> tuple[Doubt, ...]:
    """Return the doubt that the bench did not send this airspeed, and it alone, since 100 ms before a look began."""
    if record.capture is None:
        return record.missing
    start_s, stop_s = looked.window_s
    events = sorted(record.capture.events_of("sent"), key=lambda event: event.time_s)
    sent = [event for event in events if event.time_s < start_s - 0.1][-1:]
    sent += [event for event in events if start_s - 0.1 <= event.time_s < stop_s]
    as_meant = (
        _same(float(event.fields["airspeed_kt"]), airspeed_kt) and event.fields.get("fault", "") == fault.value
        for event in sent
    )
    if sent and all(as_meant):
        return ()
    return (
        Doubt(
            reason=f"{record.name}: airspeed at {start_s:.1f} s was not given as {airspeed_kt:g} kt",
            cause=Cause.BENCH,
            next_step="check the bus interface or the airspeed line, then run it again",
        ),
    )


def capture_doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why the duties of a whole capture say nothing of the unit: lines, supply, or airspeed on its way to it."""
    if record.capture is None:
        return record.missing
    return (*stray_doubts(record), *supply_doubts(record, setup, LIGHT), *arrival_doubts(record))


def duty_found(record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], looked: Look) -> Pwm | None:
    """Return what an output showed in a look, counted the way its switch drives; None without samples."""
    axis, switch = place
    rules = setup.unit.trim_rules
    start_s, stop_s = looked.window_s
    values = record.samples(voltage_signal(axis.name), start_s, stop_s) * switch.polarity
    bus_v = record.mean("unit.voltage", start_s, stop_s).value
    if record.capture is None or not values.size or rules is None or not bus_v > 0.0:
        return None
    return pwm(
        values,
        record.capture.sample_rate_hz,
        nominal_frequency_hz=rules.pwm_hz,
        off_below=OFF_PART * bus_v,
        on_above=ON_PART * bus_v,
        timebase_bound=record.capture.timebase_bound,
    )


def duty_percent(record: Record, setup: Setup, place: tuple[TrimAxis, TrimSwitch], looked: Look) -> Estimate:
    """Return the duty of an output in a look, per cent of the period.

    One that drove for a part of the look only has none. That is the unit's fault where its switch line was closed, its
    supply stood and airspeed reached it all the while; else nobody is blamed.
    """
    axis, switch = place
    found = duty_found(record, setup, place, looked)
    if found is None:
        return nothing(
            *(record.missing or record.doubts((voltage_signal(axis.name), "unit.voltage"), *looked.window_s))
        )
    held = Held(switch=switch, pressed_s=looked.pressed_s, released_s=looked.released_s)
    doubts = [
        *record.doubts((voltage_signal(axis.name), "unit.voltage"), *looked.window_s),
        *line_doubts(record, held),
    ]
    if found.interrupted and not doubts and reached(record) and not supply_doubts(record, setup, LIGHT):
        where = f"from {looked.window_s[0]:.2f} to {looked.window_s[1]:.2f} s"
        reason = f"{record.name}: {axis.title} did not drive throughout {where}, although {switch.name} was held closed"
        return nothing(Doubt(reason=reason, cause=Cause.UNIT))
    name = f"{record.name} {axis.name} from {looked.pressed_s:.2f} s"
    return doubted(scaled(found.duty_estimate(name, record.names), 100.0), *doubts)


def expected_u_percent(setup: Setup, *, pulsed: bool = False) -> float:
    """Return the uncertainty that a duty will have, in per cent of the period, at the sheet's own frequency.

    That is of a level that never changes, in which the longest pulse may hide; `pulsed`, of the mean of its periods.
    """
    rules = setup.unit.trim_rules
    if rules is None:
        return 0.0
    samples_per_period = rate_hz(setup) / rules.pwm_hz
    u_samples = rounding_of_mean(samples_per_period, PERIODS)[0] if pulsed else 0.5
    return 100.0 * u_samples / samples_per_period


def expected_off_percent(setup: Setup) -> float:
    """Return the uncertainty that a duty off its schedule will have: with that of an airspeed given as a voltage."""
    unit, rules = setup.unit, setup.unit.trim_rules
    analogue = unit.airspeed.analogue if unit.airspeed is not None else None
    if analogue is None or rules is None:
        return expected_u_percent(setup)
    pin = reading(setup, AIRSPEED_SIGNAL, analogue.volts(rules.slow_airspeed_kt))
    return math.hypot(expected_u_percent(setup), _percent_per_volt(unit, rules, analogue) * pin.standard_uncertainty)


def _percent_per_volt(unit: UnitSheet, rules: TrimRules, analogue: AirspeedAnalogue) -> float:
    slope = -100.0 * (1.0 - rules.slow_duty) / (rules.slow_airspeed_kt - unit.full_trim_airspeed_kt)
    return slope / analogue.volts_per_knot


def expected_duty(record: Record, setup: Setup, looked: Look, airspeed_kt: float, *, rising: bool = True) -> Estimate:
    """Return the duty the sheet gives for the airspeed of a look, per cent; a voltage counts as it stood at the pin."""
    unit, rules = setup.unit, setup.unit.trim_rules
    analogue = unit.airspeed.analogue if unit.airspeed is not None else None
    if analogue is None or rules is None or math.isnan(airspeed_kt):
        return exact(expected_percent(unit, airspeed_kt, rising=rising))
    pin = record.mean(AIRSPEED_SIGNAL, *looked.window_s)
    percent = expected_percent(unit, analogue.knots(pin.value))
    return combined(percent, ((pin, _percent_per_volt(unit, rules, analogue)),))


def deviation_percent(duty: Estimate, expected: Estimate) -> Estimate:
    """Return duty less what the sheet gives for the airspeed, in per cent of the period."""
    return difference(duty, expected)


def worst_of(deviations: Sequence[Estimate]) -> int:
    """Return the place of the deviation furthest from 0; one that is no number counts as none."""
    sizes = [abs(found.value) if math.isfinite(found.value) else -1.0 for found in deviations]
    return sizes.index(max(sizes))


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))
