"""A discrete's pin that does not follow its stimulus: tried again with the unit unplugged before anybody is blamed."""

from collections.abc import Collection, Iterator, Sequence

from analysis.measurement import Doubt
from analysis.power import isolation_doubt
from analysis.uncertainty import bounded, difference
from analysis.verdict import Cause
from test_plans.discrete_bench import pins_of
from test_plans.driving import LEAD_S, plug, unplug
from test_plans.line_loads import load_lines, resistance_fault
from test_plans.procedure import Evidence
from test_plans.readings import Record, agreement
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import voltage_signal

RATE_HZ = 1000.0
TRUTH = "truth"  # the capture that shows whether pins follow
ISOLATION = "isolation"
ISOLATION_LOADED = "isolation-loaded"
FOLLOWS_WITHIN_V = 1.6  # 1.6 mA through the stimulus resistor: more than any good pull resistor takes
LEVELS_V = (2.0, 8.0)
LEVEL_S = 0.25
SETTLE_S = 0.05
STILL_V = 0.05  # a pin that moves less than this under its stimulus stays where it is
PULL_WITHIN_V = 0.5  # of its nominal value a good unit's pull voltage lies


def steps_of(record: Record, line: str) -> Iterator[tuple[float, float, float]]:
    """Yield (from, to, volts) of every level that a stimulus line was put to, the last one cut to a quarter second."""
    stimuli = record.stimuli(line)
    ends = (*(step.time_s for step in stimuli[1:]), record.duration_s)
    for step, end_s in zip(stimuli, ends, strict=False):  # without a stimulus there is no step either
        if end_s > step.time_s:
            yield step.time_s, min(end_s, step.time_s + LEVEL_S), step.value


def looks_held(evidence: Evidence, discrete: Discrete, capture: str = TRUTH) -> bool:
    """Say whether the pin stood further from its stimulus than any pull resistor could hold it."""
    record = Record(evidence, capture)
    for begin_s, end_s, value_v in steps_of(record, discrete.name):
        pin_v = _pin_v(record, discrete, begin_s + 0.005, end_s - 0.005)
        if pin_v is not None and abs(pin_v - value_v) > FOLLOWS_WITHIN_V:
            return True
    return False


def _pin_v(record: Record, discrete: Discrete, start_s: float, stop_s: float) -> float | None:
    """Return where a pin stood, or the end of its channel's range where it stood beyond; None where it is not known.

    No stimulus is near the end of a range, so a pin beyond it is held all the more.
    """
    signal = voltage_signal(discrete.name)
    pin = record.mean(signal, start_s, stop_s)
    if not pin.doubts:
        return pin.value
    clipped = record.capture is not None and record.holds(signal) and record.capture.clipped(signal, start_s, stop_s)
    return pin.value if clipped and len(pin.doubts) == 1 else None


def isolate_held_pins(
    rig: Rig, setup: Setup, evidence: Evidence, capture: str = TRUTH, *, also: Collection[Discrete] = ()
) -> bool:
    """Drive the lines of held pins with the unit unplugged; say whether there was any. The unit is off afterwards.

    `also` are suspects for another reason.
    """
    suspects = [
        discrete for discrete in setup.unit.discretes if discrete in also or looks_held(evidence, discrete, capture)
    ]
    pins = ", ".join(discrete.pin for discrete in suspects)
    why = f"pin {pins} does not follow its stimulus, and this shows whether the unit holds it"
    return isolate_lines(rig, setup, evidence, suspects, why)


def isolate_lines(rig: Rig, setup: Setup, evidence: Evidence, suspects: Sequence[Discrete], why: str) -> bool:
    """Drive these discretes' lines with the unit unplugged, once; say whether it was done. The unit is off afterwards.

    Neighbours get different levels, so that lines bridged on the bench show as well; then all of them a load, where the
    bench has one, that shows the resistance of a line.
    """
    if not suspects or evidence.has(ISOLATION):
        return False
    unplug(rig, why)
    with rig.capture(ISOLATION, pins_of(suspects), sample_rate_hz=RATE_HZ) as session:
        for step in range(len(LEVELS_V)):
            for place, discrete in enumerate(suspects):
                level_v = LEVELS_V[(step + place) % len(LEVELS_V)]
                session.drive(discrete.name, level_v, at_s=LEAD_S + step * LEVEL_S)
        session.wait_until(LEAD_S + len(LEVELS_V) * LEVEL_S)
    for discrete in suspects:
        rig.drive(discrete.name, 0.0)
    load_lines(rig, setup, ISOLATION_LOADED, [discrete.name for discrete in suspects])
    plug(rig)
    return True


