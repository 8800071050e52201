"""Interruptions of the bus, 1 to 500 ms, while the unit does something: what it comes through, and how it comes back.

The bus switch opens and closes on the DAQ's own clock. Every length is played a little longer than asked; where the
unit does not do in it what its sheet requires, a shot a little shorter tells whether that is the unit's. What moves by
itself fails however long the bus was away.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

from analysis.measurement import Result
from analysis.uncertainty import bounded, total
from test_plans.conditions import conforming_a, required_limit
from test_plans.expected import timed, typical
from test_plans.interruption import FAST_HZ, RESET_DURATION, Break, State, breaks_of
from test_plans.interruption_findings import (
    Asked,
    Subject,
    behaviour_finding,
    behaviour_map,
    finding,
    reset_duration,
)
from test_plans.interruption_readings import Try, tries_of
from test_plans.interruption_states import (
    CONDITIONS,
    capture_need,
    held_axis,
    interrupt,
    leave,
    limit_a,
    load_current_a,
    loads_of,
    make_ready,
    missing_in,
    resting_outputs,
)
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.profile_shot import Side, hold_up_of
from test_plans.readings import Record
from test_plans.reset_counts import ITEM, asked_for
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named

APART_S = 0.3  # of bench time, between captures
STARTS_S = 1.0
TITLES = {
    State.IDLE: "Breaks of the bus, everything at rest",
    State.TRIM: "Breaks of the bus, a trim driving its load",
    State.DIMMING: "Breaks of the bus, dimming at half travel",
    State.HOLD_UP: "Breaks of the bus, hold-up output at its rated power",
}


class BusInterruptions:
    """Breaks of the bus in one state of the unit, by length, against what the unit sheet requires."""

    conditions = ("short_s", "long_s", "trials", "current_limit_a")
    disturbs_bus = True

    def __init__(self, state: State) -> None:
        self.name = f"bus-interruptions-{state.value}"
        self.title = TITLES[state]
        self._state = state

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model is left out: it lacks what the state needs, or its sheet requires nothing in it."""
        if lacking := missing_in(setup, self._state):
            return NotForModel(reason=f"model {setup.unit.model} has no {lacking}")
        if self._state.value in setup.unit.interruptions:
            return None
        reason = f"the sheet of model {setup.unit.model} requires nothing in [interruptions] {self._state.value}"
        return NotForModel(reason=reason, untested=self.title)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function and that of what is at work."""
        output = hold_up_of(setup)
        at_work = {
            State.TRIM: held_axis(setup).function if self._state is State.TRIM else "",
            State.DIMMING: function_named(setup.unit, "dimming"),
            State.HOLD_UP: "" if output is None else output.function,
        }.get(self._state, "")
        return tuple(dict.fromkeys(filter(None, (function_named(setup.unit, "power"), at_work))))

    def needs(self, setup: Setup) -> Needs:
        """Return a capture for every length of break."""
        required_limit(setup, "idle-output")
        if self._state is State.DIMMING:
            for key in {"pwm-curve" if output.frequency_hz else "dc-curve" for output in setup.unit.dimming}:
                required_limit(setup, key)
        captures = tuple(capture_need(setup, one) for one in breaks_of(setup, self._state))
        trim, dimming = self._state is State.TRIM, self._state is State.DIMMING
        return Needs(
            bench_time_s=STARTS_S + sum(need.duration_s + APART_S for need in captures),
            captures=captures,
            highest_voltage_v=setup.unit.nominal_voltage_v,
            supply_current_a=conforming_a(setup, CONDITIONS[self._state]),
            current_limit_a=limit_a(setup, self._state),
            loads=loads_of(setup, self._state),
            load_current_a=load_current_a(setup, self._state),
            switches=(held_axis(setup).switches[0].name,) if trim else (),
            stimuli=tuple(rheostat.name for rheostat in setup.unit.rheostats) if dimming else (),
            paths=(SupplyPath.RUN.value,),
            bus=True,
            airspeed=trim and setup.unit.airspeed is not None,
            limits=((RESET_DURATION, _expected(setup)),) if _resets_expected(setup, self._state) else (),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Break the bus, one length after the other, each a little longer than asked."""
        make_ready(rig, setup, self._state)
        for one in breaks_of(setup, self._state):
            interrupt(rig, setup, one)
        leave(rig, setup, self._state)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Break it a little shorter than asked where the unit did not do what is required, after a power cycle."""
        lost = [one for one in breaks_of(setup, self._state) if self._lost(one, setup, evidence)]
        for one in lost:
            make_ready(rig, setup, self._state, afresh=True)
            interrupt(rig, setup, replace(one, side=Side.SOFT))
        if lost:
            make_ready(rig, setup, self._state, afresh=True)
            leave(rig, setup, self._state)
        return bool(lost)

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the behaviour by length, that nothing moved, how it came back, the reset duration, and a map."""
        breaks, subject = breaks_of(setup, self._state), self._subject(setup)
        tries = {one: self._tries(one, setup, evidence) for one in breaks}
        captures = tuple(name for one in breaks for name in _names(one, evidence))
        for one in breaks:
            if one.required is not None:
                yield behaviour_finding(subject, one, tries[one], _names(one, evidence))
        for asked in self._asked(setup):
            yield finding(subject, asked, tries, captures)
        if _resets_expected(setup, self._state):
            missing = [doubt for name in captures for doubt in Record(evidence, name).missing]
            yield reset_duration(subject, tries, setup, missing)
        yield behaviour_map(subject, tries)
        yield from asked_for(self.name, _counted(evidence), setup)

    def _tries(self, one: Break, setup: Setup, evidence: Evidence) -> tuple[Try, ...]:
        sides = (one, replace(one, side=Side.SOFT))
        taken = [each for each in sides if evidence.has(each.name)]
        return tuple(found for each in taken for found in tries_of(Record(evidence, each.name), setup, each))

    def _lost(self, one: Break, setup: Setup, evidence: Evidence) -> bool:
        """Say whether a break was not surely come through as required, and was not tried shorter yet."""
        if one.required is None or evidence.has(replace(one, side=Side.SOFT).name) or not evidence.has(one.name):
            return False
        return any(not found.shot(one, one.required).behaved for found in self._tries(one, setup, evidence))

    def _asked(self, setup: Setup) -> Iterator[Asked]:
        """Yield what is asked of every try."""
        resting, trim = resting_outputs(setup, self._state), self._state is State.TRIM
        held = " and a held switch drives nothing anew" if trim else ""
        yield Asked(
            id="no-motion",
            title="nothing moves by itself",
            statement=f"each of {len(resting)} outputs stays idle{held}, whatever the bus does",
            wrong=lambda found: found.moved,
            doubts=lambda found: found.resting,
        )
        if trim or self._state is State.DIMMING:
            yield Asked(
                id="as-set",
                title="drives the way it is told once back" if trim else "lights as they are set once back",
                statement="a new press drives the way it is for" if trim else "every level is what it was before",
                wrong=lambda found: found.wrong,
            )
        yield Asked(
            id="configuration",
            title="configuration and settings",
            statement="the unit reports the same before and after",
            wrong=lambda found: found.changed,
            known=lambda found: found.configured,
            unknown="configuration and settings were not reported before and after",
        )

    def _subject(self, setup: Setup) -> Subject:
        output = hold_up_of(setup)
        pins: tuple[str, ...] = ()
        if self._state is State.TRIM:
            pins = (held_axis(setup).plus_pin, held_axis(setup).minus_pin)
        elif self._state is State.HOLD_UP and output is not None:
            pins = (output.plus_pin,)
        elif self._state is State.DIMMING:
            pins = tuple(dimmer.pin for dimmer in setup.unit.dimming)
        return Subject(
            name=self.name,
            title=self.title,
            function=self.functions(setup)[-1],
            pins=(setup.unit.power_pin, *pins),
        )


