"""Discrete inputs: truth, both thresholds, hysteresis and pull-up current.

The pin itself is sampled, so a threshold is what the pin stood at, not what was asked of the stimulus; a pin that
does not follow its stimulus is proved again with the unit unplugged before anybody is blamed.
"""

from collections.abc import Iterable, Iterator, Sequence

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.conditions import count, number
from test_plans.coupled_pins import coupled_pins, coupling_doubts
from test_plans.delayed_crossing import crossing_on_ramp
from test_plans.discrete_bench import PIN_LINES, discrete_needs, of_sense, pin_capture, pins_of, wake
from test_plans.discrete_pins import RAMP_RATE_V_PER_S, expected_threshold, ramp_of, report_delay
from test_plans.discrete_reports import first_change, state_at
from test_plans.driving import LEAD_S, Action, drive_at, levels_of, play, ramp_at
from test_plans.expected import worst
from test_plans.held_pins import held_doubts, isolate_held_pins, reach_doubts, steps_of
from test_plans.lost_reports import lost_doubts
from test_plans.model_gaps import without_reported_discretes
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.pull_up import CAPTURE as PULL_UP
from test_plans.pull_up import LIMIT as PULL_LIMIT
from test_plans.pull_up import PULL_UP_S, expected_pull_current, load_pull_ups, pull_current, pulled_up
from test_plans.readings import Record, doubted, nothing
from test_plans.reported_discretes import independence, unreported_doubts
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.silence import silence_doubts
from test_plans.slow_edges import slow_edge

RATE_HZ = 1000.0
BASELINE_S = 1.2  # every discrete is reported once in it, before its switch is worked and after
FEW_PERIODS = 2  # of reports
HOLD_S = 0.080  # longer than any latency that could still pass
CHECK_S = 0.075
STAGGER_S = 0.1
DWELL_S = 0.15
JUST_S = 1e-6  # before a report: the stretch since the one before it
MOVED_FRACTION = 0.5  # of the ramp asked for: less, and the stimulus did not reach the pin


