"""Hold-up output beyond its rated current: what it gives at most, and that it comes back by itself.

The electronic load draws the rated current, then more step by step: the limit lies between the step that was carried
and the one that was not. It draws on at the highest, is taken down to half the rated current, and the output must come
back; twice more from below. An output that may be shorted is shorted by a resistor of the bench, and must take no
more from the bus than at its rated current.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined, total
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import required_limit
from test_plans.drawn import TOLD_WITHIN_S, Stretch, set_current, stretches_of
from test_plans.driving import bring_up
from test_plans.expected import timed, typical
from test_plans.hold_up import (
    CONDITION,
    CURRENT,
    OFF_PART,
    held_output,
    hold_up_capture,
    hold_up_needs,
    limit_a,
    lines_of,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.hold_up_draw import draw_doubts, drawing, hang_on
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Drawn, Rig
from test_plans.sheets import Setup
from test_plans.shorts import SHORT_OHM, short_of
from test_plans.signals import current_signal, voltage_signal

RATE_HZ = 10_000.0
LOWEST_PART = 1.0  # of the rated current: where the staircase begins
ABOVE_PART = 1.04  # of the highest limit: where it ends
STEP_PART = 0.05  # of the rated current
DWELL_S = 0.06
OVER_S = 0.3  # at the highest level
OTHER_PHASE_S = 0.037  # longer each time, so that it is not always relieved at the same phase of its tries
BACK_S = 0.7  # at half the rated current after it
FIRST_S = 0.1
REPEATS = 2
BACK_PART = 0.5  # of the rated current
SHORT_S = 0.5
RUSH_S = 0.005  # its own capacitor empties into a short meanwhile
SHORT_PART = 1.1  # of the bus power at the rated current: what a short may take at most
OVERLOAD, SHORTED = "overload", "shorted"
LIMIT, RECOVERY = "hold-up-limit-current", "hold-up-overload-recovery"
PLOTTED_POINTS = 400


class HoldUpOverload:
    """Limit, recovery, and a short where it is allowed."""

    name = "hold-up-overload"
    title = "Hold-up output overloaded: its limit, and that it comes back"
    conditions = ("current_limit_a",)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return the overload's capture, the short's where it is taken, and the electronic load."""
        output, volts = held_output(setup), setup.unit.nominal_voltage_v
        most_a = _levels_a(setup)[-1]
        captures = [
            hold_up_capture(setup, OVERLOAD, rate_hz=RATE_HZ, duration_s=_duration_s(setup), bus_v=volts, most_a=most_a)
        ]
        if _short(setup):
            captures.append(
                CaptureNeed(
                    name=SHORTED,
                    signals=_shorted_signals(setup),
                    lines=lines_of(setup),
                    sample_rate_hz=RATE_HZ,
                    duration_s=_shorted_s(),
                    highest_v={"unit.voltage": volts, voltage_signal(output.name): output.held_v},
                )
            )
        limits = ((LIMIT, _expected_a(setup)), (RECOVERY, _expected_s(setup)))
        needs = hold_up_needs(setup, tuple(captures), limits=limits, highest_v=volts)
        untested = () if not output.short_proof or _short(setup) else (NO_SHORT,)
        return replace(drawing(setup, needs, most_a=most_a), untested=untested)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Climb, stay, come down; overload again; short."""
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        levels = _levels_a(setup)
        back_a = BACK_PART * held_output(setup).rated_current_a
        hang_on(rig, setup)
        with rig.capture(OVERLOAD, signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
            at_s = FIRST_S
            session.wait_until(at_s)
            for level_a in levels:
                rig.draw(Drawn.CURRENT, level_a)
                at_s += DWELL_S
                session.wait_until(at_s)
            for place in range(1 + REPEATS):
                rig.draw(Drawn.CURRENT, levels[-1])
                at_s += OVER_S + place * OTHER_PHASE_S
                session.wait_until(at_s)
                rig.draw(Drawn.CURRENT, back_a)
                session.note(relieved=place)
                at_s += BACK_S
                session.wait_until(at_s)
            rig.read_load()
            session.wait_until(_duration_s(setup))
        rig.disconnect_load()
        if _short(setup):
            self._short(rig, setup)

    def _short(self, rig: Rig, setup: Setup) -> None:
        with rig.capture(SHORTED, _shorted_signals(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
            session.wait_until(FIRST_S)
            put_load(rig, setup, _short(setup))
            session.note(shorted=True)
            session.wait_until(FIRST_S + SHORT_S)
            put_load(rig, setup, "open")
            session.note(relieved=0)
            session.wait_until(_shorted_s())

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the limit, the longest recovery, and what a short does."""
        record, output = Record(evidence, OVERLOAD), held_output(setup)
        spoilt = _doubts(record, setup)
        yield doubted(_limit(record, setup), *spoilt).measurement(
            id=f"{output.name}.limit-current",
            limit=LIMIT,
            title=f"{output.title}: gives at most",
            function=output.function,
            quantity_unit="A",
            pins=(output.plus_pin,),
            notes=_carried_words(record, setup),
        )
        yield _recovery(record, setup, OVERLOAD, "an overload", spoilt)
        if _short(setup):
            shorted = Record(evidence, SHORTED)
            spoilt = _short_doubts(shorted, setup)
            yield _recovery(shorted, setup, SHORTED, "a short", spoilt)
            yield _fed(shorted, setup, spoilt)
        yield _picture(record, setup)