def _names(one: Break, evidence: Evidence) -> tuple[str, ...]:
    """Return the captures of a break that were taken; the one on the hard side also where it is missing."""
    soft = replace(one, side=Side.SOFT).name
    return (one.name, *((soft,) if evidence.has(soft) else ()))


def _counted(evidence: Evidence) -> int:
    """Return how often the unit was reset over all captures; a count that went down was forgotten without power."""
    records = [Record(evidence, name) for name in evidence.names()]
    counts = [record.count(ITEM, last=last) for record in records for last in (False, True)]
    return sum(max(0, after - before) for before, after in pairwise(count for count in counts if count is not None))


def _resets_expected(setup: Setup, state: State) -> bool:
    """Say whether a reset is to be timed: the sheet limits it, and a break of the step is allowed to cause one."""
    return RESET_DURATION in setup.unit.limits and any(one.may_reset for one in breaks_of(setup, state))


def _expected(setup: Setup) -> float:
    """Return the uncertainty that a reset duration will have."""
    value_s = typical(setup, RESET_DURATION)
    edge = bounded(0.0, 0.5 / FAST_HZ, "the bus back")
    report = bounded(0.0, setup.bench.report_time_bound_s, "first report")
    return total(timed(setup, value_s), edge, report).standard_uncertainty
