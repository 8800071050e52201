"""Trim latency: from a switch line closing or opening to its output driving or resting, both on the DAQ's samples."""

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.statistics import summarise_latencies
from analysis.verdict import Cause
from test_plans.conditions import count
from test_plans.driving import LEAD_S, Touch, spaced_instants
from test_plans.readings import Record, doubted, nothing
from test_plans.sampled_time import interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.trim_drive import (
    Drive,
    Press,
    axis_observation,
    drives_of,
    first_drive,
    press_doubts,
    presses_of,
    sample_doubts,
    time_measurement,
)
from test_plans.trim_switches import seat_words, switch_id
from test_plans.trim_timed import TimedTrim

PRESSES = 20
HOLD_S = 0.18  # three times the limit: a slow axis shows how slow, and not only that it did not answer
SPACING_S = (0.38, 0.40)  # at random phase to the unit's scan


class TrimLatency(TimedTrim):
    """On and off latency of every switch, the worst of 20 presses each."""

    name = "trim-latency"
    title = "Trim outputs: on and off latency"
    conditions = ("voltage_v", "current_limit_a", "load", "axes", "trials")
    limits = ("trim-latency",)

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
        """Return the presses, switch after switch."""
        n = count(setup, "trials", PRESSES)
        instants = spaced_instants(
            n * len(axis.switches),
            first_s=LEAD_S,
            shortest_s=SPACING_S[0],
            longest_s=SPACING_S[1],
            key=f"{self.name}/{axis.name}",
        )
        return tuple(
            Touch(switch=axis.switches[index // n].name, closed_s=float(at_s), opened_s=float(at_s) + HOLD_S)
            for index, at_s in enumerate(instants)
        )

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each switch that it drives each time, the worst latency on and off, and the distribution."""
        drives = drives_of(record, axis)
        bad = sample_doubts(record, setup, axis)
        everything_s: dict[str, list[float]] = {"on": [], "off": []}
        for switch in axis.switches:
            presses = presses_of(record, switch)
            doubts = (*bad, *press_doubts(record, switch, presses))
            answers = [_answer(drives, switch, press) for press in presses]
            found = [(press, drive) for press, drive in zip(presses, answers, strict=True) if drive is not None]
            yield self._each_drives(record, axis, switch, answers, doubts)
            on_s = [drive.start_s - press.closed_s for press, drive in found]
            off_s = [drive.end_s - press.opened_s for press, drive in found]
            silent = len(answers) - len(found)
            if silent and not doubts:
                doubts = (Doubt(reason=f"{silent} presses drove nothing the right way", cause=Cause.UNIT),)
            yield _worst(record, axis, (switch, "on"), on_s, doubts)
            yield _worst(record, axis, (switch, "off"), off_s, doubts)
            everything_s["on"].extend(on_s)
            everything_s["off"].extend(off_s)
        yield Curve(
            id=f"{axis.name}.latency",
            title=f"{axis.title}: latency from switch to output",
            function=axis.function,
            x_label="latency, ms",
            y_label="presses not later, %",
            series={way: _distribution(found) for way, found in everything_s.items() if found},
            capture=record.name if record.capture else "",
        )

    def _each_drives(
        self,
        record: Record,
        axis: TrimAxis,
        switch: TrimSwitch,
        answers: Sequence[Drive | None],
        doubts: tuple[Doubt, ...],
    ) -> Observation:
        return axis_observation(
            axis,
            record,
            id_=switch_id(switch, "every-press-drives"),
            title=f"{seat_words(switch)}: every press drives",
            statement=f"each press of {1000.0 * HOLD_S:.0f} ms drives the right way",
            tried=["a press drove nothing the right way" if drive is None else "" for drive in answers],
            doubts=doubts,
        )


def _answer(drives: Sequence[Drive], switch: TrimSwitch, press: Press) -> Drive | None:
    """Return the drive that a press brought: it begins after the closing, and before the next press can."""
    return first_drive(drives, switch.polarity, press.closed_s, press.closed_s + SPACING_S[0])


def _worst(
    record: Record,
    axis: TrimAxis,
    what: tuple[TrimSwitch, str],
    latencies_s: Sequence[float],
    doubts: tuple[Doubt, ...],
) -> Measurement:
    switch, way = what
    found = interval_in(record, max(latencies_s)) if latencies_s else nothing()
    notes: tuple[str, ...] = ()
    if latencies_s:
        spread = summarise_latencies(latencies_s)
        span = f"{1000 * spread.minimum_s:.1f} to {1000 * spread.maximum_s:.1f} ms"
        notes = (f"{spread.n} presses: {span}, median {1000 * spread.median_s:.1f} ms",)
    return time_measurement(
        doubted(found, *doubts),
        axis,
        id_=switch_id(switch, f"latency-{way}"),
        limit="trim-latency",
        title=f"{seat_words(switch)}: worst latency {way}",
        trials=len(latencies_s),
        notes=notes,
    )


def _distribution(latencies_s: Sequence[float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    ordered = sorted(latencies_s)
    share = np.arange(1, len(ordered) + 1) / len(ordered)
    return tuple(1000.0 * latency for latency in ordered), tuple(100.0 * float(part) for part in share)
