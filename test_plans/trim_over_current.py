"""Over-current trip of the trim outputs by electronic load: how soon it trips, at what current, and what lets it go.

First a step well above the highest trip current: the time until the drive ends. The switch is held on: it must stay
off, and drive again at a new press. Then a staircase from below the lowest trip current: the trip lies between the
step that was carried and the one that was not. A unit that trips late has counted an earlier step; its time says so.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined, total
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, current_limit_a, required_limit
from test_plans.drawn import Stretch, draw_doubts, stretches_of, without_draw
from test_plans.driving import LEAD_S, Touch, bring_up, play_touches
from test_plans.expected import reading, typical, worst
from test_plans.model_gaps import without_limit, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Drawn, Rig
from test_plans.sampled_time import interval, interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.shorts import short_of
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import RATE_HZ, axis_signals, drawn_axes, drawn_functions, drawn_needs, hang_on
from test_plans.trim_drive import Drive, axis_observation, drives_of, rests, sample_doubts, time_measurement
from test_plans.trim_drop_sweep import capture_name, first_seat
from test_plans.trim_switches import seat_words, switch_id

CONDITION = "over-current"
BASE_A = 1.0  # carried for ever
ON_S = 0.2  # from the press until anything is drawn
BASE_S = 0.15
STEP_ABOVE = 1.1  # times the highest trip current: what must trip it
LOWEST_PART, HIGHEST_PART = 0.85, 1.08  # of the limits: where the staircase begins and ends
MOST_STEPS = 20
DWELL_PART = 1.05  # times the longest trip time
TRIP_WAIT_S = 0.8  # after the step
HELD_S = 0.3  # after that the switch is still held and nothing is drawn
REST_S = 0.2
ANEW_S = 0.3
CUT_OFF_PART = 0.95  # of the earliest cut-off: by then the staircase is over
EDGE_S = 0.003
BEFORE_RELEASE_S = 0.02  # a drive that ends earlier than this before it had to, has tripped

SHORT = "a hard short: the electronic load limits what it draws, and no relay of the bench shorts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One capture's drive under load: what was drawn, and the drive that carried it."""

    record: Record
    stretches: tuple[Stretch, ...]
    drive: Drive | None
    told_until_s: float  # the load drew and the switch was held until then

    @property
    def tripped(self) -> bool:
        """Whether the drive ended by itself while the load drew."""
        return self.drive is not None and self.drive.end_s < self.told_until_s - BEFORE_RELEASE_S


