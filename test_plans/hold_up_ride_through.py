"""Hold-up output when the input is taken away: how long it holds at its rated power, and that it comes back by itself.

The bus switch opens for a few milliseconds, several times. How hard that was is read at the pins: the current stops.
Where the load takes other than the rated power, the time is that power's by the energy balance of a capacitor,
t = eta C (V1^2 - V2^2) / (2 P).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined, difference, exact, product, ratio
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import count, number, required_limit
from test_plans.driving import bring_up
from test_plans.expected import reading, timed, typical
from test_plans.hold_up import (
    CONDITION,
    CURRENT,
    full_load,
    held_output,
    hold_up_capture,
    hold_up_needs,
    limit_a,
    lines_of,
    load_doubts,
    output_power,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import BUS_SWITCH, Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import current_signal, voltage_signal

RATE_HZ = 50_000.0
FIRST_S = 0.3
APART_S = 0.5
OPEN_S = 0.006
TRIALS = 5
READ_S = 0.05  # ahead of each break
STOPPED_PART = 0.5  # of the current before it
LEFT_A = 0.3  # that an open switch may leave
CAPTURE = "breaks"
LIMIT, OVERSHOOT = "hold-up-ride-through", "hold-up-overshoot"
NO_OVERSHOOT = f"how far the hold-up output comes back beyond its level: the unit sheet has no limit {OVERSHOOT}"
NOISE_RMS = 4.0  # the highest of many samples lies no further off by noise
PLOTTED_S = 0.012
PLOTTED_POINTS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """One opening of the bus switch as sampled: capture times, NaN where it was not seen."""

    asked_s: float
    closed_s: float  # when the switch was told to close again
    stopped_s: float  # the current stopped
    lost_s: float  # the output left its limits
    back_s: float  # and was there again


class HoldUpRideThrough:
    """Ride-through of an opened input."""

    name = "hold-up-ride-through"
    title = "Hold-up output: ride-through of an opened input"
    conditions = ("current_limit_a", "hold_s", "trials")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one fast capture with all breaks in it."""
        volts = setup.unit.nominal_voltage_v
        needs = hold_up_needs(
            setup,
            (hold_up_capture(setup, CAPTURE, rate_hz=RATE_HZ, duration_s=_duration_s(setup), bus_v=volts),),
            limits=((LIMIT, _expected(setup)), *_overshoot_limit(setup)),
            highest_v=volts,
        )
        return needs if OVERSHOOT in setup.unit.limits else replace(needs, untested=(NO_OVERSHOOT,))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Open the bus switch for a few milliseconds, and let the output come back each time."""
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        put_load(rig, setup, full_load(setup))
        rig.wait(0.1)
        with rig.capture(CAPTURE, signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
            for place in range(_trials(setup)):
                at_s = FIRST_S + place * APART_S
                session.wait_until(at_s - 0.2)
                session.switch_bus(SupplyPath.OPEN, at_s=at_s)
                session.switch_bus(SupplyPath.RUN, at_s=at_s + _open_s(setup))
            session.wait_until(_duration_s(setup))
        put_load(rig, setup, "open")

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the shortest ride-through, whether the output came back by itself each time, and how far beyond."""
        record, output = Record(evidence, CAPTURE), held_output(setup)
        breaks = _breaks(record, setup)
        times = [_ride_through(record, setup, one) for one in breaks]
        shortest = min(times, key=lambda found: found.value) if times else nothing(*_none(record))
        yield shortest.measurement(
            id=f"{output.name}.ride-through",
            limit=LIMIT,
            title=f"{output.title} at its rated power: holds after the input opened for at least",
            function=output.function,
            quantity_unit="s",
            pins=(output.plus_pin, setup.unit.power_pin),
            notes=(f"the shortest of {len(times)}, from {setup.unit.nominal_voltage_v:g} V", _power_note(setup)),
        )
        gone = [one for one in breaks if math.isfinite(one.lost_s)]
        missing = [one for one in gone if math.isnan(one.back_s)]
        yield Observation(
            id=f"{output.name}.recovers",
            title=f"{output.title}: comes back by itself after a break of the input",
            function=output.function,
            statement="the output is back within its limits before the next break, nobody doing anything",
            trials=len(breaks),
            failures=len(missing),
            detail=f"not back {APART_S:g} s after the break at " + ", ".join(f"{one.asked_s:.2f} s" for one in missing),
            doubts=tuple(dict.fromkeys(doubt for one in breaks for doubt in _doubts(record, setup, one))),
            captures=record.names,
            pins=(output.plus_pin,),
        )
        if OVERSHOOT in setup.unit.limits:
            yield _overshoot(record, setup, breaks)
        yield _picture(record, setup, breaks)