NO_SHORT = f"a short of the hold-up output: the bench has no resistor of {SHORT_OHM:g} ohm or less on a relay for it"


def _short(setup: Setup) -> str:
    """Return the position that shorts the output, "" where its maker does not allow it or the bench has none."""
    output = held_output(setup)
    return short_of(setup, output.name) if output.short_proof else ""


def _shorted_signals(setup: Setup) -> tuple[str, ...]:
    """Return bus, supply current and the output's voltage: its current is beyond the channel at the first."""
    return ("unit.voltage", CURRENT, voltage_signal(held_output(setup).name))


def _levels_a(setup: Setup) -> tuple[float, ...]:
    """Return the staircase, from the rated current to beyond the highest limit."""
    rated_a, highest_a = held_output(setup).rated_current_a, required_limit(setup, LIMIT).high
    count = max(2, round((ABOVE_PART * highest_a - LOWEST_PART * rated_a) / (STEP_PART * rated_a)) + 1)
    return tuple(float(level) for level in np.linspace(LOWEST_PART * rated_a, ABOVE_PART * highest_a, count))


def _climb(record: Record, setup: Setup) -> list[tuple[Stretch, bool]]:
    """Return every level of the staircase with whether the output stood in all of it."""
    output, levels = held_output(setup), _levels_a(setup)
    climbed = []
    for stretch in stretches_of(record)[: len(levels)]:
        volts = record.samples(voltage_signal(output.name), stretch.from_s, stretch.to_s)
        climbed.append((stretch, bool(volts.size) and float(volts.min()) > OFF_PART * output.held_v))
    return climbed


def _limit(record: Record, setup: Setup) -> Estimate:
    """Return the limit: between the last level that was carried and the first that was not."""
    facts, climbed = setup.bench.electronic_load, _climb(record, setup)
    if record.capture is None or facts is None or not climbed:
        return nothing(*record.missing)
    refused = next((place for place, (_, stood) in enumerate(climbed) if not stood), len(climbed))
    levels = [stretch.level for stretch, _ in climbed]
    if refused == len(levels):  # it gives more than was asked of it
        return replace(set_current(facts, levels[-1]), captures=record.names)
    below_a = levels[refused - 1] if refused else 0.0
    half_a = 0.5 * (levels[refused] - below_a)
    found = total(set_current(facts, below_a + half_a), bounded(0.0, half_a, "step of the staircase"))
    return replace(found, captures=record.names)


def _carried_words(record: Record, setup: Setup) -> tuple[str, ...]:
    carried = [stretch.level for stretch, stood in _climb(record, setup) if stood]
    return (f"carried {max(carried):.2f} A",) if carried else ("carried none of the levels",)


def _recovery(record: Record, setup: Setup, what: str, after: str, spoilt: tuple[Doubt, ...]) -> Measurement:
    """Return the longest time until the output is within its limits for good, counted from when it was relieved."""
    output = held_output(setup)
    times = _recoveries(record, setup)
    worst_s = max(times, default=None)
    found = nothing(*record.missing)
    if worst_s is not None and record.capture is not None:
        half_s = 0.5 * TOLD_WITHIN_S
        found = replace(bounded(worst_s + half_s, half_s, "when it was relieved"), captures=record.names)
    never = worst_s is not None and worst_s >= _watched_s(what)
    return doubted(found, *spoilt).measurement(
        id=f"{output.name}.{what}-recovery",
        limit=RECOVERY,
        title=f"{output.title}: back by itself after {after} within",
        function=output.function,
        quantity_unit="s",
        pins=(output.plus_pin,),
        trials=len(times) or 1,
        notes=("not back while it was watched: it is more",) if never else (),
    )