class TrimOverCurrent:
    """Trip current, trip time, holding off and driving again, for each direction of the first seat."""

    name = "trim-over-current"
    title = "Trim outputs by electronic load: over-current trip"
    conditions = ("voltage_v", "current_limit_a", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup) or without_limit(setup, "trim-trip-current", "trim-trip-time")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes that the load reaches."""
        return drawn_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures a direction and the electronic load on every axis."""
        volts, axes = bus_voltage_v(setup), drawn_axes(setup)
        captures = tuple(
            CaptureNeed(
                name=capture_name(switch, what),
                signals=(*axis_signals(axis), "unit.current.high"),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=duration_s,
                highest_v={
                    "unit.voltage": volts,
                    voltage_signal(axis.name): volts,
                    f"{axis.name}.current": _step_a(setup),
                },
            )
            for axis in axes
            for switch in first_seat(axis)
            for what, duration_s in (("time", _time_duration_s()), ("current", _staircase_duration_s(setup)))
        )
        most_a = max(_step_a(setup), *_staircase_a(setup))
        needs = drawn_needs(
            setup,
            captures,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 6.0),
            most_a=most_a,
            limits=(("trim-trip-current", _expected_a(setup)), ("trim-trip-time", _expected_s(setup))),
            switches=[switch for axis in axes for switch in first_seat(axis)],
        )
        unshorted = [axis.title for axis in axes if not short_of(setup, axis.name)]
        return replace(needs, untested=(*needs.untested, *(f"{SHORT} {title}" for title in unshorted)))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Step far above the trip, hold on, press anew; then the staircase."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 6.0))
        for axis in drawn_axes(setup):
            for switch in first_seat(axis):
                hang_on(rig, axis, switch)
                self._step(rig, setup, axis, switch)
                self._staircase(rig, setup, axis, switch)
                rig.arm(False)
        rig.disconnect_load()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give trip time, trip current, whether it holds off and whether a new press drives, for each direction."""
        for axis in drawn_axes(setup):
            for switch in first_seat(axis):
                step = _read(Record(evidence, capture_name(switch, "time")), axis, switch)
                climb = _read(Record(evidence, capture_name(switch, "current")), axis, switch)
                time = _trip_time(step, setup, axis)
                yield time_measurement(
                    time,
                    axis,
                    id_=switch_id(switch, "trip-time"),
                    limit="trim-trip-time",
                    title=f"{seat_words(switch)}: over-current trip time",
                    trials=1,
                    notes=(f"at {_step_a(setup):.2f} A" + ("" if step.tripped else ", not tripped: it is more"),),
                )
                yield self._holds_off(step, setup, axis, switch)
                yield self._drives_again(step, setup, axis, switch)
                yield self._current(climb, setup, axis, switch, time.value if step.tripped else 0.0)

    def _step(self, rig: Rig, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> None:
        signals, lines = (*axis_signals(axis), "unit.current.high"), trim_lines(setup.unit)
        with rig.capture(capture_name(switch, "time"), signals, sample_rate_hz=RATE_HZ, lines=lines) as session:
            session.press(switch.name, at_s=LEAD_S)
            drawn_s = LEAD_S + ON_S
            session.wait_until(drawn_s)
            rig.draw(Drawn.CURRENT, BASE_A)
            session.wait_until(drawn_s + BASE_S)
            rig.draw(Drawn.CURRENT, _step_a(setup))
            session.wait_until(drawn_s + BASE_S + TRIP_WAIT_S)
            rig.stop_drawing()
            released_s = drawn_s + BASE_S + TRIP_WAIT_S + HELD_S
            session.release(switch.name, at_s=released_s)
            pressed_s = released_s + REST_S
            play_touches(session, [Touch(switch=switch.name, closed_s=pressed_s, opened_s=pressed_s + ANEW_S)])
            session.wait_until(_time_duration_s())

    def _staircase(self, rig: Rig, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> None:
        signals, lines = (*axis_signals(axis), "unit.current.high"), trim_lines(setup.unit)
        with rig.capture(capture_name(switch, "current"), signals, sample_rate_hz=RATE_HZ, lines=lines) as session:
            session.press(switch.name, at_s=LEAD_S)
            began_s = LEAD_S + ON_S
            session.wait_until(began_s)
            rig.draw(Drawn.CURRENT, BASE_A)
            session.wait_until(began_s + BASE_S)
            for position, level_a in enumerate(_staircase_a(setup)):
                rig.draw(Drawn.CURRENT, level_a)
                session.wait_until(began_s + BASE_S + (position + 1) * _dwell_s(setup))
            rig.stop_drawing()
            session.release(switch.name, at_s=session.now_s + LEAD_S)
            session.wait_until(_staircase_duration_s(setup))

    def _holds_off(self, step: Step, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Observation:
        wrong = []
        if not step.tripped:
            wrong.append(f"it did not trip in {TRIP_WAIT_S:g} s")
        elif step.drive is not None and not _rests_until(step, axis, switch):
            wrong.append("it drove again while the switch was still held")
        return axis_observation(
            axis,
            step.record,
            id_=switch_id(switch, "trip-holds-off"),
            title=f"{seat_words(switch)}: trips and stays off",
            statement="tripped, it stays off while the switch is held",
            tried=["; ".join(wrong)] if step.drive is not None else [],
            doubts=_doubts(step, setup, axis),
        )

    def _drives_again(self, step: Step, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Observation:
        pressed = [stimulus.time_s for stimulus in step.record.stimuli(switch.name) if stimulus.value]
        driven = drives_of(step.record, axis)
        again = len(pressed) > 1 and any(
            drive.direction == switch.polarity and drive.end_s > pressed[1] + ANEW_S / 2.0 for drive in driven
        )
        return axis_observation(
            axis,
            step.record,
            id_=switch_id(switch, "trip-lets-go"),
            title=f"{seat_words(switch)}: drives again after a trip",
            statement="tripped, it drives again at a new press",
            tried=["" if again else "the new press did not drive"] if len(pressed) > 1 else [],
            doubts=_doubts(step, setup, axis),
        )

    def _current(
        self, climb: Step, setup: Setup, axis: TrimAxis, switch: TrimSwitch, trip_time_s: float
    ) -> Measurement:
        found, words = _trip_current(climb, axis, trip_time_s)
        return doubted(found, *_doubts(climb, setup, axis)).measurement(
            id=switch_id(switch, "trip-current"),
            limit="trim-trip-current",
            title=f"{axis.title} {seat_words(switch)}: over-current trip",
            function=axis.function,
            quantity_unit="A",
            pins=(axis.plus_pin, axis.minus_pin),
            notes=(words,),
        )


def _read(record: Record, axis: TrimAxis, switch: TrimSwitch) -> Step:
    """Return what a capture holds: the first drive, and until when it had to go on."""
    stretches = stretches_of(record)
    drive = next((each for each in drives_of(record, axis) if each.direction == switch.polarity), None)
    return Step(
        record=record,
        stretches=stretches,
        drive=drive,
        told_until_s=stretches[-1].to_s if stretches else math.nan,
    )


def _doubts(step: Step, setup: Setup, axis: TrimAxis) -> tuple[Doubt, ...]:
    """Return why a capture says nothing of the trip; what was drawn is looked at only while the output drove."""
    record = step.record
    if missing := without_draw(record):
        return missing
    if step.drive is None:
        return (
            *sample_doubts(record, setup, axis, CONDITION),
            Doubt(
                reason=f"{record.name}: {axis.title} did not drive",
                cause=Cause.UNDECIDED,
                next_step="see trim-light: whether it drives at all",
            ),
        )
    carried = [each for each in step.stretches if each.from_s + EDGE_S < step.drive.end_s]
    settled = [
        Stretch(
            drawn=each.drawn,
            level=each.level,
            begun_s=each.begun_s,
            from_s=each.from_s,
            to_s=min(each.to_s, step.drive.end_s - EDGE_S),
        )
        for each in carried
    ]
    found = sample_doubts(record, setup, axis, CONDITION)
    return found or draw_doubts(record, setup, axis, step.drive.direction, settled)


def _trip_time(step: Step, setup: Setup, axis: TrimAxis) -> Estimate:
    """Return how long it carried the step; without a trip how long it did at least."""
    doubts = _doubts(step, setup, axis)
    if doubts or step.drive is None or step.record.capture is None:
        return nothing(*doubts)
    amps = np.abs(step.record.samples(f"{axis.name}.current"))
    over = np.flatnonzero(amps > 0.5 * (BASE_A + _step_a(setup)))
    if not over.size:
        return nothing(
            Doubt(
                reason=f"{step.record.name}: the drive ended before the current was stepped up",
                cause=Cause.UNDECIDED,
                next_step="see the trip current",
            )
        )
    begun_s = (float(over[0]) - 0.5) / step.record.capture.sample_rate_hz
    ended_s = step.drive.end_s if step.tripped else step.told_until_s
    return _with_rise(interval_in(step.record, ended_s - begun_s), setup)


def _with_rise(carried: Estimate, setup: Setup) -> Estimate:
    """Return a time from a step of the load's current, with what its rise leaves open."""
    facts = setup.bench.electronic_load
    slewed_s = _step_a(setup) / facts.slew_a_per_s if facts is not None else 0.0
    return total(carried, bounded(0.0, slewed_s, "rise of the load's current"))


