"""Pulse widths swept over the debounce: the longest one rejected, the shortest one accepted, by the change counters.

Between the two outcomes mix, for the debounce is a count of scans and the pulse falls anywhere on them. So the sheet's
figures bound the mixed stretch from outside: nothing that long may be rejected, nothing that short accepted. Every
discrete is pulsed in an order and at a phase of its own; the width is what stood at the pin.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Curve, Doubt, Measurement, Result
from analysis.verdict import Cause
from test_plans.conditions import count
from test_plans.discrete_bench import PIN_LINES, REPORTED_S, did_not_move, discrete_needs, pin_capture, pins_of, wake
from test_plans.discrete_reports import counted_between, report_doubts
from test_plans.discretes_latency import pin_edges
from test_plans.driving import Action, drive_at, generator, levels_of, play, spaced_instants
from test_plans.expected import typical
from test_plans.held_pins import reach_doubts
from test_plans.model_gaps import without_limit, without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sampled_time import interval, interval_in
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

RATE_HZ = 10_000.0
CAPTURE = "widths"
STEP_S = 0.0005
BESIDE_S = 0.0002  # widths lie that far beside whole steps: at the sheet's very figures nothing is promised
BEYOND_S = 0.001  # on each side of the sheet's figures
PULSES = 5  # of each width
SPACING_S = (0.080, 0.095)  # start to start: the pause is accepted and its report in before the next pulse
STAGGER_S = 0.007
AHEAD_S = 0.001  # the counter is read this long ahead of a pulse
REJECTED = "longest-rejected"
ACCEPTED = "shortest-accepted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """Achieved widths of one discrete's pulses in seconds, ascending with their outcome, and what spoils them."""

    widths_s: NDArray[np.float64]
    accepted: NDArray[np.bool_]
    doubts: tuple[Doubt, ...]


class DiscretePulseWidth:
    """Longest pulse rejected and shortest accepted of every discrete."""

    name = "discrete-pulse-width"
    title = "Discrete inputs: pulse widths around the debounce"
    conditions = ("voltage_v", "current_limit_a", "pulses")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        missing = without_reported_discretes(setup, untested="Pulse widths around the debounce of the discretes")
        return missing or without_limit(setup, REJECTED, ACCEPTED, of="its discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        return discrete_needs(
            setup,
            _capture_need(setup),
            limits=tuple((limit, _expected(setup, limit)) for limit in (REJECTED, ACCEPTED)),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Pulse every discrete with every width, several times, in random order."""
        wake(rig, setup)
        discretes = setup.unit.discretes
        with rig.capture(CAPTURE, pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            for place, discrete in enumerate(discretes):
                levels = levels_of(discrete)
                key = f"{self.name}/{discrete.name}"
                widths_s = generator(key, "order").permutation(np.repeat(_widths_s(setup), _pulses(setup)))
                starts_s = spaced_instants(
                    widths_s.size,
                    first_s=REPORTED_S + STAGGER_S * place,
                    shortest_s=SPACING_S[0],
                    longest_s=SPACING_S[1],
                    key=key,
                )
                for start_s, width_s in zip(np.round(starts_s * RATE_HZ) / RATE_HZ, widths_s, strict=True):
                    actions.append(drive_at(session, discrete.name, levels.active_v, float(start_s)))
                    actions.append(drive_at(session, discrete.name, levels.inactive_v, float(start_s + width_s)))
            play(session, actions)
            session.wait_until(_capture_need(setup).duration_s)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give two measurements for each discrete, and over all of them how often each width was accepted."""
        record = Record(evidence, CAPTURE)
        sweeps = [_sweep(record, evidence, setup, discrete) for discrete in setup.unit.discretes]
        for discrete, sweep in zip(setup.unit.discretes, sweeps, strict=True):
            yield self._measured(record, setup, discrete, sweep, accepted=False)
            yield self._measured(record, setup, discrete, sweep, accepted=True)
        yield _curve(setup, sweeps)

    def _measured(
        self, record: Record, setup: Setup, discrete: Discrete, sweep: Sweep, *, accepted: bool
    ) -> Measurement:
        widths_s = sweep.widths_s[sweep.accepted == accepted]
        what = ACCEPTED if accepted else REJECTED
        notes = [
            f"{sweep.widths_s.size} pulses in steps of {1000.0 * STEP_S:g} ms, {int(sweep.accepted.sum())} accepted"
        ]
        if widths_s.size:
            value_s = float(widths_s.min() if accepted else widths_s.max())
        elif sweep.widths_s.size:  # what was not seen lies beyond the sweep: its end is the figure
            value_s = float(sweep.widths_s[-1] if accepted else sweep.widths_s[0])
            notes.append(f"no pulse of the sweep was {'accepted' if accepted else 'rejected'}: it lies beyond its end")
        else:
            value_s = math.nan
        found = nothing() if math.isnan(value_s) else interval_in(record, value_s)
        return doubted(found, *sweep.doubts).measurement(
            id=f"{discrete.name}.{what}",
            limit=what,
            title=f"{discrete.title}: {'shortest pulse accepted' if accepted else 'longest pulse rejected'}",
            function=function_named(setup.unit, "discretes"),
            quantity_unit="s",
            pins=(discrete.pin,),
            notes=tuple(notes),
        )


def _sweep(record: Record, evidence: Evidence, setup: Setup, discrete: Discrete) -> Sweep:
    """Return what became of each pulse: accepted where the change counter moved at all before the next one."""
    empty = Sweep(widths_s=np.empty(0), accepted=np.empty(0, dtype=np.bool_), doubts=())
    spoilt = report_doubts(record, evidence, setup, discrete)
    asked = record.stimuli(discrete.name)
    if spoilt:
        return Sweep(widths_s=empty.widths_s, accepted=empty.accepted, doubts=spoilt)
    edges = pin_edges(record, discrete)
    if len(edges) != len(asked) or not edges:
        doubt = did_not_move(CAPTURE, discrete, len(edges), len(asked))
        return Sweep(widths_s=empty.widths_s, accepted=empty.accepted, doubts=(doubt,))
    starts_s = [edge.time_s for edge in edges[::2]]
    ends_s = [edge.time_s for edge in edges[1::2]]
    counted = counted_between(
        record.reports(discrete.report), [*(start_s - AHEAD_S for start_s in starts_s), record.duration_s]
    )
    if None in counted:
        reason = f"{CAPTURE}: {discrete.title} was not reported before its first pulse"
        doubt = Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="check that the unit reports it periodically")
        return Sweep(widths_s=empty.widths_s, accepted=empty.accepted, doubts=(doubt,))
    widths_s = np.subtract(ends_s, starts_s)
    order = np.argsort(widths_s, kind="stable")
    return Sweep(
        widths_s=widths_s[order],
        accepted=np.array([bool(n) for n in counted])[order],
        doubts=reach_doubts(record, setup, discrete),
    )