def _breaks(record: Record, setup: Setup) -> tuple[Break, ...]:
    """Read every break out of its capture."""
    if record.capture is None:
        return ()
    told = [event for event in record.capture.events_of("stimulus") if event.fields.get("line") == BUS_SWITCH]
    opened = [event.time_s for event in told if event.fields.get("path") == SupplyPath.OPEN.value]
    closed = [event.time_s for event in told if event.fields.get("path") == SupplyPath.RUN.value]
    output, rate_hz = held_output(setup), record.capture.sample_rate_hz
    least_v = required_limit(setup, "hold-up-voltage").low
    found = []
    for at_s, close_s in zip(opened, closed, strict=False):
        end_s = min(at_s + APART_S - READ_S, record.duration_s)
        before_a = record.mean(CURRENT, at_s - READ_S, at_s).value
        amps, held = record.samples(CURRENT, at_s, close_s), record.samples(voltage_signal(output.name), at_s, end_s)
        stopped = np.flatnonzero(amps < STOPPED_PART * before_a)
        lost = np.flatnonzero(held < least_v)
        back = np.flatnonzero(held[int(lost[0]) :] >= least_v) + int(lost[0]) if lost.size else np.empty(0, dtype=int)
        found.append(
            Break(
                asked_s=at_s,
                closed_s=close_s,
                stopped_s=at_s + float(stopped[0]) / rate_hz if stopped.size else math.nan,
                lost_s=at_s + float(lost[0]) / rate_hz if lost.size else math.nan,
                back_s=at_s + float(back[0]) / rate_hz if back.size and held[-1] >= least_v else math.nan,
            )
        )
    return tuple(found)


def _ride_through(record: Record, setup: Setup, one: Break) -> Estimate:
    """Return how long the output held at its rated power, scaled from the power it really gave."""
    output = held_output(setup)
    doubts = _doubts(record, setup, one)
    if math.isnan(one.stopped_s) or record.capture is None:
        return nothing(*doubts)
    held_s = (one.lost_s if math.isfinite(one.lost_s) else one.closed_s) - one.stopped_s
    sample_s = 1.0 / record.capture.sample_rate_hz
    held = bounded(
        held_s, sample_s + held_s * record.capture.timebase_bound, f"edges of the break at {one.asked_s:g} s"
    )
    rated = exact(output.held_v * output.rated_current_a)
    return doubted(product(held, ratio(output_power(record, setup, one.asked_s - READ_S, one.asked_s), rated)), *doubts)


def _overshoot(record: Record, setup: Setup, breaks: tuple[Break, ...]) -> Measurement:
    """Return how far the output comes back beyond where it then stands, at most."""
    output, peaks = held_output(setup), []
    doubts: list[Doubt] = list(record.missing)
    for one in breaks:
        if math.isnan(one.back_s):
            continue
        end_s = min(one.asked_s + APART_S, record.duration_s)
        values = record.samples(voltage_signal(output.name), one.back_s, end_s - READ_S)
        settled = record.samples(voltage_signal(output.name), end_s - READ_S, end_s)
        if values.size and settled.size:
            peaks.append((float(values.max() - settled.mean()), float(settled.mean())))
            doubts += _doubts(record, setup, one)
    if not peaks and not doubts:
        reason = "the output did not come back from a break, or was not lost in any"
        doubts.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="give the step a longer hold"))
    highest = max(peaks, default=None)
    found = nothing() if highest is None else replace(_above(setup, *highest), captures=record.names)
    return doubted(found, *dict.fromkeys(doubts)).measurement(
        id=f"{output.name}.overshoot",
        limit=OVERSHOOT,
        title=f"{output.title}: comes back beyond its level by",
        function=output.function,
        quantity_unit="V",
        pins=(output.plus_pin,),
        trials=len(peaks) or 1,
        notes=("after a break of the input, the highest of all",),
    )


