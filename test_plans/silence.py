"""Whose it is that the unit's reports did not come: the host's silence against the sampled receive line. Pure."""

import math

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_standing import stood
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.receive_line import foreign_bursts_s

READY_ID = "power-up.ready-time"
SILENT_S = 2.0
SILENT_PERIODS = 1.25  # of the report period without any report: more is silence
HEARD_WITHIN_S = 0.02  # a burst of several frames and the host's delay


def silence_doubts(record: Record, evidence: Evidence, *, period_s: float = 1.0) -> tuple[Doubt, ...]:
    """Return the doubt that no report came in a capture of 2 s and more, or in a long stretch of it.

    The link between unit and bench is proved once the ready time was measured. Whose the silence is then, the receive
    line tells: the bench's where it shows frames that the host never had; the unit's where it shows none although the
    bus stood at its setting; undecided where the line was not sampled. A stretch of a capture is called silent only
    where the line says so: what a unit must report in it, its own characteristic asks for.
    """
    if record.capture is None:
        return ()
    bursts_s = foreign_bursts_s(record.capture)
    step = "check the bus lines and their termination, then put a known good unit on the bench"
    shown_s = np.empty(0) if bursts_s is None else bursts_s
    for from_s, to_s in _without_report(record, SILENT_PERIODS * period_s):
        unheard = int(np.count_nonzero((shown_s > from_s + HEARD_WITHIN_S) & (shown_s < to_s - HEARD_WITHIN_S)))
        if unheard:
            reason = (
                f"{record.name}: the host had no report for {to_s - from_s:.1f} s, "
                f"while the receive line shows {unheard} bursts that are not the bench's own"
            )
            return (Doubt(reason=reason, cause=Cause.BENCH, next_step="check the bus interface, then run it again"),)
    if record.duration_s < SILENT_S or record.report_times_s().size:
        return ()
    ready = evidence.earlier(READY_ID)
    proved = ready is not None and math.isfinite(ready.value)
    silent_line = proved and bursts_s is not None and stood(record)
    return (
        Doubt(
            reason=f"{record.name}: no report of the unit on the avionics bus in {record.duration_s:.1f} s"
            + (", though they came at power-up" if proved else "")
            + (", and none of its frames on the receive line" if silent_line else ""),
            cause=Cause.UNIT if silent_line else Cause.UNDECIDED,
            next_step=step,
        ),
    )


def _without_report(record: Record, longest_s: float) -> list[tuple[float, float]]:
    """Return (from, to) of every stretch of a capture without a single report that is longer than `longest_s`."""
    instants_s = np.concatenate(([0.0], record.report_times_s(), [record.duration_s]))
    places = np.flatnonzero(np.diff(instants_s) > longest_s)
    return [(float(instants_s[place]), float(instants_s[place + 1])) for place in places]
