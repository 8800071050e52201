"""A discrete's pin that does not follow its stimulus: tried again with the unit unplugged before anybody is blamed."""

from collections.abc import Iterator

from analysis.measurement import Doubt
from analysis.power import isolation_doubt
from analysis.uncertainty import bounded, difference
from test_plans.driving import LEAD_S, plug, unplug
from test_plans.procedure import Evidence
from test_plans.readings import Record, agreement
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import voltage_signal

RATE_HZ = 1000.0
TRUTH = "truth"  # the capture that shows whether pins follow
ISOLATION = "isolation"
FOLLOWS_WITHIN_V = 1.6  # 1.6 mA through the stimulus resistor: more than any good pull resistor takes
LEVELS_V = (2.0, 8.0)
LEVEL_S = 0.25
SETTLE_S = 0.05


def steps_of(record: Record, line: str) -> Iterator[tuple[float, float, float]]:
    """Yield (from, to, volts) of every level that a stimulus line was put to, the last one cut to a quarter second."""
    stimuli = record.stimuli(line)
    ends = (*(step.time_s for step in stimuli[1:]), record.duration_s)
    for step, end_s in zip(stimuli, ends, strict=False):  # without a stimulus there is no step either
        if end_s > step.time_s:
            yield step.time_s, min(end_s, step.time_s + LEVEL_S), step.value


def looks_held(evidence: Evidence, discrete: Discrete) -> bool:
    """Say whether the pin stood further from its stimulus than any pull resistor could hold it."""
    record = Record(evidence, TRUTH)
    for begin_s, end_s, value_v in steps_of(record, discrete.name):
        pin = record.mean(voltage_signal(discrete.name), begin_s + 0.005, end_s - 0.005)
        if not pin.doubts and abs(pin.value - value_v) > FOLLOWS_WITHIN_V:
            return True
    return False


def isolate_held_pins(rig: Rig, setup: Setup, evidence: Evidence) -> bool:
    """Drive the lines of held pins with the unit unplugged; say whether there was any. The unit is off afterwards."""
    suspects = [discrete for discrete in setup.unit.discretes if looks_held(evidence, discrete)]
    if not suspects or evidence.has(ISOLATION):
        return False
    pins = ", ".join(discrete.pin for discrete in suspects)
    unplug(rig, f"pin {pins} does not follow its stimulus, and this shows whether the unit holds it")
    signals = [voltage_signal(discrete.name) for discrete in suspects]
    with rig.capture(ISOLATION, signals, sample_rate_hz=RATE_HZ) as session:
        for step, level_v in enumerate(LEVELS_V):
            for discrete in suspects:
                session.drive(discrete.name, level_v, at_s=LEAD_S + step * LEVEL_S)
        session.wait_until(LEAD_S + len(LEVELS_V) * LEVEL_S)
    for discrete in suspects:
        rig.drive(discrete.name, 0.0)
    plug(rig)
    return True


def held_doubts(evidence: Evidence, setup: Setup, discrete: Discrete) -> tuple[Doubt, ...]:
    """Return whose doing a held pin is: the unit's where the line is sound without it; nothing for a sound pin."""
    if not looks_held(evidence, discrete):
        return ()
    gone = line_is_sound(Record(evidence, ISOLATION), setup, discrete) if evidence.has(ISOLATION) else None
    return (
        isolation_doubt(
            f"pin {discrete.pin} does not follow its stimulus",
            gone_when_isolated=gone,
            deciding_step=f"unplug the unit and drive line {discrete.name} again",
        ),
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
