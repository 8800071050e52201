"""Duty of trim outputs against airspeed: what the sheet expects, what a capture shows, and which airspeed was sent."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.measurement import Doubt
from analysis.pwm import Pwm, pwm
from analysis.sampling_rate import averaging_rate_hz
from analysis.uncertainty import Estimate, difference, exact, scaled
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.driving import axes_under_test
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import CaptureSession
from test_plans.sheets import Setup, TrimAxis, TrimSwitch, UnitSheet
from test_plans.signals import voltage_signal
from test_plans.switch_lines import own_frames_arrive, stray_doubts, watched_lines
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
    """Return why a procedure about trim speed is left out: no trim, no bus to hear airspeed on, or nothing slows it."""
    gap = without_trim(setup)
    if gap is not None:
        return gap
    rules = setup.unit.trim_rules
    if rules is None or not math.isfinite(rules.slow_airspeed_kt):
        return NotForModel(reason=f"model {setup.unit.model} trims at full speed at every airspeed")
    if not setup.unit.bus.reports:
        return NotForModel(
            reason=f"model {setup.unit.model} has no bus to hear airspeed on", untested="trim speed by airspeed"
        )
    return None


def expected_percent(unit: UnitSheet, airspeed_kt: float) -> float:
    """Return the duty the sheet gives for an airspeed, per cent; for NaN, which is none, the slow duty."""
    rules = unit.trim_rules
    if rules is None:
        return 100.0
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
        lines=watched_lines(setup.unit),
        sample_rate_hz=rate_hz(setup),
        duration_s=duration_s,
        highest_v={"unit.voltage": volts, **dict.fromkeys(signals, volts)},
    )


def duty_signals(setup: Setup) -> tuple[str, ...]:
    """Return the voltages of the axes under test."""
    return tuple(voltage_signal(axis.name) for axis in axes_under_test(setup))


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
    """Return (capture time, airspeed) of the last frame sent before `at_s`; None where there is none."""
    if record.capture is None:
        return None
    before = [event for event in record.capture.events_of("sent") if event.time_s < at_s]
    if not before:
        return None
    return before[-1].time_s, float(before[-1].fields["airspeed_kt"])


def airspeed_doubts(record: Record, looked: Look, airspeed_kt: float) -> tuple[Doubt, ...]:
    """Return the doubt that the bench did not send this airspeed, and it alone, since 100 ms before a look began."""
    if record.capture is None:
        return record.missing
    start_s, stop_s = looked.window_s
    known = airspeed_sent(record, start_s - 0.1)
    inside = [e for e in record.capture.events_of("sent") if start_s - 0.1 <= e.time_s < stop_s]
    sent = [known[1]] if known is not None else []
    sent += [float(event.fields["airspeed_kt"]) for event in inside]
    if sent and all(_same(value, airspeed_kt) for value in sent):
        return ()
    return (
        Doubt(
            reason=f"{record.name}: airspeed frames at {start_s:.1f} s were not those of {airspeed_kt:g} kt",
            cause=Cause.BENCH,
            next_step="check the bus interface, then run it again",
        ),
    )


def capture_doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why the duties of a whole capture say nothing of the unit: lines, supply, or frames on their way to it."""
    if record.capture is None:
        return record.missing
    found = [*stray_doubts(record), *supply_doubts(record, setup, LIGHT)]
    arrive = own_frames_arrive(record)
    if arrive is False:
        found.append(
            Doubt(
                reason=f"{record.name}: the bench's airspeed frames are not on the unit's pins",
                cause=Cause.BENCH,
                next_step="check the bus interface and its lines to the unit",
            )
        )
    elif arrive is None or not record.reports():
        found.append(
            Doubt(
                reason=f"{record.name}: it can't be told whether airspeed reached the unit",
                cause=Cause.UNDECIDED,
                next_step="check that the unit reports on the bus, and that the receive line is wired",
            )
        )
    return tuple(found)


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
    """Return the duty of an output in a look, per cent of the period."""
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
    name = f"{record.name} {axis.name} from {looked.pressed_s:.2f} s"
    return doubted(scaled(found.duty_estimate(name, record.names), 100.0), *doubts)


def deviation_percent(duty: Estimate, setup: Setup, airspeed_kt: float) -> Estimate:
    """Return duty less what the sheet gives for an airspeed, in per cent of the period."""
    return difference(duty, exact(expected_percent(setup.unit, airspeed_kt)))


def worst_of(deviations: Sequence[Estimate]) -> int:
    """Return the place of the deviation furthest from 0; one that is no number counts as none."""
    sizes = [abs(found.value) if math.isfinite(found.value) else -1.0 for found in deviations]
    return sizes.index(max(sizes))


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))
