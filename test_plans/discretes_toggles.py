"""A thousand toggles of every discrete: none missed, none counted twice.

All discretes are toggled at once, each at its own random phase, on and off five times a second. Every change is held
against the counter before the next one, so a missed change and an extra one never make up for each other.
"""

from collections.abc import Iterable, Iterator, Sequence
from heapq import merge

from analysis.measurement import Observation, Result
from test_plans.conditions import count
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, did_not_move, discrete_needs, pin_capture, pins_of, wake
from test_plans.discrete_reports import counted_between, report_doubts, unlike
from test_plans.discretes_latency import pin_edges
from test_plans.driving import Action, drive_at, levels_of, play_in_order, spaced_instants
from test_plans.held_pins import reach_doubts
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import CaptureSession, Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
CAPTURE = "toggles"
TOGGLES = 1000  # each on and off
SPACING_S = (0.090, 0.110)  # change to change
STAGGER_S = 0.007
AHEAD_S = 0.001
MOST_TOLD = 5


class DiscreteToggles:
    """Missed and extra changes over many toggles."""

    name = "discrete-toggles"
    title = "Discrete inputs: a thousand toggles"
    conditions = ("voltage_v", "current_limit_a", "toggles")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup, untested="Many toggles of the discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        return discrete_needs(setup, self._capture_need(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Toggle every discrete."""
        wake(rig, setup)
        discretes = setup.unit.discretes
        with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            each = [self._actions(session, setup, discrete) for discrete in discretes]
            play_in_order(session, merge(*each, key=lambda action: action[0]))
            session.wait_until(self._capture_need(setup).duration_s)

    def _actions(self, session: CaptureSession, setup: Setup, discrete: Discrete) -> Iterator[Action]:
        """Yield the changes of one discrete; made on the way, for in all they are tens of thousands."""
        levels = levels_of(discrete)
        for place, at_s in enumerate(self.instants_s(setup, discrete)):
            yield drive_at(session, discrete.name, levels.active_v if place % 2 == 0 else levels.inactive_v, at_s)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each discrete."""
        record = Record(evidence, CAPTURE)
        for discrete in setup.unit.discretes:
            yield self._counted(record, evidence, setup, discrete)

    def instants_s(self, setup: Setup, discrete: Discrete) -> tuple[float, ...]:
        """Return when a discrete changes, on the sample grid; the same for every run."""
        found_s = spaced_instants(
            2 * _toggles(setup),
            first_s=REPORTED_S + STAGGER_S * setup.unit.discretes.index(discrete),
            shortest_s=SPACING_S[0],
            longest_s=SPACING_S[1],
            key=f"{self.name}/{discrete.name}",
        )
        return tuple(round(float(instant_s) * RATE_HZ) / RATE_HZ for instant_s in found_s)

    def _capture_need(self, setup: Setup) -> CaptureNeed:
        last_s = max(self.instants_s(setup, discrete)[-1] for discrete in setup.unit.discretes)
        return pin_capture(CAPTURE, setup.unit.discretes, sample_rate_hz=RATE_HZ, duration_s=last_s + 0.15)

    def _counted(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        instants_s = self.instants_s(setup, discrete)
        spoilt = report_doubts(record, evidence, setup, discrete)
        counted: list[int | None] = []
        if not spoilt:
            found = len(pin_edges(record, discrete))
            spoilt = reach_doubts(record, setup, discrete)
            if found != len(instants_s):
                spoilt = (did_not_move(CAPTURE, discrete, found, len(instants_s)),)
            ahead_s = [*(instant_s - AHEAD_S for instant_s in instants_s), record.duration_s]
            counted = counted_between(record.reports(discrete.report), ahead_s)
        wrong = unlike(counted, 1)
        return Observation(
            id=f"{discrete.name}.toggles",
            title=f"{discrete.title}: every toggle counted, none twice",
            function=function_named(setup.unit, "discretes"),
            statement="the change counter goes up by one between a change at the pin and the next",
            trials=len(counted),
            failures=len(wrong),
            detail=_detail(instants_s, counted, wrong),
            doubts=spoilt,
            captures=record.names,
            pins=(discrete.pin,),
        )


def _detail(instants_s: Sequence[float], counted: Sequence[int | None], wrong: Sequence[int]) -> str:
    missed = sum(counted[place] == 0 for place in wrong)
    extra = sum(max(0, (counted[place] or 0) - 1) for place in wrong)
    where = ", ".join(f"{instants_s[place]:.2f} s" for place in wrong[:MOST_TOLD])
    return f"{missed} changes missed, {extra} too many; at {where}" + (" and later" if len(wrong) > MOST_TOLD else "")


def _toggles(setup: Setup) -> int:
    return count(setup, "toggles", TOGGLES)