def held_doubts(evidence: Evidence, setup: Setup, discrete: Discrete, capture: str = TRUTH) -> tuple[Doubt, ...]:
    """Return whose doing a held pin is; nothing for a pin that follows.

    The unit's where the line is sound without it, its resistance included. A bench that can't load the line does not
    show that: then only where no resistance of the line can hold the pin there.
    """
    if not looks_held(evidence, discrete, capture):
        return ()
    gone = sound_alone(evidence, setup, discrete)
    if (
        gone
        and not evidence.has(ISOLATION_LOADED)
        and line_explains(discrete, _levels_at_pin(Record(evidence, capture), discrete))
    ):
        return (series_doubt(discrete, f"pin {discrete.pin} does not follow its stimulus"),)
    return (
        isolation_doubt(
            f"pin {discrete.pin} does not follow its stimulus",
            gone_when_isolated=gone,
            deciding_step=f"unplug the unit and drive line {discrete.name} again",
            pin=discrete.pin,
        ),
    )


def line_explains(discrete: Discrete, levels_v: Sequence[tuple[float, float]]) -> bool:
    """Say whether too much resistance in the line explains where a pin stood: it leads to the pull voltage anyhow.

    The straight line through (stimulus, pin) at two levels meets pin = stimulus where nothing flows: at the pull
    voltage of the unit, whatever the resistances are. A pin held elsewhere is held by something else.

    Args:
        discrete: whose pin it is.
        levels_v: (stimulus, pin) in V, one entry for each level.
    """
    if len(levels_v) < 2:
        return True  # nothing speaks against it
    (low_v, pin_low_v), (high_v, pin_high_v) = min(levels_v), max(levels_v)
    share = (pin_high_v - pin_low_v) / (high_v - low_v)
    if not share < 1.0:
        return False
    nothing_flows_v = (pin_low_v - share * low_v) / (1.0 - share)
    return abs(nothing_flows_v - discrete.pull_voltage_v) <= PULL_WITHIN_V


def series_doubt(discrete: Discrete, seen: str) -> Doubt:
    """Return the doubt that the unit or the resistance of its stimulus line is wrong: nobody can tell from here."""
    return Doubt(
        reason=f"{seen}; a wrong series resistance of its line explains it as well as the unit does",
        cause=Cause.UNDECIDED,
        next_step=f"measure the series resistance of line {discrete.name}",
        pin=discrete.pin,
    )


def reach_doubts(record: Record, setup: Setup, discrete: Discrete) -> tuple[Doubt, ...]:
    """Return the doubt that a pin, switched from level to level, did not get beyond both thresholds' limits.

    Between them a good unit may show either state.
    """
    active_low = discrete.sense is Sense.ACTIVE_LOW
    level = discrete.sense.level
    limits = setup.unit.limits
    pin = record.smoothed(voltage_signal(discrete.name))
    names = (f"{level}-threshold-active", f"{level}-threshold-inactive")
    if not pin.size or not record.stimuli(discrete.name) or any(name not in limits for name in names):
        return ()
    active, inactive = (limits[name] for name in names)
    lowest_v, highest_v = float(pin.min()), float(pin.max())
    below_v, above_v = (active.low, inactive.high) if active_low else (inactive.low, active.high)
    if lowest_v <= below_v and highest_v >= above_v:
        return ()
    still = highest_v - lowest_v < STILL_V
    where = (
        f"stayed at {pin.mean():z.2f} V" if still else f"was moved from {lowest_v:z.2f} V to {highest_v:z.2f} V only"
    )
    seen = f"{record.name}: pin {discrete.pin} {where}"
    return (series_doubt(discrete, f"{seen}, not beyond its thresholds' limits of {below_v:g} V and {above_v:g} V"),)


def _levels_at_pin(record: Record, discrete: Discrete) -> list[tuple[float, float]]:
    """Return (stimulus, mean at the pin) for every level of a line's stimulus."""
    found: dict[float, list[float]] = {}
    for begin_s, end_s, value_v in steps_of(record, discrete.name):
        pin_v = _pin_v(record, discrete, begin_s + 0.005, end_s - 0.005)
        if pin_v is not None:
            found.setdefault(value_v, []).append(pin_v)
    return [(value_v, sum(pins) / len(pins)) for value_v, pins in found.items()]


def sound_alone(evidence: Evidence, setup: Setup, discrete: Discrete) -> bool | None:
    """Say whether a line was sound with the unit unplugged; None where that was not tried."""
    record = Record(evidence, ISOLATION) if evidence.has(ISOLATION) else None
    if record is None or not record.holds(voltage_signal(discrete.name)):
        return None
    if not line_is_sound(record, setup, discrete):
        return False
    return not (
        evidence.has(ISOLATION_LOADED) and resistance_fault(Record(evidence, ISOLATION_LOADED), setup, discrete.name)
    )


def line_is_sound(record: Record, setup: Setup, discrete: Discrete) -> bool:
    """Say whether the line reads at its pin as it was driven, within 3 u."""
    facts = setup.bench
    steps = list(steps_of(record, discrete.name))
    for begin_s, end_s, value_v in steps:
        pin = record.mean(voltage_signal(discrete.name), begin_s + SETTLE_S, end_s - 0.005)
        bound_v = facts.stimulus_relative_bound * value_v + facts.stimulus_absolute_bound_v
        if pin.doubts or not agreement(difference(pin, bounded(value_v, bound_v, "stimulus"))):
            return False
    return bool(steps)
