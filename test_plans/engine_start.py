"""Engine start: profiles of the bus played at the unit's pins, and what the unit sheet requires in each.

Every profile is shot a little harder than asked; what the unit comes through there it comes through as asked. Where it
does not, a shot a little softer than asked tells whether that is the unit's. The hold-up output is loaded at its rated
power by a resistor, which stands in for a display: falling, a display would draw more.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.measurement import Curve, Doubt, Observation, Result
from analysis.survival import Shot, survival
from analysis.verdict import Cause
from test_plans.conditions import MissingFigureError, names
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.profile import LADDER, Behaviour, Certainty, Profile, Required
from test_plans.profile_needs import shot_functions, shot_needs
from test_plans.profile_readings import (
    Reading,
    hold_up_behaved,
    logic_behaved,
    motion_doubts,
    read_shot,
    tried,
)
from test_plans.profile_shot import (
    Side,
    capture_name,
    capture_need,
    hold_up_of,
    leave,
    make_ready,
    moving_outputs,
    shoot,
)
from test_plans.profile_way import Way, way
from test_plans.readings import Record
from test_plans.reset_counts import asked_for, counted_over
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import function_named

APART_S = 0.3  # of bench time, between shots
STARTS_S = 6.0
PLOTTED_POINTS = 1200
LARGER_S = 0.05  # drawn before and after


class EngineStart:
    """Survival of profiles of the bus, by what the unit sheet requires in each."""

    name = "engine-start"
    title = "Engine start: profiles of the bus"
    disturbs_bus = True
    conditions = ("profiles", "current_limit_a")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model is left out: its sheet requires nothing in any profile of the step, or in any at all."""
        if _required(setup) or (setup.unit.profiles and not names(setup, "profiles", ())):
            return None
        reason = f"the sheet of model {setup.unit.model} requires nothing in the profiles of the plan"
        return NotForModel(reason=reason, untested="Dips and breaks of the bus, such as at engine start")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function, the hold-up output's, and those of what must not move."""
        return shot_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a capture for each profile that this bench can follow, and the ways it follows them.

        Raises:
            MissingFigureError: the step names no profile, so nothing would be shot.
        """
        if not names(setup, "profiles", ()):
            raise MissingFigureError(f"step {setup.step.procedure} names no profiles", "conditions.profiles")
        ways = {name: way(profile, setup) for name, profile in _required(setup).items()}
        feasible = [profile for name, profile in _required(setup).items() if ways[name].means is not None]
        needs = shot_needs(
            setup,
            [capture_need(one, setup, Side.HARD) for one in feasible],
            list(ways.values()),
            highest_v=max((one.highest_v for one in feasible), default=0.0),
            apart_s=STARTS_S + len(feasible) * APART_S,
        )
        return replace(needs, untested=_left_out(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Shoot every profile once, on the hard side."""
        make_ready(rig, setup)
        for profile in _feasible(setup):
            shoot(rig, setup, profile, Side.HARD)
        leave(rig, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Shoot a profile on the soft side where the hard shot was lost, each time after a power cycle."""
        lost = [
            profile
            for profile in _feasible(setup)
            if not evidence.has(capture_name(profile, Side.SOFT)) and _lost(profile, setup, evidence)
        ]
        for profile in lost:
            make_ready(rig, setup, afresh=True)
            shoot(rig, setup, profile, Side.SOFT)
        if lost:
            make_ready(rig, setup, afresh=True)
            leave(rig, setup)
        return bool(lost)

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for every profile what hold-up output and logic did, that nothing moved, and the course achieved."""
        for profile in _required(setup).values():
            ahead = way(profile, setup)
            yield from _judged(profile, setup, _readings(profile, setup, evidence), ahead)
            yield _picture(profile, setup, evidence)
        yield from asked_for(self.name, counted_over(evidence), setup)


def _required(setup: Setup) -> dict[str, Profile]:
    """Return the step's profiles in which the unit sheet requires something, as the plan names them."""
    named = names(setup, "profiles", ())
    return {name: setup.plan.profiles[name] for name in named if setup.plan.profiles[name].name in setup.unit.profiles}


def _left_out(setup: Setup) -> tuple[str, ...]:
    """Return what the step leaves out: profiles in which the unit sheet requires something, and dimming outputs."""
    played = {profile.name for profile in _required(setup).values()}
    others = [name for name in setup.unit.profiles if name not in played and name != LADDER]
    unnamed = (f"profiles in which the unit sheet requires something: {', '.join(others)}",) if others else ()
    return (*unnamed, *(("whether dimming outputs flash or go dark in a profile",) if setup.unit.dimming else ()))


def _feasible(setup: Setup) -> list[Profile]:
    return [profile for profile in _required(setup).values() if way(profile, setup).means is not None]


def _readings(profile: Profile, setup: Setup, evidence: Evidence) -> list[Reading]:
    """Return the shots that were taken at a profile."""
    taken = [capture_name(profile, side) for side in Side]
    return [read_shot(Record(evidence, name), profile, setup) for name in taken if evidence.has(name)]


def _lost(profile: Profile, setup: Setup, evidence: Evidence) -> bool:
    """Say whether any function did not do in the hard shot what is required, or the shot shows nothing."""
    results = _judged(profile, setup, _readings(profile, setup, evidence), way(profile, setup))
    return any(one.doubts or one.failures for one in results)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked of a function in a profile, and the shots as its answers: reading, shot, what was seen in words."""

    id: str
    title: str
    function: str
    statement: str
    shots: Sequence[tuple[Reading, Shot, str]]
    notes: tuple[str, ...] = ()


def _judged(profile: Profile, setup: Setup, readings: Sequence[Reading], ahead: Way) -> Iterator[Observation]:
    for question in questions(setup.unit.profiles[profile.name], setup, readings):
        yield _observation(profile, ahead, question, setup)


def questions(required: Required, setup: Setup, readings: Sequence[Reading]) -> Iterator[Question]:
    """Yield what is asked of each function in shots at one profile, by what the unit sheet requires in it."""
    power, output = function_named(setup.unit, "power"), hold_up_of(setup)
    if required.hold_up is not None and output is not None:
        held = [(one, *hold_up_behaved(one, required.hold_up, setup)) for one in readings]
        yield Question(
            id="hold-up",
            title="hold-up output at its rated power",
            function=output.function,
            statement=_statement(required.hold_up),
            shots=[(one, one.shot(behaved=behaved, besides=doubts), said) for one, behaved, said, doubts in held],
            notes=("loaded by a resistor, which stands in for a display",),
        )
    if required.logic is not None:
        logic = [(one, *logic_behaved(one, required.logic)) for one in readings]
        yield Question(
            id="logic",
            title="logic",
            function=power,
            statement=_statement(required.logic),
            shots=[(one, one.shot(behaved=behaved, besides=doubts), said) for one, behaved, said, doubts in logic],
        )
    yield Question(
        id="no-motion",
        title="nothing moves by itself",
        function=power,
        statement=f"each of {len(moving_outputs(setup))} outputs stays idle, whatever the bus does",
        shots=[_motion(one, setup) for one in readings],
    )
    if "configuration" in setup.unit.bus.reports and required.logic is not Behaviour.POWER_CYCLE:
        yield Question(
            id="configuration",
            title="configuration",
            function=power,
            statement="the unit reports the same configuration before and after",
            shots=[_configuration(one) for one in readings],
        )


def _motion(reading: Reading, setup: Setup) -> tuple[Reading, Shot, str]:
    shot = reading.shot(behaved=not reading.moved, at_any_level=True, besides=motion_doubts(reading, setup))
    return reading, shot, ", ".join(reading.moved)


def _configuration(reading: Reading) -> tuple[Reading, Shot, str]:
    known = reading.configurations
    doubts: tuple[Doubt, ...] = ()
    if len(known) < 2:
        reason = f"{reading.record.name}: the configuration was not reported before and after"
        doubts = (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="check that reports come at all"),)
    same = len(set(known)) <= 1
    said = "" if same else f"it reported {known[0]} before and {known[-1]} after"
    return reading, reading.shot(behaved=same, at_any_level=True, besides=doubts), said


def _observation(profile: Profile, ahead: Way, question: Question, setup: Setup) -> Observation:
    found = survival([shot for _, shot, _ in question.shots])
    doubts = found.doubts
    if ahead.means is None:
        reason = f"this bench can't follow {profile.title}: {ahead.lacking}"
        doubts = (Doubt(reason=reason, cause=Cause.BENCH, next_step=f"get {ahead.remedy}"),)
    elif doubts and (spoilt := [doubt for _, shot, _ in question.shots for doubt in shot.spoilt]):
        doubts = tuple(dict.fromkeys(spoilt))  # what is wrong with the shots says more than that none counted
    said = [f"{reading.record.name}: {words}" for reading, shot, words in question.shots if words and not shot.behaved]
    return Observation(
        id=f"engine-start.{profile.name}.{question.id}",
        title=f"{profile.title}: {question.title}",
        function=question.function,
        statement=question.statement,
        trials=found.trials,
        failures=found.failures,
        detail="; ".join(said),
        source=source_of(profile),
        doubts=doubts,
        captures=tuple(name for reading, _, _ in question.shots for name in reading.record.names),
        pins=pins_of(setup, question.function),
        notes=(
            *(f"{reading.record.name}: {reading.achieved}" for reading, _, _ in question.shots),
            *question.notes,
            *((f"unverified: {', '.join(profile.unverified)}",) if profile.unverified else ()),
        ),
    )


def pins_of(setup: Setup, function: str) -> tuple[str, ...]:
    """Return the power pin, and that of the hold-up output where a finding speaks of it."""
    output = hold_up_of(setup)
    held = output is not None and output.function == function
    return (setup.unit.power_pin, *((output.plus_pin,) if output is not None and held else ()))


def _statement(required: Behaviour) -> str:
    return f"{required.value} (class {required.class_letter} of ISO 16750-1)"


def source_of(profile: Profile) -> str:
    """Return where the figures of a profile come from, as a finding quotes it."""
    edition = f" ({profile.edition})" if profile.edition else ""
    origin = f", of {profile.origin} origin"
    unsure = f", {profile.certainty.value}" if profile.certainty is Certainty.UNVERIFIED else ""
    return f"{profile.source}{edition}{origin}{unsure}"


def _picture(profile: Profile, setup: Setup, evidence: Evidence) -> Curve:
    """Draw what was asked and what stood at the pins in the first try of the hard shot, and the hold-up output."""
    output, record = hold_up_of(setup), Record(evidence, capture_name(profile, Side.HARD))
    series: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    tries = tried(record, profile)
    if tries and record.capture is not None:
        from_s, to_s = tries[0][0], tries[-1][1] if profile.opens else tries[0][1]
        start_s = max(0.0, from_s - LARGER_S)
        shown = {
            "at the pins": "unit.voltage",
            **({} if output is None else {"hold-up output": f"{output.name}.voltage"}),
        }
        if not profile.opens:
            times = np.linspace(0.0, profile.duration_s, PLOTTED_POINTS)
            series["asked"] = (tuple(times.tolist()), tuple(profile.voltage_v(times).tolist()))
        for title, signal in shown.items():
            values = record.samples(signal, start_s, to_s + LARGER_S)
            step = max(1, values.size // PLOTTED_POINTS)
            times = np.arange(values.size) / record.capture.sample_rate_hz - (from_s - start_s)
            series[title] = (tuple(times[::step].tolist()), tuple(values[::step].tolist()))
    return Curve(
        id=f"engine-start.{profile.name}.course",
        title=f"{profile.title}: the bus asked and achieved",
        function=function_named(setup.unit, "power"),
        x_label="time, s",
        y_label="V",
        series=series,
        capture=record.name if record.capture else "",
    )
