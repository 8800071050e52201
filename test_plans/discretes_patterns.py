"""Discretes against each other: walking ones, walking zeroes and all pairs, every state read after every pattern.

Levels change together, at one sample, so that firmware which loses one of two edges in a scan shows it as well.
A pin that does not stand where it was driven is proved again with the unit unplugged.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from analysis.measurement import Doubt, Observation, Result
from analysis.verdict import Cause
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, discrete_needs, pin_capture, pins_of, wake
from test_plans.discrete_reports import report_doubts, state_at
from test_plans.driving import Action, drive_at, levels_of, play
from test_plans.held_pins import held_doubts, isolate_held_pins, reach_doubts
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
CAPTURE = "patterns"
HOLD_S = 0.110
CHECK_S = 0.100  # debounce, scan, and a frame for every discrete one behind the other
MOST_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Which discretes are active together, and in words."""

    active: frozenset[str]
    words: str


class DiscretePatterns:
    """Every discrete keeps its own state whatever the others do."""

    name = "discrete-patterns"
    title = "Discrete inputs: walking ones, zeroes and all pairs"
    conditions = ("voltage_v", "current_limit_a")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup, untested="Discretes against each other")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        return discrete_needs(setup, _capture_need(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Put the inputs through all patterns."""
        wake(rig, setup)
        discretes = setup.unit.discretes
        with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            stood: dict[str, bool] = {}
            for place, pattern in enumerate(patterns_of(discretes)):
                for discrete in discretes:
                    active = discrete.name in pattern.active
                    if stood.get(discrete.name) is not active:
                        levels = levels_of(discrete)
                        level_v = levels.active_v if active else levels.inactive_v
                        actions.append(drive_at(session, discrete.name, level_v, REPORTED_S + place * HOLD_S))
                    stood[discrete.name] = active
            play(session, actions)
            session.wait_until(_capture_need(setup).duration_s)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow again, with the unit unplugged."""
        if not isolate_held_pins(rig, setup, evidence, CAPTURE):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each discrete."""
        record = Record(evidence, CAPTURE)
        for discrete in setup.unit.discretes:
            yield self._keeps_its_state(record, evidence, setup, discrete)

    def _keeps_its_state(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        patterns = patterns_of(setup.unit.discretes)
        reports = record.reports(discrete.report)
        wrong = [
            pattern
            for place, pattern in enumerate(patterns)
            if record.capture is not None
            and state_at(reports, REPORTED_S + place * HOLD_S + CHECK_S) is not (discrete.name in pattern.active)
        ]
        return Observation(
            id=f"{discrete.name}.patterns",
            title=f"{discrete.title}: keeps its own state whatever the others do",
            function=function_named(setup.unit, "discretes"),
            statement=f"the state reported {1000.0 * CHECK_S:.0f} ms after every pattern is the one driven",
            trials=0 if record.capture is None else len(patterns),
            failures=len(wrong),
            detail=_detail(discrete, wrong),
            doubts=(
                *report_doubts(record, evidence, setup, discrete),
                *_cut_short(record, setup),
                *(held_doubts(evidence, setup, discrete, CAPTURE) or reach_doubts(record, setup, discrete)),
            ),
            captures=record.names,
            pins=(discrete.pin,),
        )


def patterns_of(discretes: Sequence[Discrete]) -> tuple[Pattern, ...]:
    """Return none active, each alone, each two, all but each, and all, in this order."""
    everyone = frozenset(discrete.name for discrete in discretes)
    return (
        Pattern(active=frozenset(), words="none active"),
        *(Pattern(active=frozenset((one.name,)), words=f"{one.title} alone active") for one in discretes),
        *(
            Pattern(active=frozenset((one.name, other.name)), words=f"{one.title} and {other.title} active")
            for one, other in combinations(discretes, 2)
        ),
        *(Pattern(active=everyone - {one.name}, words=f"all but {one.title} active") for one in discretes),
        Pattern(active=everyone, words="all active"),
    )


def _cut_short(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    last_s = REPORTED_S + (len(patterns_of(setup.unit.discretes)) - 1) * HOLD_S + CHECK_S
    if record.capture is None or record.duration_s >= last_s:
        return ()
    reason = f"{CAPTURE}: it ends after {record.duration_s:.1f} s, before the last pattern"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again"),)


def _detail(discrete: Discrete, wrong: Sequence[Pattern]) -> str:
    told = [
        f"not shown {'active' if discrete.name in pattern.active else 'inactive'} with {pattern.words}"
        for pattern in wrong
    ]
    more = f"; and with {len(told) - MOST_TOLD} more patterns" if len(told) > MOST_TOLD else ""
    return "; ".join(told[:MOST_TOLD]) + more


def _capture_need(setup: Setup) -> CaptureNeed:
    discretes = setup.unit.discretes
    duration_s = REPORTED_S + len(patterns_of(discretes)) * HOLD_S + 0.02
    return pin_capture(CAPTURE, discretes, sample_rate_hz=RATE_HZ, duration_s=duration_s)
