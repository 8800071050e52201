"""Debounce of the discretes, from their change counters: pulses too short leave no trace, long enough ones do.

All discretes are pulsed at once, each at its own random phase: their counters are independent witnesses.
"""

from collections.abc import Iterable

import numpy as np

from analysis.measurement import Doubt, Observation, Result
from analysis.verdict import Cause
from test_plans.conditions import count, number
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, discrete_needs, pin_capture, pins_of, wake
from test_plans.driving import Action, drive_at, levels_of, play, spaced_instants
from test_plans.held_pins import reach_doubts
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.reported_discretes import unreported_doubts
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.silence import silence_doubts

RATE_HZ = 10_000.0
PULSES = 20
SPACING_S = (0.065, 0.085)  # start to start: the pause between pulses is itself long enough to be accepted
BESIDE_S = 0.0001  # beside the sheet's figure, one sample
WIDTH_TOLERANCE_S = 0.00011  # achieved width, read at the pin


class DiscreteDebounce:
    """Rejects short pulses, accepts long ones."""

    name = "discrete-debounce"
    title = "Discrete inputs: debounce"
    conditions = ("voltage_v", "current_limit_a", "short_s", "long_s", "pulses")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup, untested="Debounce of the discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its two captures."""
        discretes, duration_s = setup.unit.discretes, _duration_s(setup)
        return discrete_needs(
            setup,
            *(
                pin_capture(name, discretes, sample_rate_hz=RATE_HZ, duration_s=duration_s)
                for name in ("short", "long")
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Pulse every discrete, first too short, then long enough."""
        wake(rig, setup)
        self._pulse(rig, setup, "short", _short_s(setup))
        self._pulse(rig, setup, "long", _long_s(setup))

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give two observations for each discrete."""
        for discrete in setup.unit.discretes:
            yield self._rejected(evidence, setup, discrete)
            yield self._accepted(evidence, setup, discrete)

    def _pulse(self, rig: Rig, setup: Setup, name: str, width_s: float) -> None:
        discretes = setup.unit.discretes
        with rig.capture(
            name, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES, pulse_width_s=width_s
        ) as session:
            actions: list[Action] = []
            for position, discrete in enumerate(discretes):
                levels = levels_of(discrete)
                starts = spaced_instants(
                    _pulses(setup),
                    first_s=REPORTED_S + 0.007 * position,
                    shortest_s=SPACING_S[0],
                    longest_s=SPACING_S[1],
                    key=f"{self.name}/{discrete.name}/{name}",
                )
                for start_s in np.round(starts * RATE_HZ) / RATE_HZ:
                    actions.append(drive_at(session, discrete.name, levels.active_v, float(start_s)))
                    actions.append(drive_at(session, discrete.name, levels.inactive_v, float(start_s) + width_s))
            play(session, actions)
            session.wait_until(_duration_s(setup))

    def _rejected(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        record = Record(evidence, "short")
        width_s = _short_s(setup)
        counted = _changes(record, discrete)
        pulses, achieved = _achieved(record, discrete, width_s)
        return Observation(
            id=f"{discrete.name}.rejects-short",
            title=f"{discrete.title}: rejects pulses of {1000.0 * width_s:.1f} ms",
            function=function_named(setup.unit, "discretes"),
            statement="the change counter stays where it is",
            trials=pulses,
            failures=min(pulses, (abs(counted) + 1) // 2) if counted is not None else 0,
            detail=f"the change counter went up by {counted} over {pulses} pulses",
            doubts=(*_doubts(record, evidence, setup, discrete, counted), *achieved),
            captures=record.names,
            pins=(discrete.pin,),
        )

    def _accepted(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> Observation:
        record = Record(evidence, "long")
        width_s = _long_s(setup)
        counted = _changes(record, discrete)
        pulses, achieved = _achieved(record, discrete, width_s)
        amiss = abs(2 * pulses - counted) if counted is not None else 0
        return Observation(
            id=f"{discrete.name}.accepts-long",
            title=f"{discrete.title}: accepts pulses of {1000.0 * width_s:.1f} ms",
            function=function_named(setup.unit, "discretes"),
            statement="the change counter goes up by two with each",
            trials=pulses,
            failures=min(pulses, (amiss + 1) // 2),
            detail=f"the change counter went up by {counted} over {pulses} pulses, not by {2 * pulses}",
            doubts=(*_doubts(record, evidence, setup, discrete, counted), *achieved),
            captures=record.names,
            pins=(discrete.pin,),
        )


def _changes(record: Record, discrete: Discrete) -> int | None:
    """Return how far the change counter went between a report before the first pulse and the last one after."""
    pulses = record.stimuli(discrete.name)
    if not pulses:
        return None
    reports = record.reports(discrete.report)
    before = [event for event in reports if event.time_s < pulses[0].time_s]
    after = [event for event in reports if event.time_s > pulses[-1].time_s + 0.1]
    if not before or not after:
        return None
    return int(after[-1].fields["counter"]) - int(before[-1].fields["counter"])


def _achieved(record: Record, discrete: Discrete, width_s: float) -> tuple[int, tuple[Doubt, ...]]:
    """Return how many pulses stood at the pin, and a doubt unless each was there and as long as it should be."""
    stimuli = record.stimuli(discrete.name)
    asked = len(stimuli) // 2
    if record.capture is None or not asked:
        return asked, ()
    levels = levels_of(discrete)
    pin = record.samples(voltage_signal(discrete.name))
    start = record.capture.span(0.0, stimuli[0].time_s - 0.01).stop
    resting, moved = float(np.median(pin[:start])), pin - np.median(pin[:start])
    swing = float(np.max(np.abs(moved))) if moved.size else 0.0
    active = np.abs(moved) > 0.5 * swing
    edges = np.flatnonzero(active[1:] != active[:-1])
    widths_s = np.diff(edges)[::2] / record.capture.sample_rate_hz
    follows = swing > 0.5 * abs(levels.active_v - levels.inactive_v)
    right = widths_s.size == asked and bool(np.all(np.abs(widths_s - width_s) <= WIDTH_TOLERANCE_S))
    if follows and right:
        return asked, ()
    return asked, (
        Doubt(
            reason=f"{record.name}: pin {discrete.pin} (at rest {resting:.2f} V) did not see {asked} pulses of "
            f"{1000.0 * width_s:.1f} ms",
            cause=Cause.UNDECIDED,
            next_step="see discrete-levels: whether the pin follows its stimulus without the unit",
            pin=discrete.pin,
        ),
    )


def _doubts(
    record: Record, evidence: Evidence, setup: Setup, discrete: Discrete, counted: int | None
) -> tuple[Doubt, ...]:
    """Return why a counter proves nothing. Reports lost between its two readings spoil nothing: it goes on counting."""
    period_s = setup.unit.bus.report_period_s
    found = [
        *record.gap_doubts(),
        *silence_doubts(record, evidence, period_s=period_s),
        *unreported_doubts(record, evidence, setup, discrete),
        *reach_doubts(record, setup, discrete),
    ]
    if counted is None and not found:
        found.append(
            Doubt(
                reason=f"{record.name}: {discrete.title} was not reported before and after its pulses",
                cause=Cause.UNDECIDED,
                next_step="check that the unit reports it periodically",
            )
        )
    return tuple(dict.fromkeys(found))


def _pulses(setup: Setup) -> int:
    return count(setup, "pulses", PULSES)


def _short_s(setup: Setup) -> float:
    return number(setup, "short_s", setup.unit.debounce_rejects_s - BESIDE_S)


def _long_s(setup: Setup) -> float:
    return number(setup, "long_s", setup.unit.debounce_accepts_s + BESIDE_S)


def _duration_s(setup: Setup) -> float:
    return REPORTED_S + _pulses(setup) * SPACING_S[1] + 0.2 + REPORTED_S
