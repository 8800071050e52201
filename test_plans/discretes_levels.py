"""Discrete inputs: truth, both thresholds, hysteresis and pull-up current.

The pin itself is sampled, so a threshold is what the pin stood at, not what was asked of the stimulus; a pin that
does not follow its stimulus is proved again with the unit unplugged before anybody is blamed.
"""

from collections.abc import Iterable, Iterator, Sequence

from analysis.capture import Event
from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, difference, product, ratio, total
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, count, current_limit_a, number
from test_plans.discrete_pins import (
    RAMP_RATE_V_PER_S,
    ramp_of,
    report_delay,
)
from test_plans.driving import LEAD_S, Action, bring_up, drive_at, levels_of, play, ramp_at
from test_plans.held_pins import held_doubts, isolate_held_pins, steps_of
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, crossing_on_ramp, doubted, nothing, silence_doubts
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named, voltage_signal

RATE_HZ = 1000.0
BASELINE_S = 1.2  # every discrete is reported once in it
HOLD_S = 0.080  # longer than any latency that could still pass
CHECK_S = 0.075
STAGGER_S = 0.1
DWELL_S = 0.15
MOVED_FRACTION = 0.5  # of the ramp asked for: less, and the stimulus did not reach the pin
PULL_LEVELS_V = (0.0, 2.0)
PULL_S = 0.25
SETTLE_S = 0.05
CONDITION = "inputs"


