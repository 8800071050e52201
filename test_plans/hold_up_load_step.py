"""Hold-up output at steps of its load from light to nearly full and back: how far it goes, and for how long.

The electronic load steps between a tenth and nine tenths of the rated current, where the bench has one that is fast
enough; else the resistors do, from the lightest to the full one. How fast the step was is read from the load's current.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analysis.load_step import StepResponse, step_response
from analysis.measurement import Curve, Doubt, Result
from analysis.uncertainty import Estimate, bounded, combined, difference, total
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.driving import bring_up
from test_plans.expected import reading, timed, typical
from test_plans.hold_up import (
    CONDITION,
    OFF_PART,
    full_load,
    held_output,
    hold_up_capture,
    hold_up_needs,
    light_load,
    limit_a,
    lines_of,
    load_doubts,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.hold_up_draw import draw_doubts, drawing, hang_on, load_reaches
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Drawn, Rig
from test_plans.sheets import Setup
from test_plans.signals import current_signal, voltage_signal

RATE_HZ = 50_000.0
LOW_PART, HIGH_PART = 0.1, 0.9  # of the rated current
TRIALS = 5  # in each direction
FIRST_S = 0.2
APART_S = 0.06
AHEAD_S = 0.018  # a window begins as long before the note of a step: the note comes after the load was told
WINDOW_S = 0.05
FAST_S = 50e-6  # a step that takes longer spares the converter
NEAR_PART = 0.01  # of its level: recovered (common practice, no published source)
CAPTURE = "steps"
DIP, RECOVERY = "hold-up-dip", "hold-up-step-recovery"
PEAK_PART = 0.05  # of the dip: what may hide between two samples, expected
NOISE_RMS = 4.0  # the farthest of the samples about a peak lies no further off by noise
ON, OFF = "on", "off"
WORDS = {ON: "load comes on", OFF: "load goes off"}
PLOTTED_S = 0.006


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One step as told and as sampled; None where the current shows none."""

    told_s: float
    start_s: float  # of its window
    response: StepResponse | None


