"""Bouncing contacts counted once: every closing and every opening, however it bounces, is one change.

Trains of 0.5, 1.6, 6.2 and 10 ms. 1.6 and 6.2 ms are mean and maximum over one set of switches, 1557 and 6200 us, as
a secondary source quotes a published survey; 0.5 and 10 ms are figures of the trade without a published source.
Longer bounce than the debounce bears is not tried: what it does there is nowhere specified.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt, Observation, Result
from test_plans.conditions import count
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, did_not_move, discrete_needs, pin_capture, pins_of, wake
from test_plans.discrete_reports import counted_between, report_doubts, unlike
from test_plans.discretes_latency import pin_edges
from test_plans.driving import Action, drive_at, generator, levels_of, play, spaced_instants
from test_plans.held_pins import reach_doubts
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

RATE_HZ = 10_000.0
CAPTURE = "bounce"
TRAINS_S = (0.0005, 0.0016, 0.0062, 0.0100)
GRID_S = 0.0002  # edges of a train are at least that far apart: two samples
TRIALS = 10  # closings, and as many openings, of each length
SPACING_S = (0.095, 0.115)
STAGGER_S = 0.007
AHEAD_S = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """One closing (`active`) or opening that bounces: when it begins, how long, and when the contact moves."""

    start_s: float
    length_s: float
    active: bool
    moves_s: tuple[float, ...]  # from `start_s`, the first 0, an odd number of them


class DiscreteBounce:
    """Counts every bouncing change once."""

    name = "discrete-bounce"
    title = "Discrete inputs: bouncing contacts"
    conditions = ("voltage_v", "current_limit_a", "trials")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup, untested="Bouncing contacts at the discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        return discrete_needs(setup, _capture_need(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Close and open every discrete, bouncing, with trains of its own."""
        wake(rig, setup)
        discretes = setup.unit.discretes
        with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            for discrete in discretes:
                levels = levels_of(discrete)
                for train in trains_of(setup, discrete):
                    for place, move_s in enumerate(train.moves_s):
                        active = train.active is (place % 2 == 0)
                        level_v = levels.active_v if active else levels.inactive_v
                        actions.append(drive_at(session, discrete.name, level_v, train.start_s + move_s))
            play(session, actions)
            session.wait_until(_capture_need(setup).duration_s)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each discrete."""
        record = Record(evidence, CAPTURE)
        for discrete in setup.unit.discretes:
            yield self._counted_once(record, evidence, setup, discrete)

    def _counted_once(self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        trains = trains_of(setup, discrete)
        counted = counted_between(
            record.reports(discrete.report), [*(train.start_s - AHEAD_S for train in trains), record.duration_s]
        )
        wrong = [] if record.capture is None else unlike(counted, 1)
        lengths = [f"{1000.0 * length_s:g} ms" for length_s in TRAINS_S]
        return Observation(
            id=f"{discrete.name}.bounce",
            title=f"{discrete.title}: counts a bouncing contact once",
            function=function_named(setup.unit, "discretes"),
            statement="the change counter goes up by one with every closing and every opening",
            trials=0 if record.capture is None else len(trains),
            failures=len(wrong),
            detail=_detail([trains[place] for place in wrong], [counted[place] for place in wrong]),
            doubts=_doubts(record, evidence, setup, discrete),
            captures=record.names,
            pins=(discrete.pin,),
            notes=(
                f"bounce of {', '.join(lengths)}; 1.6 and 6.2 ms as a survey of switches found, the others by trade",
            ),
        )


def trains_of(setup: Setup, discrete: Discrete) -> tuple[Train, ...]:
    """Return the trains of one discrete in order of time, closing and opening in turn; the same for every run."""
    key = f"discrete-bounce/{discrete.name}"
    lengths_s = generator(key, "order").permutation(np.repeat(TRAINS_S, _trials(setup)))
    place = setup.unit.discretes.index(discrete)
    starts_s = spaced_instants(
        2 * lengths_s.size,
        first_s=REPORTED_S + STAGGER_S * place,
        shortest_s=SPACING_S[0],
        longest_s=SPACING_S[1],
        key=key,
    )
    return tuple(
        Train(
            start_s=round(float(start_s) * RATE_HZ) / RATE_HZ,
            length_s=float(lengths_s[index // 2]),
            active=index % 2 == 0,
            moves_s=moves_of(float(lengths_s[index // 2]), key, str(index)),
        )
        for index, start_s in enumerate(starts_s)
    )


def moves_of(length_s: float, *key: str) -> tuple[float, ...]:
    """Return when a bouncing contact moves: at 0, at `length_s`, and an odd number of times at random between."""
    n_slots = math.floor(length_s / GRID_S + 1e-6)
    n_between = min(n_slots - 1, 1 + 2 * round(500.0 * length_s))
    n_between -= 1 - n_between % 2
    between = generator(*key).choice(np.arange(1, n_slots), size=n_between, replace=False)
    return (0.0, *(GRID_S * float(slot) for slot in np.sort(between)), length_s)


def _doubts(record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> tuple[Doubt, ...]:
    spoilt = report_doubts(record, evidence, setup, discrete)
    if spoilt:
        return spoilt
    asked, found = sum(len(train.moves_s) for train in trains_of(setup, discrete)), len(pin_edges(record, discrete))
    return reach_doubts(record, setup, discrete) if asked == found else (did_not_move(CAPTURE, discrete, found, asked),)


def _detail(trains: Sequence[Train], counted: Sequence[int | None]) -> str:
    told = [
        f"{'closing' if train.active else 'opening'} over {1000.0 * train.length_s:g} ms: "
        + ("not known" if found is None else str(found))
        for train, found in zip(trains, counted, strict=True)
    ]
    return "changes counted where one was made: " + "; ".join(told[:5]) + ("; and more" if len(told) > 5 else "")


def _trials(setup: Setup) -> int:
    return count(setup, "trials", TRIALS)


def _capture_need(setup: Setup) -> CaptureNeed:
    discretes = setup.unit.discretes
    n_trains = 2 * len(TRAINS_S) * _trials(setup)
    duration_s = REPORTED_S + STAGGER_S * len(discretes) + n_trains * SPACING_S[1] + 0.1
    return pin_capture(CAPTURE, discretes, sample_rate_hz=RATE_HZ, duration_s=duration_s)