def _expected_s(setup: Setup) -> float:
    time_s, clock_bound = typical(setup, "trim-trip-time"), setup.bench.clock_bound
    return _with_rise(interval(time_s, sample_rate_hz=RATE_HZ, clock_bound=clock_bound), setup).standard_uncertainty


def _trip_current(climb: Step, axis: TrimAxis, trip_time_s: float) -> tuple[Estimate, str]:
    """Return the current that trips: between the step that was carried and the one that was not.

    Without a trip it is the last step, and more.
    """
    if climb.drive is None or not climb.stretches:
        return nothing(), "nothing was drawn"
    carried = [each for each in climb.stretches if each.from_s + EDGE_S < climb.drive.end_s]
    if not carried:
        reason = f"{climb.record.name}: {axis.title} stopped before anything was drawn"
        where = "see trim-loaded: whether it drives a resistor"
        return nothing(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=where)), "nothing was carried"
    if not climb.tripped:
        last = carried[-1]
        return _flowing(climb, axis, last), "not tripped: it is more"
    # What tripped it stood there a trip time before; the step on which it ended, where that is shorter than a step.
    counted_from_s = climb.drive.end_s - trip_time_s + 2.0 * EDGE_S
    tripping = max((n for n, each in enumerate(carried) if each.begun_s - EDGE_S <= counted_from_s), default=0)
    above = _flowing(climb, axis, carried[tripping])
    below = _flowing(climb, axis, carried[tripping - 1]) if tripping else bounded(0.0, 0.0, "nothing drawn")
    middle_a, half_a = 0.5 * (above.value + below.value), 0.5 * (above.value - below.value)
    step = bounded(0.0, abs(half_a), "step of the current")
    found = combined(middle_a, ((above, 0.5), (below, 0.5), (step, 1.0)))
    return found, f"{below.value:.2f} A carried, {above.value:.2f} A not"