class HoldUpLoadStep:
    """Dip, rise and recovery at steps of the load."""

    name = "hold-up-load-step"
    title = "Hold-up output at steps of its load: dip and recovery"
    conditions = ("current_limit_a",)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one fast capture; the electronic load where it serves, else two resistors."""
        output, volts = held_output(setup), setup.unit.nominal_voltage_v
        capture = hold_up_capture(setup, CAPTURE, rate_hz=RATE_HZ, duration_s=_duration_s(), bus_v=volts)
        needs = hold_up_needs(
            setup,
            (capture,),
            limits=((DIP, _expected_v(setup)), (RECOVERY, _expected_s(setup))),
            highest_v=volts,
            light=True,
        )
        seen = f"what the hold-up output does at a step of its load within {1e6 / RATE_HZ:.0f} us, between two samples"
        if _drawn(setup):
            return replace(drawing(setup, needs, most_a=HIGH_PART * output.rated_current_a), untested=(seen,))
        slow = (
            f"steps of the hold-up output's load from {100.0 * LOW_PART:.0f} to {100.0 * HIGH_PART:.0f} % by an "
            f"electronic load within {1e6 * FAST_S:.0f} us: resistors step it, on relay contacts that bounce"
        )
        return replace(needs, untested=(seen, slow))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Step the load up and down."""
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        low, high = _steps(rig, setup)
        low()
        rig.wait(0.1)
        with rig.capture(CAPTURE, signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
            for place in range(TRIALS):
                for turn, put in enumerate((high, low)):
                    session.wait_until(FIRST_S + (2 * place + turn) * APART_S)
                    put()
                    session.note(step=(ON, OFF)[turn])
            session.wait_until(_duration_s())
            if _drawn(setup):
                rig.read_load()
        if _drawn(setup):
            rig.disconnect_load()
        else:
            put_load(rig, setup, "open")

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the farthest departure and the longest recovery, as the load comes on and as it goes."""
        record, output = Record(evidence, CAPTURE), held_output(setup)
        for way in (ON, OFF):
            seen = _seen(record, setup, way)
            spoilt = _doubts(record, setup, seen)
            found = [one.response for one in seen if one.response is not None]
            farthest = max(found, key=lambda response: response.departure_v, default=None)
            longest = max(found, key=lambda response: response.recovered_s, default=None)
            notes = _notes(found)
            yield doubted(_departure(record, setup, farthest), *spoilt).measurement(
                id=f"{output.name}.step-{way}",
                limit=DIP,
                title=f"{output.title}: {'dip' if way == ON else 'rise'} as the {WORDS[way]}",
                function=output.function,
                quantity_unit="V",
                pins=(output.plus_pin,),
                trials=len(found) or 1,
                notes=notes,
            )
            yield doubted(_recovery(record, longest), *spoilt).measurement(
                id=f"{output.name}.step-{way}-recovery",
                limit=RECOVERY,
                title=f"{output.title}: time to recover as the {WORDS[way]}",
                function=output.function,
                quantity_unit="s",
                pins=(output.plus_pin,),
                trials=len(found) or 1,
                notes=(f"to within {1e3 * NEAR_PART * output.held_v:.0f} mV of where it settles", *notes),
            )
        yield _picture(record, setup)


def _steps(rig: Rig, setup: Setup) -> tuple[Callable[[], None], Callable[[], None]]:
    """Return what puts the light and what puts the heavy load."""
    output = held_output(setup)
    if not _drawn(setup):
        return partial(put_load, rig, setup, light_load(setup)), partial(put_load, rig, setup, full_load(setup))
    hang_on(rig, setup)
    return (
        partial(rig.draw, Drawn.CURRENT, LOW_PART * output.rated_current_a),
        partial(rig.draw, Drawn.CURRENT, HIGH_PART * output.rated_current_a),
    )


def _drawn(setup: Setup) -> bool:
    """Say whether the electronic load does it: it reaches the output and is fast enough."""
    facts, step_a = setup.bench.electronic_load, (HIGH_PART - LOW_PART) * held_output(setup).rated_current_a
    return load_reaches(setup) and facts is not None and step_a / facts.slew_a_per_s <= FAST_S


def _seen(record: Record, setup: Setup, way: str) -> tuple[Seen, ...]:
    """Return every step of one way."""
    output, found = held_output(setup), []
    for told_s, step in record.notes("step"):
        if step != way or record.capture is None:
            continue
        start_s = told_s - AHEAD_S
        volts = record.samples(voltage_signal(output.name), start_s, start_s + WINDOW_S)
        amps = record.samples(current_signal(output.name), start_s, start_s + WINDOW_S)
        response = None
        if volts.size >= 20 and volts.size == amps.size:
            near_v = NEAR_PART * output.held_v
            response = step_response(volts, amps, sample_rate_hz=record.capture.sample_rate_hz, near_v=near_v)
            response = _kept(response, OFF_PART * output.held_v)
        found.append(Seen(told_s=told_s, start_s=start_s, response=response))
    return tuple(found)


def _kept(response: StepResponse | None, least_v: float) -> StepResponse | None:
    """Return a response as one that never recovers where the output does not stand after the step."""
    if response is None or response.settled_v > least_v:
        return response
    gone_v = max(0.0, response.before_v - response.settled_v)
    return replace(response, departure_v=gone_v, between_v=0.0, recovered_s=WINDOW_S - response.begun_s)


def _departure(record: Record, setup: Setup, farthest: StepResponse | None) -> Estimate:
    """Return the farthest departure: two readings of one channel, what hides between samples, and noise.

    What hides only adds: the departure lies between what was sampled and as much more.
    """
    if farthest is None or record.capture is None:
        return nothing()
    half_v = 0.5 * farthest.between_v
    return _apart(setup, farthest.settled_v, farthest.departure_v + half_v, half_v, record.names)


def _apart(setup: Setup, settled_v: float, apart_v: float, hidden_v: float, captures: tuple[str, ...] = ()) -> Estimate:
    signal = voltage_signal(held_output(setup).name)
    facts = setup.bench.channels.get(signal)
    peak = reading(setup, signal, settled_v - apart_v, samples=1, when="peak")
    apart = difference(reading(setup, signal, settled_v, when="settled"), peak)
    hidden = bounded(0.0, hidden_v, "between two samples")
    picked = bounded(0.0, 0.0 if facts is None else NOISE_RMS * facts.noise, "the farthest of noisy samples")
    found = combined(apart.value, ((apart, 1.0), (hidden, 1.0), (picked, 1.0)))
    return replace(found, captures=captures)


def _recovery(record: Record, longest: StepResponse | None) -> Estimate:
    if longest is None or record.capture is None:
        return nothing()
    sample_s = 1.0 / record.capture.sample_rate_hz
    half_s = sample_s + longest.recovered_s * record.capture.timebase_bound
    return replace(bounded(longest.recovered_s, half_s, "ends of the recovery"), captures=record.names)


def _notes(found: list[StepResponse]) -> tuple[str, ...]:
    if not found:
        return ()
    slowest = max(found, key=lambda response: response.lasted_s)
    lasted = f"in {1e6 * slowest.lasted_s:.0f} us (a tenth to nine tenths of the step)"
    return (f"from {slowest.before_a:.2f} A to {slowest.after_a:.2f} A {lasted}",)


def _doubts(record: Record, setup: Setup, seen: tuple[Seen, ...]) -> tuple[Doubt, ...]:
    """Return why the steps say nothing of the unit: bus, load, a step that never came, or came slowly."""
    if record.capture is None:
        return record.missing
    output = held_output(setup)
    found = [*record.doubts(signals_of(setup)), *supply_doubts(record, setup, CONDITION)]
    step = f"check the load of {output.name}, its relays and the channel of its current"
    if not seen:
        found.append(Doubt(reason=f"{record.name}: no step was told", cause=Cause.BENCH, next_step="run it again"))
    for one in seen:
        before_v = record.mean(voltage_signal(output.name), one.start_s, one.start_s + 0.1 * WINDOW_S).value
        if before_v <= OFF_PART * output.held_v:
            reason = f"{record.name}: {before_v:.2f} V at the output ahead of the step at {one.told_s:.2f} s"
            see = "see hold-up-regulation: whether the output holds at all"
            found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
        elif one.response is None:
            reason = f"{record.name}: the load's current shows no step at {one.told_s:.2f} s"
            found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
        elif one.response.lasted_s > FAST_S:
            reason = f"{record.name}: the load took {1e6 * one.response.lasted_s:.0f} us to step"
            found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    if _drawn(setup):
        found += draw_doubts(record, setup, FIRST_S, record.duration_s)
    else:
        for one in seen:
            if one.response is not None and one.response.after_a > one.response.before_a:
                found += load_doubts(record, setup, one.told_s, one.start_s + WINDOW_S)
    return tuple(dict.fromkeys(found))


def _picture(record: Record, setup: Setup) -> Curve:
    """Draw the first step each way."""
    output = held_output(setup)
    series: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    for way in (ON, OFF):
        seen = next((one for one in _seen(record, setup, way) if one.response is not None), None)
        if seen is None or seen.response is None or record.capture is None:
            continue
        start_s = seen.start_s + seen.response.begun_s - 0.001
        values = record.samples(voltage_signal(output.name), start_s, start_s + PLOTTED_S)
        times = 1e3 * (np.arange(values.size) / record.capture.sample_rate_hz - 0.001)
        series[WORDS[way]] = (tuple(times.tolist()), tuple(values.tolist()))
    return Curve(
        id=f"{output.name}.steps",
        title="Hold-up output at a step of its load",
        function=output.function,
        x_label="time, ms",
        y_label="V",
        series=series,
        capture=record.name if record.capture else "",
    )


def _expected_v(setup: Setup) -> float:
    dip_v = typical(setup, DIP)
    return _apart(setup, held_output(setup).held_v, dip_v, PEAK_PART * dip_v).standard_uncertainty


def _expected_s(setup: Setup) -> float:
    lasts_s = typical(setup, RECOVERY)
    return total(timed(setup, lasts_s), bounded(0.0, 1.0 / RATE_HZ, "ends")).standard_uncertainty


def _duration_s() -> float:
    return FIRST_S + 2 * TRIALS * APART_S + 0.05
