"""What one try of an interruption was and what the unit did in it, read from its capture alone. Pure.

How long the break was is how long no current came. Which class of behaviour the unit showed is read from its reports
(reset, silence, back at all) and from what it was doing: its drive, its lights, its hold-up output.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt
from analysis.survival import Shot
from analysis.uncertainty import Estimate, bounded, total
from test_plans.idle import idle_doubts
from test_plans.interruption import READ_S, Break, Course, words
from test_plans.interruption_doubts import LEFT_A, sample_doubts, try_doubts
from test_plans.interruption_states import courses_of, current_of, resting_outputs
from test_plans.interruption_working import working_in
from test_plans.profile import Behaviour
from test_plans.readings import Record
from test_plans.reported_settings import settings_of
from test_plans.reset_counts import ITEM
from test_plans.sampled_time import interval_in
from test_plans.sheets import Setup
from test_plans.signals import output_facts, voltage_signal

STOPPED_PART = 0.5  # of the current before it
LOOK_S = 0.02  # beyond the break, for the current to flow again
LATE_PART = 1.2  # of a report's period: a report later than that was not sent in time
CONFIGURATION = "configuration"
ORDER = tuple(Behaviour)


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """One break as read."""

    name: str
    open_s: float  # achieved; NaN where it was not seen
    hard: bool  # surely as long as asked
    observed: Behaviour
    said: str  # what the unit did
    resets: int  # seen in it
    reset_duration: Estimate | None  # where it was reset and is back
    moved: tuple[str, ...]  # what came on that may not, in words
    wrong: tuple[str, ...]  # what was not as it was set after it was back
    changed: tuple[str, ...]  # of the configuration
    configured: bool  # that was reported before and after
    spoilt: tuple[Doubt, ...]
    resting: tuple[Doubt, ...]  # why outputs that rested or moved in its capture say nothing

    @property
    def achieved(self) -> str:
        """How long the break was, in words."""
        return "not seen to open" if math.isnan(self.open_s) else f"open for {self.open_s * 1e3:.2f} ms"

    def shot(self, one: Break, required: Behaviour) -> Shot:
        """Return it as a shot at a break of the length asked."""
        asked_s, sure_s = one.duration_s, one.unsure_s
        achieved = f"{self.achieved}, asked {words(asked_s)}"
        return Shot(
            name=self.name,
            weaker=() if self.hard else (achieved,),
            harder=() if self.open_s + sure_s <= asked_s else (achieved,),
            behaved=ORDER.index(self.observed) <= ORDER.index(required),
            spoilt=self.spoilt,
        )


def tries_of(record: Record, setup: Setup, one: Break) -> tuple[Try, ...]:
    """Return every try of a break that its capture holds whole."""
    whole = [course for course in courses_of(setup, one) if course.end_s <= record.duration_s + 1e-6]
    moved, unsound = _moved(record, setup, one, whole), sample_doubts(record, setup, one, whole)
    resting = idle_doubts(record, setup, resting_outputs(setup, one.state))
    return tuple(
        _read(
            record,
            setup,
            one,
            course,
            name=f"{one.name}, break {place + 1}",
            moved=moved[place],
            resting=resting,
            unsound=unsound[place],
        )
        for place, course in enumerate(whole)
    )


def _read(
    record: Record,
    setup: Setup,
    one: Break,
    course: Course,
    *,
    name: str,
    moved: Sequence[str],
    resting: tuple[Doubt, ...],
    unsound: Sequence[Doubt],
) -> Try:
    working = working_in(record, setup, one, course)
    resets, heard = _resets(record, course), _heard(record, course)
    silent_s = 0.0 if resets else _silent_s(record, course)
    observed, said = working.observed, list(working.said)
    if resets:
        said.append("it was reset" if resets == 1 else f"it was reset {resets} times")
    if late := heard and not resets and silent_s > LATE_PART * setup.unit.bus.report_period_s:
        said.append(f"it reported nothing for {silent_s:.2f} s without a reset")
    if not heard:
        said.append(f"it reports nothing {course.end_s - course.close_s:.1f} s after")
        observed = Behaviour.POWER_CYCLE
    elif resets or late:
        observed = max(observed, Behaviour.LOST_AND_RECOVERED, key=ORDER.index)
    open_s = _opened(record, one, course)
    changed, configured = _changed(record, setup, course)
    return Try(
        name=name,
        open_s=open_s,
        hard=open_s - one.unsure_s >= one.duration_s,
        observed=observed,
        said=", ".join(said),
        resets=resets,
        reset_duration=_reset_duration(record, setup, course) if resets and heard else None,
        moved=(*moved, *working.moved),
        wrong=working.wrong if heard else (),
        changed=changed,
        configured=configured,
        resting=resting,
        spoilt=tuple(dict.fromkeys((*unsound, *try_doubts(record, setup, one, course, heard=heard), *working.doubts))),
    )


def _opened(record: Record, one: Break, course: Course) -> float:
    """Return how long no current came."""
    signal = current_of(one.state)
    before_a = abs(record.mean(signal, course.open_s - READ_S, course.open_s).value)
    level_a = min(LEFT_A, STOPPED_PART * before_a)
    amps = record.samples(signal, course.open_s, course.close_s + LOOK_S)
    stopped = np.flatnonzero(amps < level_a)
    if not stopped.size:
        return math.nan
    flows = np.flatnonzero(amps[int(stopped[0]) :] > level_a)
    return float(flows[0]) / one.rate_hz if flows.size else math.nan


def _resets(record: Record, course: Course) -> int:
    """Return how often the reset count says it was reset; one that went down was forgotten, and is one too."""
    before = record.count(ITEM, last=True, before_s=course.open_s)
    after = record.count(ITEM, last=True, before_s=course.end_s)
    if before is None or after is None:
        return 0
    return after - before if after >= before else 1


def _heard(record: Record, course: Course) -> bool:
    return any(course.close_s <= event.time_s < course.end_s for event in record.reports(ITEM))


def _silent_s(record: Record, course: Course) -> float:
    """Return the longest time between two reports, from the last one ahead of the break to the end of the try."""
    times = [event.time_s for event in record.reports() if event.time_s < course.end_s]
    last = max((time_s for time_s in times if time_s < course.open_s), default=course.open_s)
    known = [last, *(time_s for time_s in times if time_s > last), course.end_s]
    return float(np.diff(known).max())


def _reset_duration(record: Record, setup: Setup, course: Course) -> Estimate | None:
    """Return the time from the bus standing again at the pins to the first report."""
    capture = record.capture
    if capture is None:
        return None
    volts = record.samples("unit.voltage", course.close_s, course.end_s)
    back = np.flatnonzero(volts >= setup.unit.lowest_voltage_v)
    if not back.size:
        return None
    back_s = course.close_s + float(back[0]) / capture.sample_rate_hz
    first = next((event.time_s for event in record.reports() if back_s <= event.time_s < course.end_s), None)
    if first is None:
        return None
    read = interval_in(record, first - back_s, instants=1)
    return total(read, bounded(0.0, setup.bench.report_time_bound_s, "first report"))


def _moved(record: Record, setup: Setup, one: Break, tries: Sequence[Course]) -> list[list[str]]:
    """Return for each try the outputs that may not come on and did, in 5 ms means; one signal after the other."""
    limit = setup.unit.limits["idle-output"]
    found: list[list[str]] = [[] for _ in tries]
    for name in resting_outputs(setup, one.state):
        for course, said in zip(tries, found, strict=True):
            largest = record.largest(voltage_signal(name), course.pressed_s, course.end_s).value
            if not limit.low <= largest <= limit.high:
                said.append(f"{output_facts(setup.unit, name)[1]} at {largest:.2f} V")
    return found


def _changed(record: Record, setup: Setup, course: Course) -> tuple[tuple[str, ...], bool]:
    """Return what of the configuration reads otherwise after a break, and whether it was reported before and after."""
    items = [item for item in (CONFIGURATION, *settings_of(setup.unit)) if item in setup.unit.bus.reports]
    changed, known = [], True
    for item in items:
        before = record.count(item, last=True, before_s=course.open_s)
        after = [event for event in record.reports(item) if course.close_s <= event.time_s < course.end_s]
        if before is None or not after:
            known = False
        elif (now := int(after[-1].fields["count"])) != before:
            changed.append(f"{item} {before} before, {now} after")
    return tuple(changed), known