def _recoveries(record: Record, setup: Setup) -> list[float]:
    output, least_v = held_output(setup), required_limit(setup, "hold-up-voltage").low
    found = []
    for told_s, _ in record.notes("relieved"):
        volts = record.samples(voltage_signal(output.name), told_s, told_s + _watched_s(record.name))
        if not volts.size:
            continue
        out = np.flatnonzero(volts < least_v)
        found.append((int(out[-1]) + 1) / RATE_HZ if out.size else 0.0)
    return found


def _watched_s(what: str) -> float:
    return BACK_S - 0.05 if what == OVERLOAD else BACK_S


def _fed(record: Record, setup: Setup, spoilt: tuple[Doubt, ...]) -> Observation:
    """Return whether a shorted output takes more from the bus than one at its rated current."""
    output = held_output(setup)
    least = setup.unit.limits.get("hold-up-efficiency")
    rated_w = output.held_v * output.rated_current_a / (1.0 if least is None else least.low / 100.0)
    most_w = SHORT_PART * rated_w
    power_w = np.empty(0)
    for told_s, _ in record.notes("shorted"):
        span = (told_s + RUSH_S, told_s + SHORT_S - 0.05)
        power_w = record.samples("unit.voltage", *span) * record.samples(CURRENT, *span)
    length = round(0.005 * RATE_HZ)
    blocks = power_w[: power_w.size // length * length].reshape(-1, length).mean(axis=1)
    taken_w = float(blocks.max()) if blocks.size else 0.0
    return Observation(
        id=f"{output.name}.short-is-limited",
        title=f"{output.title}: feeds a short no more than its rated load",
        function=output.function,
        statement=f"shorted, the unit takes at most {most_w:.0f} W from the bus, 5 ms means",
        trials=int(bool(blocks.size)),
        failures=int(taken_w > most_w),
        detail=f"it took {taken_w:.0f} W",
        doubts=spoilt,
        captures=record.names,
        pins=(output.plus_pin,),
    )


def _doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    if record.capture is None:
        return record.missing
    found = [
        *record.doubts(signals_of(setup)),
        *supply_doubts(record, setup, CONDITION),
        *draw_doubts(record, setup, FIRST_S, record.duration_s),
    ]
    if len(_climb(record, setup)) < len(_levels_a(setup)):
        reason = f"{record.name}: the electronic load was not told every level"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="run the procedure again"))
    return tuple(dict.fromkeys(found))


def _short_doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why the short shows nothing: the output never fell, or what fed the unit limited."""
    if record.capture is None:
        return record.missing
    output = held_output(setup)
    found = [*record.doubts(_shorted_signals(setup)), *supply_doubts(record, setup, CONDITION)]
    for told_s, _ in record.notes("shorted"):
        stood_v = record.mean(voltage_signal(output.name), told_s + RUSH_S, told_s + SHORT_S - 0.05).value
        if not stood_v < OFF_PART * output.held_v:
            reason = f"{record.name}: {stood_v:.2f} V at an output that was to be shorted"
            step = f"check the relay and fuse of {_short(setup)} at {output.name}"
            found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    return tuple(dict.fromkeys(found))


def _picture(record: Record, setup: Setup) -> Curve:
    output = held_output(setup)
    volts, amps = record.smoothed(voltage_signal(output.name)), record.smoothed(current_signal(output.name))
    step = max(1, volts.size // PLOTTED_POINTS)
    times = tuple(float(time) for time in (np.arange(volts.size) * 0.005)[::step])
    return Curve(
        id=f"{output.name}.overload",
        title="Hold-up output overloaded step by step, and again",
        function=output.function,
        x_label="time, s",
        y_label="V; A",
        series={
            "volts": (times, tuple(float(value) for value in volts[::step])),
            "amperes": (times, tuple(float(value) for value in amps[::step])),
        },
        capture=record.name if record.capture else "",
    )


def _expected_a(setup: Setup) -> float:
    facts, levels = setup.bench.electronic_load, _levels_a(setup)
    step = bounded(0.0, 0.5 * (levels[1] - levels[0]), "step of the staircase")
    drawn = bounded(0.0, 0.0, "none") if facts is None else set_current(facts, typical(setup, LIMIT))
    return combined(0.0, ((step, 1.0), (drawn, 1.0))).standard_uncertainty


def _expected_s(setup: Setup) -> float:
    return total(timed(setup, typical(setup, RECOVERY)), bounded(0.0, 0.5 * TOLD_WITHIN_S, "told")).standard_uncertainty


def _duration_s(setup: Setup) -> float:
    over_s = sum(OVER_S + place * OTHER_PHASE_S for place in range(1 + REPEATS))
    return FIRST_S + len(_levels_a(setup)) * DWELL_S + over_s + (1 + REPEATS) * BACK_S + 0.05


def _shorted_s() -> float:
    return FIRST_S + SHORT_S + BACK_S + 0.05
