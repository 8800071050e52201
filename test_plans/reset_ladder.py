"""A reset ladder: the bus drops from the lowest working voltage by 5 % of it, then by 10 %, and so on down to nothing.

After each rung it goes back to where it came from, and the unit must do there what its sheet requires. The order of
ISO 16750-2, 4.6.2: a comparison of road-vehicle origin, no requirement of an aircraft. A unit whose reset circuit needs
a bus that is gone shows itself here: it is left standing at every twentieth in turn.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analysis.measurement import Doubt, Observation, Result
from analysis.survival import Survival, survival
from analysis.verdict import Cause
from test_plans.conditions import number
from test_plans.engine_start import Question, pins_of, questions, source_of
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.profile import LADDER, Certainty, Profile, Segment
from test_plans.profile_needs import shot_functions, shot_needs
from test_plans.profile_readings import Reading, read_shot
from test_plans.profile_shot import (
    AFTER_S,
    STRAY_V,
    TAIL_S,
    Side,
    capture_name,
    capture_need,
    leave,
    make_ready,
    reading_bound_v,
    shoot,
)
from test_plans.profile_way import Way, way
from test_plans.readings import Record
from test_plans.reset_counts import asked_for, counted_over
from test_plans.rig import Rig
from test_plans.sheets import Setup

STEP_PART = 0.05  # ISO 16750-2:2023, 4.6.2
N_RUNGS = 20  # down to 0 V
HOLD_S, BACK_S = 5.0, 10.0  # ISO 16750-2:2023, 4.6.2: at least
EDGE_V_PER_S = 50.0  # the standard gives none
ARRIVES_S = 0.1
APART_S, STARTS_S = 0.3, 6.0
MOST_SAID = 3
UNVERIFIED = ("how fast the bus moves between two levels", "what is looked at after each rung")


def rungs_v(lowest_v: float) -> tuple[float, ...]:
    """Return the levels of the ladder from a lowest working voltage, in V: 5 % of it below it, 10 %, down to 0."""
    return tuple(round(lowest_v * (1.0 - STEP_PART * place), 4) for place in range(1, N_RUNGS + 1))


class ResetLadder:
    """The unit's behaviour after each rung of a reset ladder."""

    name = "reset-ladder"
    title = "Reset ladder: the bus down by one twentieth after the other"
    conditions = ("voltage_v", "hold_s", "settle_s", "current_limit_a")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model is left out: its sheet requires nothing of it."""
        if LADDER in setup.unit.profiles:
            return None
        reason = f"the sheet of model {setup.unit.model} requires nothing in profile {LADDER}"
        return NotForModel(reason=reason, untested="Reset from a bus left standing at any voltage")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function and the hold-up output's."""
        return shot_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a capture for each rung, and how the bench follows the deepest of them."""
        ahead = _ahead(setup)
        feasible = _ladder(setup) if ahead.means is not None else ()
        return shot_needs(
            setup,
            [capture_need(one, setup, Side.HARD) for one in feasible],
            [ahead],
            highest_v=setup.unit.nominal_voltage_v,
            apart_s=STARTS_S + len(feasible) * APART_S,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the first rung."""
        if _ahead(setup).means is not None:
            make_ready(rig, setup)
            shoot(rig, setup, _ladder(setup)[0], Side.HARD)
            leave(rig, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Take the other rungs; one that is lost a little softer again, each time after a power cycle."""
        first, *others = _ladder(setup)
        if not evidence.has(capture_name(first, Side.HARD)) or evidence.has(capture_name(others[-1], Side.HARD)):
            return False
        make_ready(rig, setup)
        for profile in (first, *others):
            if profile is not first:
                shoot(rig, setup, profile, Side.HARD)
            if _lost(_rung(profile, setup, evidence)):
                make_ready(rig, setup, afresh=True)
                shoot(rig, setup, profile, Side.SOFT)
                make_ready(rig, setup, afresh=True)
        leave(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each function after how many rungs it did what is required."""
        rungs = [_rung(profile, setup, evidence) for profile in _ladder(setup)]
        asked = {question.id: None for rung in rungs for question in rung.questions}
        for id_ in asked:
            yield _observation(id_, rungs, setup)
        yield from asked_for(self.name, counted_over(evidence), setup)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rung:
    """What was seen after one rung."""

    profile: Profile
    readings: Sequence[Reading]
    questions: tuple[Question, ...]

    def question(self, id_: str) -> Question:
        return next(question for question in self.questions if question.id == id_)

    def found(self, id_: str) -> Survival:
        return survival([shot for _, shot, _ in self.question(id_).shots])


def _rung(profile: Profile, setup: Setup, evidence: Evidence) -> _Rung:
    taken = [name for side in Side if evidence.has(name := capture_name(profile, side))]
    readings = [read_shot(Record(evidence, name), profile, setup) for name in taken]
    asked = tuple(questions(setup.unit.profiles[LADDER], setup, readings))
    return _Rung(profile=profile, readings=readings, questions=asked)


def _lost(rung: _Rung) -> bool:
    found = [rung.found(question.id) for question in rung.questions]
    return any(one.doubts or one.failures for one in found)


def _base_v(setup: Setup) -> float:
    return number(setup, "voltage_v", setup.unit.lowest_voltage_v)


def _ladder(setup: Setup) -> tuple[Profile, ...]:
    """Return the rungs as profiles, the highest first."""
    base_v, hold_s = _base_v(setup), number(setup, "hold_s", HOLD_S)
    # Every shot stays for the latter two besides; the stairs of a hard one end below what they rise to.
    stays_s = max(ARRIVES_S, number(setup, "settle_s", BACK_S) - TAIL_S - AFTER_S)
    nothing_v = reading_bound_v(setup, 0.0) + setup.bench.supply.set_absolute_bound_v + STRAY_V
    found = []
    for level_v in rungs_v(base_v):
        bottom_v = max(level_v, round(nothing_v, 3))  # as near to 0 V as the bench can tell
        edge_s = (base_v - bottom_v) / EDGE_V_PER_S
        found.append(
            Profile(
                name=f"ladder-{round(1e3 * level_v)}mv",
                title=f"Reset ladder, {level_v:.2f} V",
                origin="road vehicle",
                edition="2023",
                source="ISO 16750-2, 4.6.2",
                certainty=Certainty.PUBLISHED,
                unverified=UNVERIFIED,
                nominal_voltage_v=setup.unit.nominal_voltage_v,
                starts_at_v=base_v,
                segments=(
                    Segment(duration_s=edge_s, voltage_v=bottom_v, level=False),
                    Segment(duration_s=hold_s, voltage_v=bottom_v, level=True),
                    Segment(duration_s=edge_s, voltage_v=base_v, level=False),
                    Segment(duration_s=stays_s, voltage_v=base_v, level=True),
                ),
            )
        )
    return tuple(found)


def _ahead(setup: Setup) -> Way:
    return way(_ladder(setup)[-1], setup)


def _observation(id_: str, rungs: Sequence[_Rung], setup: Setup) -> Observation:
    """Return what all rungs show of one question; a rung that shows nothing leaves it open, unless another failed."""
    first, found = rungs[0].question(id_), {rung.profile.title: rung.found(id_) for rung in rungs}
    failed = [rung for rung in rungs if found[rung.profile.title].failures]
    shown = [title for title, one in found.items() if one.trials]
    profile = rungs[0].profile
    return Observation(
        id=f"{LADDER}.{id_}",
        title=f"Reset ladder from {_base_v(setup):.2f} V: {first.title}",
        function=first.function,
        statement=first.statement,
        trials=len(shown),
        failures=len(failed),
        detail="; ".join(f"{rung.profile.title}: {_said(rung, id_)}" for rung in failed[:MOST_SAID]),
        source=source_of(profile),
        doubts=() if failed else tuple(dict.fromkeys(_doubts(id_, rungs, setup))),
        captures=tuple(reading.record.name for rung in rungs for reading in rung.readings),
        pins=pins_of(setup, first.function),
        notes=(
            *first.notes,
            *(f"{one.record.name}: {one.achieved}" for rung in (failed or rungs[-1:]) for one in rung.readings),
            *_shortened(setup),
            f"unverified: {', '.join(profile.unverified)}",
        ),
    )


def _doubts(id_: str, rungs: Sequence[_Rung], setup: Setup) -> Iterator[Doubt]:
    ahead = _ahead(setup)
    if ahead.means is None:
        reason = f"this bench can't follow the ladder: {ahead.lacking}"
        yield Doubt(reason=reason, cause=Cause.BENCH, next_step=f"get {ahead.remedy}")
        return
    for rung in rungs:
        if not rung.found(id_).trials:
            spoilt = [doubt for _, shot, _ in rung.question(id_).shots for doubt in shot.spoilt]
            yield from spoilt or rung.found(id_).doubts


def _said(rung: _Rung, id_: str) -> str:
    """Say what was seen in the shots that went wrong."""
    return ", ".join(dict.fromkeys(words for _, shot, words in rung.question(id_).shots if words and not shot.behaved))


def _shortened(setup: Setup) -> Iterator[str]:
    """Yield that the step holds for less than the standard asks."""
    hold_s, back_s = number(setup, "hold_s", HOLD_S), number(setup, "settle_s", BACK_S)
    if hold_s < HOLD_S or back_s < BACK_S:
        yield f"shortened: {hold_s:g} s at each rung and {back_s:g} s back, {HOLD_S:g} s and {BACK_S:g} s in the source"