class DiscreteLevels:
    """Truth, thresholds, hysteresis and pull-up current of every discrete."""

    name = "discrete-levels"
    title = "Discrete inputs: truth, thresholds, hysteresis, pull-up"
    conditions = ("voltage_v", "current_limit_a", "ramp_rate_v_per_s", "trials")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_reported_discretes(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its captures: truth, two ramp records, pull-up."""
        unit = setup.unit
        records = [("truth", unit.discretes, self._truth_s(setup))]
        records += [(name, group, self._ramps_s(group, setup)) for name, group in _groups(setup)]
        pulled = pulled_up(setup)
        if pulled:
            records.append((PULL_UP, pulled, PULL_UP_S))
        return discrete_needs(
            setup,
            *(
                pin_capture(
                    name,
                    group,
                    sample_rate_hz=RATE_HZ,
                    duration_s=duration_s,
                    lines=() if name == PULL_UP else PIN_LINES,
                )
                for name, group, duration_s in records
            ),
            limits=(
                *_expected(setup),
                *(((PULL_LIMIT, expected_pull_current(setup)),) if pulled else ()),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Switch every discrete in turn, ramp each kind up and down, then load the pull-ups."""
        wake(rig, setup)
        self._switch_in_turn(rig, setup)
        for name, group in _groups(setup):
            self._ramp(rig, setup, name, group)
        if pulled_up(setup):
            load_pull_ups(rig, setup)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of pins that did not follow, or moved with others, again with the unit unplugged."""
        pairs = coupled_pins(Record(evidence, "truth"), setup)
        joined = [discrete for driven, other, _ in pairs for discrete in (driven, other)]
        if not isolate_held_pins(rig, setup, evidence, also=joined):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give truth, thresholds, hysteresis and pull-up current of every discrete, and that none moves another."""
        for discrete in setup.unit.discretes:
            held = held_doubts(evidence, setup, discrete)
            yield self._truth(evidence, setup, discrete, held)
            yield from self._thresholds(evidence, setup, discrete, held)
            yield slow_edge(Record(evidence, f"ramps-{discrete.sense.level}"), evidence, setup, discrete, held)
            if discrete in pulled_up(setup):
                yield pull_current(evidence, setup, discrete, held)
        yield self._independence(evidence, setup)

    # Stimulation

    def _truth_s(self, setup: Setup) -> float:
        one_s = 2 * HOLD_S * _trials(setup) + _pause_s(setup)
        return BASELINE_S + one_s * len(setup.unit.discretes) + HOLD_S + BASELINE_S

    def _ramps_s(self, group: Sequence[Discrete], setup: Setup) -> float:
        longest_s = max(ramp_of(discrete, setup.bench, _rate(setup)).duration_s for discrete in group)
        return LEAD_S + DWELL_S + 2 * (longest_s + DWELL_S) + STAGGER_S * len(group)

    def _switch_in_turn(self, rig: Rig, setup: Setup) -> None:
        discretes = setup.unit.discretes
        with rig.capture("truth", pins_of(discretes), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            at_s = BASELINE_S
            for discrete in discretes:
                levels = levels_of(discrete)
                for _ in range(_trials(setup)):
                    actions.append(drive_at(session, discrete.name, levels.active_v, at_s))
                    actions.append(drive_at(session, discrete.name, levels.inactive_v, at_s + HOLD_S))
                    at_s += 2 * HOLD_S
                at_s += _pause_s(setup)
            play(session, actions)
            session.wait_until(self._truth_s(setup))

    def _ramp(self, rig: Rig, setup: Setup, name: str, group: Sequence[Discrete]) -> None:
        ramps = [ramp_of(discrete, setup.bench, _rate(setup)) for discrete in group]
        rate = _rate(setup)
        with rig.capture(
            name, pins_of(group), sample_rate_hz=RATE_HZ, lines=PIN_LINES, ramp_rate_v_per_s=rate
        ) as session:
            actions: list[Action] = []
            for position, (discrete, ramp) in enumerate(zip(group, ramps, strict=True)):
                at_s = LEAD_S + DWELL_S + STAGGER_S * position
                back_s = at_s + ramp.duration_s + DWELL_S
                actions.append(drive_at(session, discrete.name, ramp.inactive_v, LEAD_S))
                actions.append(ramp_at(session, discrete.name, ramp.active_v, at_s, ramp.duration_s))
                actions.append(ramp_at(session, discrete.name, ramp.inactive_v, back_s, ramp.duration_s))
            play(session, actions)
            session.wait_until(self._ramps_s(group, setup))
        for discrete in group:
            rig.drive(discrete.name, levels_of(discrete).inactive_v)
        rig.wait(0.1)

    # Results

    def _truth(self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]) -> Observation:
        record = Record(evidence, "truth")
        levels = levels_of(discrete)
        reports = record.reports(discrete.report)
        trials = failures = 0
        for step_s, _, value_v in steps_of(record, discrete.name):
            shown = state_at(reports, step_s + CHECK_S)
            if shown is None:
                continue
            trials += 1
            failures += shown is not (value_v == levels.active_v)
        doubts = (
            *record.missing,
            *record.gap_doubts(),
            *silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s),
            *held,
            *reach_doubts(record, setup, discrete),
            *unreported_doubts(record, evidence, setup, discrete),
            *(
                doubt
                for step_s, _, _ in steps_of(record, discrete.name)
                for doubt in lost_doubts(record, discrete.report, step_s, step_s + CHECK_S)
            ),
        )
        if not trials and record.stimuli(discrete.name) and not doubts:
            doubts = (_reported_late(record.name, discrete),)
        return Observation(
            id=f"{discrete.name}.truth",
            title=f"{discrete.title}: follows its switch",
            function=function_named(setup.unit, "discretes"),
            statement=f"the report follows within {CHECK_S * 1000:.0f} ms, both ways",
            trials=trials,
            failures=failures,
            detail=f"{failures} of {trials} changes were not reported",
            doubts=tuple(dict.fromkeys(doubts)),
            captures=record.names,
            pins=(discrete.pin,),
        )

    def _independence(self, evidence: Evidence, setup: Setup) -> Observation:
        record = Record(evidence, "truth")
        discretes = setup.unit.discretes
        found = independence(
            {discrete.name: [at_s for at_s, _, _ in steps_of(record, discrete.name)] for discrete in discretes},
            {discrete.name: record.reports(discrete.report) for discrete in discretes},
            discretes,
            within_s=CHECK_S,
        )
        silent = silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s)
        doubts = [*record.missing, *record.gap_doubts(), *silent]
        joined = coupling_doubts(record, evidence, setup) if not doubts else ()
        if record.capture is not None and not doubts:
            doubts += [_not_watched(record.name, discrete) for discrete in found.unseen]
        return Observation(
            id="discretes.independence",
            title="Discretes: none moves with another",
            function=function_named(setup.unit, "discretes"),
            statement="no other discrete, and no other pin, changes when one is switched",
            trials=found.trials,
            failures=min(len(found.moved), found.trials),
            detail="; ".join(dict.fromkeys(found.moved)),
            doubts=(*doubts, *joined),
            captures=record.names,
            pins=tuple(discrete.pin for discrete in discretes),
            notes=(f"each of {len(discretes)} discretes was reported before and after others were switched",)
            if found.trials and not found.unseen
            else (),
        )

    def _thresholds(
        self, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]
    ) -> Iterator[Measurement]:
        level = discrete.sense.level
        record = Record(evidence, f"ramps-{level}")
        active = self._threshold(record, evidence, setup, discrete, active=True)
        inactive = self._threshold(record, evidence, setup, discrete, active=False)
        if discrete.sense is Sense.ACTIVE_LOW:
            hysteresis = difference(inactive, active)
        else:
            hysteresis = difference(active, inactive)
        for what, title, found in (
            ("threshold-active", "goes active at", active),
            ("threshold-inactive", "goes inactive at", inactive),
            ("hysteresis", "hysteresis", hysteresis),
        ):
            yield doubted(found, *held).measurement(
                id=f"{discrete.name}.{what}",
                limit=f"{level}-{what}",
                title=f"{discrete.title}: {title}",
                function=function_named(setup.unit, "discretes"),
                quantity_unit="V",
                pins=(discrete.pin,),
            )

    def _threshold(
        self, record: Record, evidence: Evidence, setup: Setup, discrete: Discrete, *, active: bool
    ) -> Estimate:
        ramps = record.stimuli(discrete.name)
        if len(ramps) < 3 or record.capture is None:
            return nothing(*(record.missing or (_cut_short(record.name),)))
        begin_s = ramps[1 if active else 2].time_s
        end_s = ramps[2].time_s if active else record.duration_s
        change = first_change(record.reports(discrete.report), begin_s, end_s, state=active)
        if change is None:
            return nothing(
                *self._no_change(record, evidence, setup, discrete, window_s=(begin_s, end_s), active=active)
            )
        signal = voltage_signal(discrete.name)
        found = crossing_on_ramp(record, signal, detected_s=change.time_s, delay=report_delay(setup))
        just_before_s = change.time_s - JUST_S
        silent = silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s)
        return doubted(found, *silent, *lost_doubts(record, discrete.report, just_before_s, change.time_s))

    def _no_change(
        self,
        record: Record,
        evidence: Evidence,
        setup: Setup,
        discrete: Discrete,
        *,
        window_s: tuple[float, float],
        active: bool,
    ) -> tuple[Doubt, ...]:
        """Say whose it is that a ramp over the whole range changed nothing."""
        signal = voltage_signal(discrete.name)
        spoilt = (
            record.doubts((signal,), *window_s)
            or unreported_doubts(record, evidence, setup, discrete)
            or silence_doubts(record, evidence, period_s=setup.unit.bus.report_period_s)
            or lost_doubts(record, discrete.report, *window_s)
            or reach_doubts(record, setup, discrete)
        )
        if spoilt:
            return spoilt
        reports = record.reports(discrete.report)
        pin = record.smoothed(signal, *window_s)
        asked_v = RAMP_RATE_V_PER_S * ramp_of(discrete, setup.bench, RAMP_RATE_V_PER_S).duration_s
        if abs(float(pin[-1] - pin[0])) < MOVED_FRACTION * asked_v:
            return (
                Doubt(
                    reason=f"pin {discrete.pin} went from {pin[0]:.2f} V to {pin[-1]:.2f} V, not by {asked_v:.1f} V",
                    cause=Cause.UNDECIDED,
                    next_step=f"unplug the unit and drive line {discrete.name} again",
                ),
            )
        was = "active" if state_at(reports, window_s[0]) else "inactive"
        wanted = "active" if active else "inactive"
        moved = f"while its pin went from {pin[0]:.2f} V to {pin[-1]:.2f} V"
        return (Doubt(reason=f"{discrete.title}, {was} before, did not go {wanted} {moved}", cause=Cause.UNIT),)