def _above(setup: Setup, above_v: float, settled_v: float) -> Estimate:
    """Return two readings of one channel apart; the highest of many samples lies high by noise."""
    signal = voltage_signal(held_output(setup).name)
    facts = setup.bench.channels.get(signal)
    highest = reading(setup, signal, settled_v + above_v, samples=1, when="peak")
    apart = difference(highest, reading(setup, signal, settled_v, when="settled"))
    picked = bounded(0.0, 0.0 if facts is None else NOISE_RMS * facts.noise, "the highest of noisy samples")
    return combined(apart.value, ((apart, 1.0), (picked, 1.0)))


def _overshoot_limit(setup: Setup) -> tuple[tuple[str, float], ...]:
    if OVERSHOOT not in setup.unit.limits:
        return ()
    expected = _above(setup, typical(setup, OVERSHOOT), held_output(setup).held_v)
    return ((OVERSHOOT, expected.standard_uncertainty),)


def _doubts(record: Record, setup: Setup, one: Break) -> tuple[Doubt, ...]:
    """Return why a break shows nothing: the bus before it, the load, or a switch that did not open or close."""
    before = (one.asked_s - READ_S, one.asked_s)
    found = [
        *record.doubts(signals_of(setup), before[0], one.closed_s),
        *supply_doubts(record, setup, CONDITION, *before),
        *load_doubts(record, setup, *before),
    ]
    step = "listen to the bus switch, and measure its contacts with the unit unplugged"
    left_a = abs(record.mean(CURRENT, one.closed_s - 0.001, one.closed_s - 0.0001).value)
    if math.isnan(one.stopped_s) or not left_a <= LEFT_A:
        reason = (
            f"{record.name}: {left_a:.2f} A still flowed with the bus switch told to be open at {one.asked_s:.2f} s"
        )
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    return tuple(dict.fromkeys(found))


def _none(record: Record) -> tuple[Doubt, ...]:
    cut = Doubt(reason=f"{record.name}: the bus switch was never opened", cause=Cause.BENCH, next_step="run it again")
    return record.missing or (cut,)


def _power_note(setup: Setup) -> str:
    output = held_output(setup)
    return f"at {output.held_v * output.rated_current_a:.0f} W, scaled from the power measured"


def _picture(record: Record, setup: Setup, breaks: tuple[Break, ...]) -> Curve:
    """Draw the first break."""
    output = held_output(setup)
    series: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    if breaks and record.capture is not None:
        start_s = breaks[0].asked_s - 0.001
        for name, signal in (("bus", "unit.voltage"), ("hold-up output", voltage_signal(output.name))):
            values = record.samples(signal, start_s, start_s + PLOTTED_S)
            step = max(1, values.size // PLOTTED_POINTS)
            times = 1e3 * (np.arange(values.size) / record.capture.sample_rate_hz - 0.001)
            series[name] = (tuple(times[::step].tolist()), tuple(values[::step].tolist()))
    return Curve(
        id=f"{output.name}.break",
        title="Bus and loaded hold-up output in a break of the input",
        function=output.function,
        x_label="time, ms",
        y_label="V",
        series=series,
        capture=record.name if record.capture else "",
    )


def _expected(setup: Setup) -> float:
    output = held_output(setup)
    held_s = typical(setup, LIMIT)
    power = product(
        reading(setup, voltage_signal(output.name), output.held_v),
        reading(setup, current_signal(output.name), output.rated_current_a),
    )
    held = bounded(held_s, 1.0 / RATE_HZ + timed(setup, held_s).standard_uncertainty, "edges")
    return product(held, ratio(power, exact(output.held_v * output.rated_current_a))).standard_uncertainty


def _open_s(setup: Setup) -> float:
    return number(setup, "hold_s", OPEN_S)


def _trials(setup: Setup) -> int:
    return count(setup, "trials", TRIALS)


def _duration_s(setup: Setup) -> float:
    return FIRST_S + _trials(setup) * APART_S + 0.1
