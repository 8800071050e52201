"""What a shot at a profile was, and what the unit did in it: read from its capture alone. Pure.

How hard the shot was is the voltage at the pins between the switching to the source and the way back; of an opened bus
it is how long no current came. What the unit did is its hold-up output, its reports, and everything that must not move.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Doubt
from analysis.survival import Achieved, Shot, too_hard, too_weak
from analysis.verdict import Cause
from test_plans.bus_standing import bus_doubts, supply_doubts
from test_plans.hold_up import CONDITION, load_doubts
from test_plans.idle import idle_doubts, moved_outputs
from test_plans.profile import Behaviour, Profile
from test_plans.profile_shot import AFTER_S, BEFORE_S, CURRENT, hold_up_of, moving_outputs, reading_bound_v, signals_of
from test_plans.readings import Record
from test_plans.reset_counts import ITEM
from test_plans.rig import BUS_SWITCH, Source, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import voltage_signal

REBOOT_V = 9.0  # a display of this kind starts anew below it
REBOOT_S = 0.001
READ_S = 0.2  # ahead of a shot, and at its end
BELOW_START_V = 0.3  # from there up a course counts as what stands without it
LEFT_A = 0.3  # that an open switch may leave
STOPPED_PART = 0.5  # of the current before it
CONFIGURATION = "configuration"
MOST_SAID = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A shot as read: how hard, and what the unit did in it."""

    record: Record
    weaker: tuple[str, ...]
    harder: tuple[str, ...]
    spoilt: tuple[Doubt, ...]  # why the shot shows nothing
    achieved: str  # in words
    moved: tuple[str, ...]  # outputs that came on, in words
    resets: int | None
    reports_again: bool
    configurations: tuple[int, ...]  # before and after, as far as reported

    def shot(self, *, behaved: bool, at_any_level: bool = False, besides: tuple[Doubt, ...] = ()) -> Shot:
        """Return it as a shot; `at_any_level`: a failure counts however hard the shot was."""
        return Shot(
            name=self.record.name,
            weaker=self.weaker,
            harder=() if at_any_level else self.harder,
            behaved=behaved,
            spoilt=(*self.spoilt, *besides),
        )


def read_shot(record: Record, profile: Profile, setup: Setup) -> Reading:
    """Return what a shot's capture shows."""
    tries = _tries(record, profile)
    weaker, harder, words = _hardness(record, profile, setup, tries)
    found = [record.count(CONFIGURATION, before_s=BEFORE_S), record.count(CONFIGURATION, last=True)]
    first, last = record.count(ITEM, before_s=BEFORE_S), record.count(ITEM, last=True)
    over_s = record.duration_s - AFTER_S
    return Reading(
        record=record,
        weaker=weaker,
        harder=harder,
        spoilt=_spoilt(record, setup),
        achieved=words,
        moved=moved_outputs(record, setup, moving_outputs(setup)),
        resets=None if first is None or last is None else last - first,
        reports_again=any(event.time_s > over_s for event in record.reports(ITEM)),
        configurations=tuple(one for one in found if one is not None),
    )


def hold_up_behaved(reading: Reading, required: Behaviour, setup: Setup) -> tuple[bool, str, tuple[Doubt, ...]]:
    """Return whether the hold-up output did what is required, what it did in words, and what leaves that open."""
    record, output = reading.record, hold_up_of(setup)
    if output is None or record.capture is None:
        return False, "", record.missing
    volts, limit = record.samples(voltage_signal(output.name)), setup.unit.limits["hold-up-voltage"]
    facts = setup.bench.channels[voltage_signal(output.name)]
    bound_v = facts.relative_bound * output.held_v + facts.absolute_bound + 5.0 * facts.noise
    lowest_v, highest_v = float(volts.min()), float(volts.max())
    below_s = float(np.count_nonzero(volts < REBOOT_V)) / record.capture.sample_rate_hz
    ends = volts[-round(READ_S * record.capture.sample_rate_hz) :]
    back = limit.low <= float(ends.min()) and float(ends.max()) <= limit.high
    said = f"it stood at {lowest_v:.2f} to {highest_v:.2f} V"
    if below_s > 0.0:
        said += f", below {REBOOT_V:g} V for {_time(below_s)} ({'a' if below_s > REBOOT_S else 'no'} display reboot)"
    said += "" if back else f", and at {float(ends.mean()):.2f} V in the end"
    if required is Behaviour.KEPT_WORKING:
        kept = limit.low + bound_v <= lowest_v and highest_v <= limit.high - bound_v
        left = lowest_v < limit.low - bound_v or highest_v > limit.high + bound_v
        if not kept and not left:
            reason = f"{record.name}: {said}, within {bound_v * 1e3:.0f} mV of its limit"
            step = "measure the output with a better instrument"
            return False, said, (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)
        return kept, said, ()
    if required is Behaviour.RECOVERED:
        return back and below_s <= REBOOT_S, said, ()
    return back or required is Behaviour.POWER_CYCLE, said, ()