def _expected(setup: Setup, limit: str) -> float:
    width_s, clock_bound = typical(setup, limit), setup.bench.clock_bound
    return interval(width_s, sample_rate_hz=RATE_HZ, clock_bound=clock_bound).standard_uncertainty


def _curve(setup: Setup, sweeps: list[Sweep]) -> Curve:
    widths_s = np.concatenate([sweep.widths_s for sweep in sweeps])
    accepted = np.concatenate([sweep.accepted for sweep in sweeps])
    widths = np.round(widths_s * RATE_HZ).astype(np.int64)  # in samples
    shown = np.unique(widths)
    share = [100.0 * float(accepted[widths == width].mean()) for width in shown]
    return Curve(
        id="discretes.pulse-width",
        title="Pulses accepted by their width, all discretes",
        function=function_named(setup.unit, "discretes"),
        x_label="width, ms",
        y_label="accepted, %",
        series={"all discretes": (tuple(1000.0 * float(width) / RATE_HZ for width in shown), tuple(share))},
        capture=CAPTURE,
    )


def _pulses(setup: Setup) -> int:
    return count(setup, "pulses", PULSES)


def _widths_s(setup: Setup) -> NDArray[np.float64]:
    first_s = setup.unit.debounce_rejects_s - BEYOND_S + BESIDE_S
    n_widths = math.ceil((setup.unit.debounce_accepts_s + BEYOND_S - first_s) / STEP_S)
    widths_s = first_s + STEP_S * np.arange(n_widths)
    return np.asarray(widths_s[widths_s > 0.0], dtype=np.float64)


def _capture_need(setup: Setup) -> CaptureNeed:
    discretes = setup.unit.discretes
    n_pulses = _widths_s(setup).size * _pulses(setup)
    duration_s = REPORTED_S + STAGGER_S * len(discretes) + n_pulses * SPACING_S[1] + 0.1
    return pin_capture(CAPTURE, discretes, sample_rate_hz=RATE_HZ, duration_s=duration_s)