class DiscreteLevels:
    """Truth, thresholds, hysteresis and pull-up current of every discrete."""

    name = "discrete-levels"
    title = "Discrete inputs: truth, thresholds, hysteresis, pull-up"

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its captures: truth, two ramp records, pull-up."""
        unit = setup.unit
        records = [("truth", unit.discretes, self._truth_s(setup))]
        records += [(name, group, self._ramps_s(group, setup)) for name, group in _groups(setup)]
        pulled = _pulled_up(setup)
        if pulled:
            records.append(("pull-up", pulled, self._pull_s()))
        captures = tuple(
            CaptureNeed(
                name=name,
                signals=tuple(voltage_signal(discrete.name) for discrete in group),
                sample_rate_hz=RATE_HZ,
                duration_s=duration_s,
                highest_v={voltage_signal(discrete.name): levels_of(discrete).active_v for discrete in group},
            )
            for name, group, duration_s in records
        )
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + 1.0,
            captures=captures,
            highest_voltage_v=bus_voltage_v(setup),
            supply_current_a=unit.conforming_current_a.get(CONDITION, 0.0),
            current_limit_a=current_limit_a(setup, CONDITION, 0.5),
            stimuli=tuple(discrete.name for discrete in unit.discretes),
            bus=True,
            limits=tuple(
                (f"{level}-{what}", 15e-3)
                for level in sorted({_level(discrete) for discrete in unit.discretes})
                for what in ("threshold-active", "threshold-inactive", "hysteresis")
            )
            + ((("low-pull-current", 7e-6),) if pulled else ()),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Switch every discrete in turn, ramp each kind up and down, then load the pull-ups."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 0.5))
        self._switch_in_turn(rig, setup)
        for name, group in _groups(setup):
            self._ramp(rig, setup, name, group)
        if _pulled_up(setup):
            self._load_pull_ups(rig, setup)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow again, with the unit unplugged."""
        if not isolate_held_pins(rig, setup, evidence):
            return False
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 0.5))
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give truth, thresholds, hysteresis and pull-up current of every discrete, and that none moves another."""
        for discrete in setup.unit.discretes:
            held = held_doubts(evidence, setup, discrete)
            yield self._truth(evidence, setup, discrete, held)
            yield from self._thresholds(evidence, setup, discrete, held)
            if discrete.sense is Sense.ACTIVE_LOW and "low-pull-current" in setup.unit.limits:
                yield self._pull_current(evidence, setup, discrete, held)
        yield self._independence(evidence, setup)

    # Stimulation

    def _truth_s(self, setup: Setup) -> float:
        return BASELINE_S + 2 * HOLD_S * _trials(setup) * len(setup.unit.discretes) + HOLD_S

    def _ramps_s(self, group: Sequence[Discrete], setup: Setup) -> float:
        longest_s = max(ramp_of(discrete, setup.bench, _rate(setup)).duration_s for discrete in group)
        return LEAD_S + DWELL_S + 2 * (longest_s + DWELL_S) + STAGGER_S * len(group)

    def _pull_s(self) -> float:
        return LEAD_S + PULL_S * len(PULL_LEVELS_V)

    def _switch_in_turn(self, rig: Rig, setup: Setup) -> None:
        discretes = setup.unit.discretes
        signals = [voltage_signal(discrete.name) for discrete in discretes]
        with rig.capture("truth", signals, sample_rate_hz=RATE_HZ) as session:
            actions: list[Action] = []
            at_s = BASELINE_S
            for discrete in discretes:
                levels = levels_of(discrete)
                for _ in range(_trials(setup)):
                    actions.append(drive_at(session, discrete.name, levels.active_v, at_s))
                    actions.append(drive_at(session, discrete.name, levels.inactive_v, at_s + HOLD_S))
                    at_s += 2 * HOLD_S
            play(session, actions)
            session.wait_until(self._truth_s(setup))

    def _ramp(self, rig: Rig, setup: Setup, name: str, group: Sequence[Discrete]) -> None:
        signals = [voltage_signal(discrete.name) for discrete in group]
        ramps = [ramp_of(discrete, setup.bench, _rate(setup)) for discrete in group]
        with rig.capture(name, signals, sample_rate_hz=RATE_HZ, ramp_rate_v_per_s=_rate(setup)) as session:
            actions: list[Action] = []
            for position, (discrete, ramp) in enumerate(zip(group, ramps, strict=True)):
                at_s = LEAD_S + DWELL_S + STAGGER_S * position
                back_s = at_s + ramp.duration_s + DWELL_S
                actions.append(drive_at(session, discrete.name, ramp.inactive_v, LEAD_S))
                actions.append(ramp_at(session, discrete.name, ramp.active_v, at_s, ramp.duration_s))
                actions.append(ramp_at(session, discrete.name, ramp.inactive_v, back_s, ramp.duration_s))
            play(session, actions)
            session.wait_until(self._ramps_s(group, setup))
        for discrete in group:
            rig.drive(discrete.name, levels_of(discrete).inactive_v)
        rig.wait(0.1)

    def _load_pull_ups(self, rig: Rig, setup: Setup) -> None:
        discretes = _pulled_up(setup)
        signals = [voltage_signal(discrete.name) for discrete in discretes]
        with rig.capture("pull-up", signals, sample_rate_hz=RATE_HZ) as session:
            for step, level_v in enumerate(PULL_LEVELS_V):
                for discrete in discretes:
                    session.drive(discrete.name, level_v, at_s=LEAD_S + step * PULL_S)
            session.wait_until(self._pull_s())

    # Results

    def _truth(self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]) -> Observation:
        record = Record(evidence, "truth")
        levels = levels_of(discrete)
        reports = record.reports(discrete.report)
        trials = failures = 0
        for step_s, _, value_v in steps_of(record, discrete.name):
            shown = _state_at(reports, step_s + CHECK_S)
            if shown is None:
                continue
            trials += 1
            failures += shown is not (value_v == levels.active_v)
        return Observation(
            id=f"{discrete.name}.truth",
            title=f"{discrete.title}: follows its switch",
            function=function_named(setup.unit, "discretes"),
            statement=f"the report follows within {CHECK_S * 1000:.0f} ms, both ways",
            trials=trials,
            failures=failures,
            detail=f"{failures} of {trials} changes were not reported",
            doubts=(*record.missing, *record.gap_doubts(), *silence_doubts(record, evidence), *held),
            captures=record.names,
            pins=(discrete.pin,),
        )

    def _independence(self, evidence: Evidence, setup: Setup) -> Observation:
        record = Record(evidence, "truth")
        moved: list[str] = []
        trials = 0
        for discrete in setup.unit.discretes:
            for step_s, _, _ in steps_of(record, discrete.name):
                trials += 1
                others = [other for other in setup.unit.discretes if other is not discrete]
                moved.extend(
                    f"{other.title} with {discrete.title}"
                    for other in others
                    if _changed_between(record.reports(other.report), step_s, step_s + CHECK_S)
                )
        return Observation(
            id="discretes.independence",
            title="Discretes: none moves with another",
            function=function_named(setup.unit, "discretes"),
            statement="no other discrete changes when one is switched",
            trials=trials,
            failures=min(len(moved), trials),
            detail="; ".join(dict.fromkeys(moved)),
            doubts=(*record.missing, *silence_doubts(record, evidence)),
            captures=record.names,
        )

    def _thresholds(
        self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]
    ) -> Iterator[Measurement]:
        level = _level(discrete)
        record = Record(evidence, f"ramps-{level}")
        active = self._threshold(record, evidence, setup, discrete, active=True)
        inactive = self._threshold(record, evidence, setup, discrete, active=False)
        if discrete.sense is Sense.ACTIVE_LOW:
            hysteresis = difference(inactive, active)
        else:
            hysteresis = difference(active, inactive)
        for what, title, found in (
            ("threshold-active", "goes active at", active),
            ("threshold-inactive", "goes inactive at", inactive),
            ("hysteresis", "hysteresis", hysteresis),
        ):
            yield doubted(found, *held).measurement(
                id=f"{discrete.name}.{what}",
                limit=f"{level}-{what}",
                title=f"{discrete.title}: {title}",
                function=function_named(setup.unit, "discretes"),
                quantity_unit="V",
                pins=(discrete.pin,),
            )

    def _threshold(
        self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete, *, active: bool
    ) -> Estimate:
        ramps = record.stimuli(discrete.name)
        if len(ramps) < 3 or record.capture is None:
            return nothing(*(record.missing or (_cut_short(record.name),)))
        begin_s = ramps[1 if active else 2].time_s
        end_s = ramps[2].time_s if active else record.duration_s
        change = _change_to(record.reports(discrete.report), begin_s, end_s, state=active)
        if change is None:
            return nothing(
                *self._no_change(record, evidence, setup, discrete, window_s=(begin_s, end_s), active=active)
            )
        signal = voltage_signal(discrete.name)
        return crossing_on_ramp(record, signal, detected_s=change.time_s, delay=report_delay(setup))

    def _no_change(
        self,
        record: Record,
        evidence: Evidence,
        setup: Setup,
        discrete: Discrete,
        *,
        window_s: tuple[float, float],
        active: bool,
    ) -> tuple[Doubt, ...]:
        """Say whose it is that a ramp over the whole range changed nothing."""
        signal = voltage_signal(discrete.name)
        spoilt = (*record.doubts((signal,), *window_s), *silence_doubts(record, evidence))
        if spoilt:
            return spoilt
        reports = record.reports(discrete.report)
        if not reports:
            return (
                Doubt(
                    reason=f"{record.name}: {discrete.title} was never reported",
                    cause=Cause.UNDECIDED,
                    next_step="check the report's identifier in the unit sheet",
                ),
            )
        pin = record.smoothed(signal, *window_s)
        asked_v = RAMP_RATE_V_PER_S * ramp_of(discrete, setup.bench, RAMP_RATE_V_PER_S).duration_s
        if abs(float(pin[-1] - pin[0])) < MOVED_FRACTION * asked_v:
            return (
                Doubt(
                    reason=f"pin {discrete.pin} went from {pin[0]:.2f} V to {pin[-1]:.2f} V, not by {asked_v:.1f} V",
                    cause=Cause.UNDECIDED,
                    next_step=f"unplug the unit and drive line {discrete.name} again",
                ),
            )
        was = "active" if _state_at(reports, window_s[0]) else "inactive"
        wanted = "active" if active else "inactive"
        moved = f"while its pin went from {pin[0]:.2f} V to {pin[-1]:.2f} V"
        return (Doubt(reason=f"{discrete.title}, {was} before, did not go {wanted} {moved}", cause=Cause.UNIT),)

    def _pull_current(
        self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]
    ) -> Measurement:
        record = Record(evidence, "pull-up")
        found = self._short_current(record, setup, discrete)
        return doubted(found, *held).measurement(
            id=f"{discrete.name}.pull-current",
            limit="low-pull-current",
            title=f"{discrete.title}: pull-up current into a short",
            function=function_named(setup.unit, "discretes"),
            quantity_unit="A",
            pins=(discrete.pin,),
            notes=("from two loads through the stimulus resistor, carried on to 0 V at the pin",),
        )

    def _short_current(self, record: Record, setup: Setup, discrete: Discrete) -> Estimate:
        """Return I1 + V1 (I1 - I2) / (V2 - V1): the straight line through two loads, at 0 V (Thevenin)."""
        steps = list(steps_of(record, discrete.name))
        if len(steps) < 2:
            return nothing(*(record.missing or (_cut_short(record.name),)))
        facts = setup.bench
        resistor = bounded(
            facts.stimulus_resistance_ohm,
            facts.stimulus_resistance_bound * facts.stimulus_resistance_ohm,
            f"stimulus resistor {discrete.name}",
        )
        pins, currents = [], []
        for step_s, end_s, value_v in steps:
            pin = record.mean(voltage_signal(discrete.name), step_s + SETTLE_S, end_s - 0.005)
            bound_v = facts.stimulus_relative_bound * max(PULL_LEVELS_V) + facts.stimulus_absolute_bound_v
            drive = bounded(value_v, bound_v, f"stimulus {discrete.name}")  # one source: its zero error is shared
            pins.append(pin)
            currents.append(ratio(difference(pin, drive), resistor))
        slope = ratio(difference(currents[0], currents[1]), difference(pins[1], pins[0]))
        return total(currents[0], product(slope, pins[0]))


def _groups(setup: Setup) -> tuple[tuple[str, tuple[Discrete, ...]], ...]:
    found = []
    for sense in Sense:
        group = tuple(discrete for discrete in setup.unit.discretes if discrete.sense is sense)
        if group:
            found.append((f"ramps-{_level(group[0])}", group))
    return tuple(found)


def _pulled_up(setup: Setup) -> tuple[Discrete, ...]:
    return tuple(discrete for discrete in setup.unit.discretes if discrete.sense is Sense.ACTIVE_LOW)


def _level(discrete: Discrete) -> str:
    return "low" if discrete.sense is Sense.ACTIVE_LOW else "high"


def _trials(setup: Setup) -> int:
    return count(setup, "trials", 3)


def _rate(setup: Setup) -> float:
    return number(setup, "ramp_rate_v_per_s", RAMP_RATE_V_PER_S)


def _state_at(reports: Sequence[Event], time_s: float) -> bool | None:
    shown = [event for event in reports if event.time_s <= time_s]
    return bool(shown[-1].fields["state"]) if shown else None


def _change_to(reports: Sequence[Event], begin_s: float, end_s: float, *, state: bool) -> Event | None:
    """Return the first report of a state in a stretch that follows a report of the other one."""
    before: Event | None = None
    for event in reports:
        changed = before is not None and bool(before.fields["state"]) is not state
        if begin_s <= event.time_s < end_s and bool(event.fields["state"]) is state and changed:
            return event
        before = event
    return None


def _changed_between(reports: Sequence[Event], begin_s: float, end_s: float) -> bool:
    before = [event for event in reports if event.time_s < begin_s]
    within = [event for event in reports if begin_s <= event.time_s < end_s]
    return bool(before and within) and within[-1].fields["counter"] != before[-1].fields["counter"]


def _cut_short(name: str) -> Doubt:
    return Doubt(reason=f"{name}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