def logic_behaved(reading: Reading, required: Behaviour) -> tuple[bool, str, tuple[Doubt, ...]]:
    """Return whether the logic did what is required, in words what it did, and what leaves that open."""
    if reading.resets is None and reading.reports_again:
        reason = f"{reading.record.name}: the reset count was not reported ahead of it"
        step = "check that reports come at all (ready time)"
        return False, "", (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)
    resets = reading.resets or 0
    said = f"it was reset {resets} times" if resets else "it was not reset"
    said += "" if reading.reports_again else ", and reports nothing since"
    if required in {Behaviour.KEPT_WORKING, Behaviour.RECOVERED}:
        return resets == 0 and reading.reports_again, said, ()
    return reading.reports_again or required is Behaviour.POWER_CYCLE, said, ()


def tried(record: Record, profile: Profile) -> tuple[tuple[float, float], ...]:
    """Return (from, to) of every try that was played, in capture time."""
    return _tries(record, profile)


def _tries(record: Record, profile: Profile) -> tuple[tuple[float, float], ...]:
    if record.capture is None:
        return ()
    events = record.capture.events_of("stimulus")
    switched = [(event.time_s, event.fields.get("path")) for event in events if event.fields.get("line") == BUS_SWITCH]
    if profile.opens:
        return tuple(
            (one[0], other[0])
            for one, other in pairwise(switched)
            if one[1] == SupplyPath.OPEN.value and other[1] == SupplyPath.RUN.value
        )
    dips = [(one[0], other[0]) for one, other in pairwise(switched) if one[1] == SupplyPath.DIP_SOURCE.value]
    if dips:
        return tuple(dips)
    began = [event.time_s for event in events if event.fields.get("line") == Source.SUPPLY.value]
    ends = [*began[1:], record.duration_s - AFTER_S]
    return tuple(zip(began, ends, strict=True))