def _flowing(climb: Step, axis: TrimAxis, stretch: Stretch) -> Estimate:
    """Return the current of a step by the shunt, as long as the drive carried it."""
    end_s = stretch.to_s if climb.drive is None else min(stretch.to_s, climb.drive.end_s - EDGE_S)
    return magnitude(climb.record.mean(f"{axis.name}.current", stretch.from_s, end_s))


def _rests_until(step: Step, axis: TrimAxis, switch: TrimSwitch) -> bool:
    """Say whether the output rested from the trip until its switch was released."""
    released = [stimulus.time_s for stimulus in step.record.stimuli(switch.name) if not stimulus.value]
    if step.drive is None or not released:
        return False
    return rests(step.record, axis, step.drive.end_s + 2.0 * EDGE_S + 0.005, released[0])


def _step_a(setup: Setup) -> float:
    return round(STEP_ABOVE * required_limit(setup, "trim-trip-current").high, 2)


def _staircase_a(setup: Setup) -> Sequence[float]:
    limit = required_limit(setup, "trim-trip-current")
    available_s = CUT_OFF_PART * required_limit(setup, "trim-cut-off").low - ON_S - BASE_S
    steps = max(2, min(MOST_STEPS, math.floor(available_s / _dwell_s(setup))))
    lowest_a, highest_a = LOWEST_PART * limit.low, HIGHEST_PART * limit.high
    return [round(float(level), 3) for level in np.linspace(lowest_a, highest_a, steps)]


def _dwell_s(setup: Setup) -> float:
    return DWELL_PART * required_limit(setup, "trim-trip-time").high


def _staircase_duration_s(setup: Setup) -> float:
    return 2.0 * LEAD_S + ON_S + BASE_S + len(_staircase_a(setup)) * _dwell_s(setup) + REST_S


def _time_duration_s() -> float:
    return LEAD_S + ON_S + BASE_S + TRIP_WAIT_S + HELD_S + REST_S + ANEW_S + REST_S


def _expected_a(setup: Setup) -> float:
    """Return the standard uncertainty that a trip current will have, in A."""
    levels = _staircase_a(setup)
    half_a = 0.5 * (levels[1] - levels[0])
    trip_a = typical(setup, "trim-trip-current")
    read = worst(*(reading(setup, f"{axis.name}.current", trip_a) for axis in drawn_axes(setup)))
    return math.hypot(half_a / math.sqrt(3.0), read)