def _groups(setup: Setup) -> tuple[tuple[str, tuple[Discrete, ...]], ...]:
    groups = (of_sense(setup, sense) for sense in Sense)
    return tuple((f"ramps-{group[0].sense.level}", group) for group in groups if group)


def _pause_s(setup: Setup) -> float:
    """Return the pause after each discrete: where few take turns, each must still be reported before and after others.

    Of many, each is reported while the others have theirs.
    """
    others_s = 2 * HOLD_S * _trials(setup) * (len(setup.unit.discretes) - 1)
    period_s = setup.unit.bus.report_period_s
    return 0.0 if others_s >= FEW_PERIODS * period_s else period_s + HOLD_S


def _expected(setup: Setup) -> Iterator[tuple[str, float]]:
    """Yield the uncertainty of thresholds and hysteresis, by their limits, the worst of each kind of discrete."""
    for _, group in _groups(setup):
        active, inactive, hysteresis = [], [], []
        for discrete in group:
            ends = [
                expected_threshold(setup, discrete, level_v, rate_v_per_s=_rate(setup))
                for level_v in (discrete.threshold_active_v, discrete.threshold_inactive_v)
            ]
            active.append(ends[0])
            inactive.append(ends[1])
            hysteresis.append(difference(*ends))
        level = group[0].sense.level
        yield f"{level}-threshold-active", worst(*active)
        yield f"{level}-threshold-inactive", worst(*inactive)
        yield f"{level}-hysteresis", worst(*hysteresis)


def _trials(setup: Setup) -> int:
    return count(setup, "trials", 3)


def _rate(setup: Setup) -> float:
    return number(setup, "ramp_rate_v_per_s", RAMP_RATE_V_PER_S)


def _reported_late(name: str, discrete: Discrete) -> Doubt:
    return Doubt(
        reason=f"{name}: {discrete.title} was not reported before its switch moved for the last time",
        cause=Cause.UNDECIDED,
        next_step="check that the unit reports it periodically",
    )


def _not_watched(name: str, discrete: Discrete) -> Doubt:
    return Doubt(
        reason=f"{name}: {discrete.title} was never reported both before and after another one was switched",
        cause=Cause.UNDECIDED,
        next_step=f"see {discrete.title}: follows its switch",
    )


def _cut_short(name: str) -> Doubt:
    return Doubt(reason=f"{name}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