def _hardness(
    record: Record, profile: Profile, setup: Setup, tries: Sequence[tuple[float, float]]
) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Return in which respects a shot was too weak and too hard, over all its tries, and what it was in words."""
    wanted = sum(segment.open for segment in profile.segments) if profile.opens else profile.tries
    if record.capture is None or len(tries) != wanted:
        return (f"{len(tries)} of {wanted} were played",), (f"{len(tries)} of {wanted} were played",), "nothing"
    if profile.opens:
        return _opened(record, profile, tries)
    weaker: list[str] = []
    harder: list[str] = []
    words: list[str] = []
    asked, course = profile.disturbances(profile.starts_at_v), profile.times_below(_below_v(profile, setup))
    for from_s, to_s in tries:
        achieved = achieved_voltage(record, setup, from_s, to_s)
        weaker += too_weak(asked, achieved)
        harder += too_hard(course, achieved, _below_v(profile, setup))
        words.append(_in_words(profile, achieved))
    return _few(weaker), _few(harder), "; ".join(words)


def achieved_voltage(record: Record, setup: Setup, from_s: float, to_s: float) -> Achieved:
    """Return what stood at the pins over a try."""
    if record.capture is None:
        return Achieved(voltage_v=np.empty(0), interval_s=1.0, expanded_voltage_v=0.0, expanded_time_s=0.0)
    interval_s = 1.0 / record.capture.sample_rate_hz
    volts = record.samples("unit.voltage", from_s, to_s)
    return Achieved(
        voltage_v=volts,
        interval_s=interval_s,
        expanded_voltage_v=reading_bound_v(setup, float(np.abs(volts).max()) if volts.size else 0.0),
        expanded_time_s=2.0 * interval_s + record.capture.timebase_bound * (to_s - from_s),
    )


def _below_v(profile: Profile, setup: Setup) -> float:
    """Return from where down a course disturbs: not where the unit must work, nor where it stands anyway."""
    ends_v = min(profile.starts_at_v, profile.segments[-1].voltage_v) - BELOW_START_V
    return min(setup.unit.lowest_voltage_v, ends_v)


def _in_words(profile: Profile, achieved: Achieved) -> str:
    """Say what was achieved beside what was asked: the lowest voltage, and the time at each level."""
    said = [f"lowest {achieved.lowest_v:.2f} V at the pins, asked {profile.lowest_v:.2f} V"]
    for part in profile.disturbances(profile.starts_at_v):
        below_s = float(np.count_nonzero(achieved.voltage_v <= part.voltage_v)) * achieved.interval_s
        said.append(f"at or below {part.voltage_v:.2f} V for {_time(below_s)}, asked {_time(part.duration_s)}")
    return ", ".join(said)


def _opened(
    record: Record, profile: Profile, tries: Sequence[tuple[float, float]]
) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Hold every break against its own length: from the current's stop to the first that comes again."""
    asked = [segment.duration_s for segment in profile.segments if segment.open]
    opened = list(_breaks(record, tries))
    if record.capture is None or len(opened) != len(tries):
        said = f"{len(opened)} of {len(tries)} breaks were seen"
        return (said,), (said,), said
    sure_s = 2.0 / record.capture.sample_rate_hz
    weaker = [f"open for {_time(s)}, asked {_time(a)}" for s, a in zip(opened, asked, strict=True) if s - sure_s < a]
    harder = [f"open for {_time(s)}, asked {_time(a)}" for s, a in zip(opened, asked, strict=True) if s + sure_s > a]
    words = f"open {len(opened)} times for {_time(min(opened))} to {_time(max(opened))}, asked {_time(asked[0])}"
    return _few(weaker), _few(harder), words


def _breaks(record: Record, tries: Sequence[tuple[float, float]]) -> Iterator[float]:
    """Yield how long no current came, of every break that was seen."""
    if record.capture is None:
        return
    rate = record.capture.sample_rate_hz
    for from_s, to_s in tries:
        before_a = float(record.mean(CURRENT, from_s - 0.02, from_s).value)
        amps = record.samples(CURRENT, from_s, to_s + 0.02)
        stopped = np.flatnonzero(amps < min(LEFT_A, STOPPED_PART * before_a))
        if not stopped.size:
            continue
        flows: NDArray[np.intp] = np.flatnonzero(amps[int(stopped[0]) :] > LEFT_A)
        if flows.size:
            yield float(flows[0]) / rate


def _spoilt(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why a shot shows nothing: samples, bus or load ahead of it, an output off already, a bus not back."""
    if record.capture is None:
        return record.missing
    before = (BEFORE_S - READ_S, BEFORE_S)
    found = [*record.doubts(signals_of(setup)), *supply_doubts(record, setup, CONDITION, *before)]
    stimuli = record.capture.events_of("stimulus")
    if not any(
        event.fields.get("line") == Source.SUPPLY.value for event in stimuli
    ):  # else it ends where its list does
        found += bus_doubts(record, setup, record.duration_s - READ_S)
    output = hold_up_of(setup)
    if output is not None:
        limit = setup.unit.limits["hold-up-voltage"]
        stood = record.mean(voltage_signal(output.name), *before)
        if not limit.low <= stood.value <= limit.high:
            reason = f"{record.name}: {output.title} stood at {stood.value:.2f} V ahead of the shot"
            step = "see what the procedures before say of it"
            found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))
        else:
            found += load_doubts(record, setup, *before)
    return tuple(dict.fromkeys(found))


def motion_doubts(reading: Reading, setup: Setup) -> tuple[Doubt, ...]:
    """Return why outputs that moved, or did not, say nothing of the unit."""
    return idle_doubts(reading.record, setup, moving_outputs(setup))


def _few(said: Sequence[str]) -> tuple[str, ...]:
    """Return the first of many sentences, and how many there are more."""
    each = tuple(dict.fromkeys(said))
    return each if len(each) <= MOST_SAID else (*each[:MOST_SAID], f"and {len(each) - MOST_SAID} more such")


def _time(duration_s: float) -> str:
    return f"{duration_s * 1e3:.2f} ms" if duration_s < 1.0 else f"{duration_s:.2f} s"
