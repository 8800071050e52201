"""Discrete inputs of a model that reports nothing: a person is asked which of the unit's lamps are lit.

A threshold is closed in by halving: the pin goes from surely inactive (or active) to a level, stands still, a person
looks, and the next level is half-way towards where the answer changes. That takes nine looks where a staircase of
equal steps takes forty for the same width, and every level is approached from the same side. Both last levels are
looked at twice, so that one wrong answer shows as a contradiction. The pin is sampled all the while: a threshold is
what the pin stood at, not what was asked of the stimulus. How fast the unit is can't be seen this way.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, combined, difference, resolved
from analysis.verdict import Cause
from test_plans.conditions import count
from test_plans.discrete_bench import discrete_needs, pin_capture, pins_of, wake
from test_plans.discrete_pins import RAMP_RATE_V_PER_S, pin_for, ramp_of
from test_plans.driving import levels_of
from test_plans.expected import reading, worst
from test_plans.held_pins import TRUTH, held_doubts, isolate_held_pins
from test_plans.looks import Probe, looks_of, probes_of, states_of, unsure_doubts
from test_plans.model_gaps import without_shown_discretes
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.pull_up import CAPTURE as PULL_UP
from test_plans.pull_up import LIMIT as PULL_LIMIT
from test_plans.pull_up import PULL_UP_S, expected_pull_current, load_pull_ups, pull_current, pulled_up
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named, voltage_signal

RATE_HZ = 1000.0
HALVINGS = 7  # 4 V of pin in steps of 30 mV; a plan gives others as `points`
AGAIN = 2  # both last levels once more
STILL_S = 0.25  # beyond the debounce: the pin stands still before anybody is asked
SETTLE_S = 0.05
AFTER_S = 0.02
PERSON_S = 2.0  # a person takes to look and answer; a simulated one takes none


class DiscreteLamps:
    """Truth, thresholds, hysteresis and pull-up current of discretes that only lamps show."""

    name = "discrete-lamps"
    title = "Discrete inputs by the unit's lamps: truth, thresholds, hysteresis, pull-up"
    conditions = ("voltage_v", "current_limit_a", "points", "trials")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_shown_discretes(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its captures: truth, one of thresholds for each discrete, pull-up."""
        shown = _shown(setup)
        looks = 1 + 2 * _trials(setup) * len(shown)
        groups = [(TRUTH, shown, looks * (_still_s(setup) + PERSON_S))]
        one_s = 2 * (_halvings(setup) + AGAIN) * (2 * _still_s(setup) + PERSON_S)
        groups += [(_capture(discrete), (discrete,), one_s) for discrete in shown]
        if pulled_up(setup):
            groups.append((PULL_UP, pulled_up(setup), PULL_UP_S))
        return discrete_needs(
            setup,
            *(
                pin_capture(name, group, sample_rate_hz=RATE_HZ, duration_s=duration_s, lines=())
                for name, group, duration_s in groups
            ),
            limits=(
                *_expected(setup),
                *(((PULL_LIMIT, expected_pull_current(setup)),) if pulled_up(setup) else ()),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Switch every discrete and look at all lamps, then close in every threshold, then load the pull-ups."""
        wake(rig, setup)
        self._switch_in_turn(rig, setup)
        for discrete in _shown(setup):
            with rig.capture(_capture(discrete), pins_of((discrete,)), sample_rate_hz=RATE_HZ):
                for becoming_active in (True, False):
                    self._close_in(rig, setup, discrete, becoming_active=becoming_active)
            rig.drive(discrete.name, levels_of(discrete).inactive_v)
        if pulled_up(setup):
            load_pull_ups(rig, setup)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow again, with the unit unplugged."""
        if not isolate_held_pins(rig, setup, evidence):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give truth, thresholds, hysteresis and pull-up current of every discrete, and that none moves another."""
        for discrete in _shown(setup):
            held = held_doubts(evidence, setup, discrete)
            yield self._truth(evidence, setup, discrete, held)
            yield from self._thresholds(evidence, setup, discrete, held)
            if discrete in pulled_up(setup):
                yield pull_current(evidence, setup, discrete, held)
        yield self._independence(evidence, setup)

    # Stimulation

    def _switch_in_turn(self, rig: Rig, setup: Setup) -> None:
        shown = _shown(setup)
        lamps = {discrete.name: discrete.shown_by for discrete in shown}
        with rig.capture(TRUTH, pins_of(shown), sample_rate_hz=RATE_HZ):
            rig.wait(_still_s(setup))
            _look_at_all(rig, lamps, expected=frozenset())
            for discrete in shown:
                levels = levels_of(discrete)
                for level_v in (levels.active_v, levels.inactive_v) * _trials(setup):
                    rig.drive(discrete.name, level_v)
                    rig.wait(_still_s(setup))
                    active = level_v == levels.active_v
                    _look_at_all(rig, lamps, expected=frozenset({discrete.name} if active else ()))

    def _close_in(self, rig: Rig, setup: Setup, discrete: Discrete, *, becoming_active: bool) -> None:
        """Halve the stretch in which the lamp changes, every level approached from the same resting level."""
        ramp = ramp_of(discrete, setup.bench, RAMP_RATE_V_PER_S)
        dark_v, lit_v = ramp.inactive_v, ramp.active_v
        for _ in range(_halvings(setup)):
            level_v = 0.5 * (dark_v + lit_v)
            lit = self._look_at(rig, setup, discrete, level_v, becoming_active=becoming_active)
            if lit is None:
                return  # nobody can say: the rest would be a guess
            dark_v, lit_v = (dark_v, level_v) if lit else (level_v, lit_v)
        for level_v in (dark_v, lit_v):
            self._look_at(rig, setup, discrete, level_v, becoming_active=becoming_active)

    def _look_at(
        self, rig: Rig, setup: Setup, discrete: Discrete, level_v: float, *, becoming_active: bool
    ) -> bool | None:
        levels = levels_of(discrete)
        rig.drive(discrete.name, levels.inactive_v if becoming_active else levels.active_v)
        rig.wait(_still_s(setup))
        rig.drive(discrete.name, level_v)
        rig.wait(_still_s(setup))
        lit = _look(rig, "Is it lit?", {discrete.name: discrete.shown_by})
        return None if lit is None else discrete.name in lit

    # Results

    def _truth(self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]) -> Observation:
        record = Record(evidence, TRUTH)
        active_v = levels_of(discrete).active_v
        shown = states_of(record, _shown(setup))
        trials = failures = 0
        for state in shown:
            if state.driven == discrete.name and state.lit is not None:
                trials += 1
                failures += (discrete.name in state.lit) is not (state.level_v == active_v)
        return Observation(
            id=f"{discrete.name}.truth",
            title=f"{discrete.title}: its lamp follows its switch",
            function=function_named(setup.unit, "discretes"),
            statement=f"{discrete.shown_by} is lit when the input is active, and dark when not",
            trials=trials,
            failures=failures,
            detail=f"{failures} of {trials} times the wrong state was seen, and seen again on a second look",
            doubts=(*record.missing, *record.gap_doubts(), *unsure_doubts(record, shown), *held),
            captures=record.names,
            pins=(discrete.pin,),
        )

    def _independence(self, evidence: Evidence, setup: Setup) -> Observation:
        record = Record(evidence, TRUTH)
        titles = {discrete.name: discrete.title for discrete in _shown(setup)}
        shown = states_of(record, _shown(setup))
        moved: list[str] = []
        trials = 0
        for before, state in pairwise(shown):
            if before.lit is not None and state.lit is not None:
                trials += 1
                others = (before.lit ^ state.lit) - {state.driven}
                moved.extend(f"{titles[other]} with {titles[state.driven]}" for other in sorted(others))
        return Observation(
            id="discretes.independence",
            title="Discretes: none moves with another",
            function=function_named(setup.unit, "discretes"),
            statement="no other lamp changes when one discrete is switched",
            trials=trials,
            failures=min(len(moved), trials),
            detail="; ".join(dict.fromkeys(moved)),
            doubts=(*record.missing, *unsure_doubts(record, shown)),
            captures=record.names,
            pins=tuple(discrete.pin for discrete in _shown(setup)),
        )

    def _thresholds(
        self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]
    ) -> Iterator[Measurement]:
        level = discrete.sense.level
        record = Record(evidence, _capture(discrete))
        active = self._threshold(record, discrete, becoming_active=True)
        inactive = self._threshold(record, discrete, becoming_active=False)
        low = discrete.sense is Sense.ACTIVE_LOW
        hysteresis = difference(inactive, active) if low else difference(active, inactive)
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
                notes=("by what a person saw of the lamp",),
            )

    def _threshold(self, record: Record, discrete: Discrete, *, becoming_active: bool) -> Estimate:
        """Return the middle between the last dark and the first lit level at the pin; its width is in the budget."""
        levels = levels_of(discrete)
        resting_v = levels.inactive_v if becoming_active else levels.active_v
        probes = [probe for probe in probes_of(record, discrete.name) if probe.from_v == resting_v]
        doubts = (*record.missing, *unsure_doubts(record, looks_of(record)))
        signal = voltage_signal(discrete.name)
        lit, dark = (
            [record.mean(signal, probe.driven_s + SETTLE_S, probe.looked_s) for probe in probes if probe.lit is state]
            for state in (True, False)
        )
        if doubts or not lit or not dark:
            return nothing(*(doubts or (_never_changed(discrete, probes, becoming_active=becoming_active),)))
        below, above = (lit, dark) if discrete.sense is Sense.ACTIVE_LOW else (dark, lit)
        lower = max(below, key=lambda reading: reading.value)
        upper = min(above, key=lambda reading: reading.value)
        twice = {probe.level_v for probe in probes if probe.lit} & {probe.level_v for probe in probes if not probe.lit}
        if twice or lower.value > upper.value:
            return nothing(_contradiction(discrete, lower.value, upper.value))
        found = _between(lower, upper, f"{record.name} from {resting_v:g} V")
        return doubted(found, *record.doubts((signal,)), *record.gap_doubts())


def _look(rig: Rig, question: str, lamps: Mapping[str, str]) -> frozenset[str] | None:
    """Ask, then wait a little: what is driven next must not stand at the same instant as the answer."""
    lit = rig.look(question, lamps)
    rig.wait(AFTER_S)
    return lit


def _look_at_all(rig: Rig, lamps: Mapping[str, str], *, expected: frozenset[str]) -> None:
    """Ask which lamps are lit, and once more where that is not what a good unit shows: one slip must not fail it."""
    if _look(rig, "Which of these are lit?", lamps) != expected:
        _look(rig, "Please look again: which of these are lit?", lamps)


def _between(lower: Estimate, upper: Estimate, where: str) -> Estimate:
    """Return the middle between two levels with a threshold anywhere between them."""
    width = resolved(0.0, abs(upper.value - lower.value), f"width between looks, {where}")
    return combined(0.5 * (lower.value + upper.value), ((lower, 0.5), (upper, 0.5), (width, 1.0)))


def _expected(setup: Setup) -> Iterator[tuple[str, float]]:
    """Yield the uncertainty of thresholds and hysteresis, by their limits, the worst of each kind of discrete."""
    for sense in Sense:
        found: dict[str, list[Estimate]] = {"threshold-active": [], "threshold-inactive": [], "hysteresis": []}
        for discrete in (shown for shown in _shown(setup) if shown.sense is sense):
            active, inactive = (
                _expected_threshold(setup, discrete, level_v)
                for level_v in (discrete.threshold_active_v, discrete.threshold_inactive_v)
            )
            for what, entry in zip(found, (active, inactive, difference(active, inactive)), strict=True):
                found[what].append(entry)
        yield from ((f"{sense.level}-{what}", worst(*entries)) for what, entries in found.items() if entries)


def _expected_threshold(setup: Setup, discrete: Discrete, level_v: float) -> Estimate:
    """Return what halving will leave of the stretch between surely inactive and surely active."""
    ramp, facts = ramp_of(discrete, setup.bench, RAMP_RATE_V_PER_S), setup.bench
    swing_v = abs(pin_for(discrete, facts, ramp.active_v) - pin_for(discrete, facts, ramp.inactive_v))
    half_v, signal = swing_v / 2 ** (_halvings(setup) + 1), voltage_signal(discrete.name)
    lower, upper = (reading(setup, signal, level_v + side * half_v) for side in (-1.0, 1.0))
    return _between(lower, upper, f"at {level_v:g} V")


def _never_changed(discrete: Discrete, probes: Sequence[Probe], *, becoming_active: bool) -> Doubt:
    """Say that the lamp showed the same whatever the pin did. A pin that was held has its own doubt besides."""
    if not probes:
        reason = f"{discrete.title}: no look at its lamp was taken"
        return Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again")
    shown = "lit" if probes[0].lit else "dark"
    rest, wanted = ("inactive", "active") if becoming_active else ("active", "inactive")
    return Doubt(
        reason=f"{discrete.shown_by} stayed {shown} at every level from surely {rest} to surely "
        f"{wanted}: {discrete.title} did not go {wanted}",
        cause=Cause.UNIT,
    )


def _contradiction(discrete: Discrete, lower_v: float, upper_v: float) -> Doubt:
    return Doubt(
        reason=f"{discrete.title}: what was seen of {discrete.shown_by} between {upper_v:.2f} V and {lower_v:.2f} V "
        "contradicts itself",
        cause=Cause.UNDECIDED,
        next_step="run it again and look twice: one answer was wrong, or the threshold wanders",
    )


def _shown(setup: Setup) -> tuple[Discrete, ...]:
    return tuple(discrete for discrete in setup.unit.discretes if discrete.shown_by)


def _capture(discrete: Discrete) -> str:
    return f"{discrete.name}.thresholds"


def _halvings(setup: Setup) -> int:
    return count(setup, "points", HALVINGS)


def _trials(setup: Setup) -> int:
    return count(setup, "trials", 2)


def _still_s(setup: Setup) -> float:
    return setup.unit.debounce_accepts_s + STILL_S
