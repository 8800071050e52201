"""Discretes on poor switches: a contact with resistance onto a lifted ground must close, a leaking one must open.

The bench has no resistor box. Each pin is moved slowly from its open-circuit level to the lowest one the stimulus
reaches behind its 1 kohm, and back; where the report changes is read at the pin, and what the unit gives there comes
from its own load line. From the two follows which contact, ground and leak would put the pin there: they are
emulated, electrically equal in steady state, and no contact ever closed. Of active-low inputs alone: on an active-high
one the pull-down itself takes any leak to ground. A line of more resistance than its resistor reads as more current
from the unit, never as less: it can't fail a contact whose pin gets down to the threshold, nor a leak.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt, Measurement, Result
from analysis.uncertainty import Estimate, difference, exact, ratio, scaled
from analysis.verdict import Cause
from test_plans.delayed_crossing import crossing_on_ramp
from test_plans.discrete_bench import PIN_LINES, of_sense, pin_capture, pins_of, wake
from test_plans.discrete_bench import discrete_needs as needs_of
from test_plans.discrete_pins import RAMP_RATE_V_PER_S, expected_threshold, pin_for, report_delay
from test_plans.discrete_reports import first_change, report_doubts, state_at
from test_plans.driving import LEAD_S, Action, drive_at, play, ramp_at
from test_plans.expected import worst
from test_plans.held_pins import isolate_lines, line_explains, series_doubt, sound_alone
from test_plans.load_line import LoadLine, Stretch, expected_line, load_line
from test_plans.model_gaps import without_limit, without_reported_discretes
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Discrete, Sense, Setup
from test_plans.signals import function_named, voltage_signal

RATE_HZ = 1000.0
CAPTURE = "contacts"
LOWEST_V = 0.0  # of the stimulus
DWELL_S = 0.2
SETTLE_S = 0.05
STAGGER_S = 0.1
RESISTANCE = "low-contact-resistance"
LIFT = "low-ground-lift"
LEAKAGE = "low-leakage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one pin's ride showed: where the unit changed its mind, and its load line."""

    active_v: Estimate
    inactive_v: Estimate
    line: LoadLine

    def contact(self, lift_v: float) -> Estimate:
        """Return the resistance of the worst contact that still closes, onto a ground lifted by `lift_v`."""
        return ratio(difference(self.active_v, exact(lift_v)), self.line.current_a(self.active_v))

    def ground_lift(self, contact_ohm: float) -> Estimate:
        """Return the highest ground onto which a contact of this resistance still closes."""
        return difference(self.active_v, scaled(self.line.current_a(self.active_v), contact_ohm))

    @property
    def leakage(self) -> Estimate:
        """The conductance of the worst leak to ground with which it still opens."""
        return ratio(self.line.current_a(self.inactive_v), self.inactive_v)


class DiscreteContacts:
    """Contact resistance, ground lift and leakage that every active-low discrete bears."""

    name = "discrete-contacts"
    title = "Discrete inputs: poor contacts, lifted ground, leakage"
    conditions = ("voltage_v", "current_limit_a")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        missing = without_reported_discretes(setup, untested="Poor contacts and leakage at the discretes")
        if missing is None and not _group(setup):
            return NotForModel(reason=f"model {setup.unit.model} has no active-low discrete")
        return missing or without_limit(setup, RESISTANCE, LIFT, LEAKAGE, of="its discretes")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the discretes' function."""
        return (function_named(setup.unit, "discretes"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture."""
        return needs_of(
            setup,
            _capture_need(setup),
            limits=_expected(setup),
            untested=("contacts and leaks are emulated through the stimulus resistor; no contact of 0 ohm is closed",),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Move every active-low pin slowly down and up again."""
        wake(rig, setup)
        group = _group(setup)
        with rig.capture(CAPTURE, pins_of(group), sample_rate_hz=RATE_HZ, lines=PIN_LINES) as session:
            actions: list[Action] = []
            for place, discrete in enumerate(group):
                duration_s = _ramp_s(setup, discrete)
                down_s = LEAD_S + DWELL_S + STAGGER_S * place
                up_s = down_s + duration_s + DWELL_S
                actions.append(drive_at(session, discrete.name, discrete.pull_voltage_v, LEAD_S))
                actions.append(ramp_at(session, discrete.name, LOWEST_V, down_s, duration_s))
                actions.append(ramp_at(session, discrete.name, discrete.pull_voltage_v, up_s, duration_s))
            play(session, actions)
            session.wait_until(_capture_need(setup).duration_s)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Drive the lines of discretes that look wrong again, with the unit unplugged."""
        suspects = [discrete for discrete in _group(setup) if self.suspect_measurements(evidence, setup, discrete)]
        pins = ", ".join(discrete.pin for discrete in suspects)
        if not isolate_lines(rig, setup, evidence, suspects, f"pin {pins} reads out of its limits, line or unit"):
            return False
        wake(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give three measurements for each active-low discrete."""
        for discrete in _group(setup):
            yield from self._measured(evidence, setup, discrete)

    def suspect_measurements(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> tuple[Measurement, ...]:
        """Return what of a discrete reads out of its limits, or can't be read for a reason that may be its line."""
        return tuple(
            found
            for found in self._measured(evidence, setup, discrete)
            if found.value < setup.unit.limits[found.limit].low
            or any(doubt.cause is not Cause.BENCH for doubt in found.doubts)
        )

    def _measured(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> Iterator[Measurement]:
        seen = self._seen(evidence, setup, discrete)
        lift_v, contact_ohm = setup.unit.limits[LIFT].low, setup.unit.limits[RESISTANCE].low
        contact = seen.contact(lift_v)
        if not seen.line.carries and not contact.doubts:
            contact = nothing(_gives_nothing(discrete))
        leak_s = seen.leakage
        closes = "no contact closed: the pin was put where such a contact puts it"
        for what, found, limit, unit, title, note in (
            (
                "contact-resistance",
                contact,
                RESISTANCE,
                "ohm",
                f"closes through, onto a ground lifted by {lift_v:g} V",
                closes,
            ),
            (
                "ground-lift",
                seen.ground_lift(contact_ohm),
                LIFT,
                "V",
                f"closes through {contact_ohm:g} ohm onto a ground lifted by",
                closes,
            ),
            ("leakage", leak_s, LEAKAGE, "S", "opens with a leak to ground of", _leak_note(leak_s)),
        ):
            yield found.measurement(
                id=f"{discrete.name}.{what}",
                limit=limit,
                title=f"{discrete.title}: {title}",
                function=function_named(setup.unit, "discretes"),
                quantity_unit=unit,
                pins=(discrete.pin,),
                notes=(note,),
            )

    def _seen(self, evidence: Evidence, setup: Setup, discrete: Discrete) -> Seen:
        record = Record(evidence, CAPTURE)
        rides = record.stimuli(discrete.name)
        if len(rides) < 3 or record.capture is None:
            lost = nothing(*(record.missing or (_cut_short(),)))
            line = LoadLine(first_v=lost, first_a=lost, second_v=lost, second_a=lost, drives_v=(0.0, 0.0))
            return Seen(active_v=lost, inactive_v=lost, line=line)
        begin, down, up = (ride.time_s for ride in rides[:3])
        line = load_line(
            record,
            setup.bench,
            discrete,
            Stretch(start_s=begin + SETTLE_S, stop_s=down, drive_v=discrete.pull_voltage_v),
            Stretch(start_s=up - DWELL_S + SETTLE_S, stop_s=up, drive_v=LOWEST_V),
        )
        spoilt = report_doubts(record, evidence, setup, discrete) or self._line_doubts(evidence, setup, discrete, line)
        delay = report_delay(setup)
        thresholds = []
        for active, start_s, stop_s in ((True, down, up), (False, up, record.duration_s)):
            change = first_change(record.reports(discrete.report), start_s, stop_s, state=active)
            if change is not None:
                signal = voltage_signal(discrete.name)
                found = crossing_on_ramp(record, signal, detected_s=change.time_s, delay=delay)
                thresholds.append(doubted(found, *spoilt))
            else:
                was_active = state_at(record.reports(discrete.report), start_s) is True
                thresholds.append(
                    nothing(*(spoilt or _no_change(setup, discrete, line, active=active, was_active=was_active)))
                )
        return Seen(active_v=thresholds[0], inactive_v=thresholds[1], line=line)

    def _line_doubts(self, evidence: Evidence, setup: Setup, discrete: Discrete, line: LoadLine) -> tuple[Doubt, ...]:
        """Return whose doing a pin is that does not follow, and that a line is known to be unsound."""
        sound = sound_alone(evidence, setup, discrete)
        if line.follows and sound is not False:
            return ()
        what = f"pin {discrete.pin} moved {abs(line.second_v.value - line.first_v.value):.2f} V"
        reason = f"{what} with its stimulus moving {abs(line.driven_v):.2f} V"
        if sound is None:
            step = f"unplug the unit and drive line {discrete.name} again"
            return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step, pin=discrete.pin),)
        if sound and line_explains(discrete, line.levels_v):
            return (series_doubt(discrete, reason),)
        if sound:
            proved = f"{reason}; its line is sound with the unit unplugged"
            return (Doubt(reason=proved, cause=Cause.UNIT, pin=discrete.pin),)
        step = "repair the line and repeat"
        return (
            Doubt(
                reason=f"line {discrete.name} is not sound with the unit unplugged", cause=Cause.BENCH, next_step=step
            ),
        )


def _group(setup: Setup) -> tuple[Discrete, ...]:
    return of_sense(setup, Sense.ACTIVE_LOW)


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the worst uncertainties of contact, lift and leak among the discretes."""
    rides = []
    for discrete in _group(setup):
        active, inactive = (
            expected_threshold(setup, discrete, level_v, rate_v_per_s=RAMP_RATE_V_PER_S)
            for level_v in (discrete.threshold_active_v, discrete.threshold_inactive_v)
        )
        line = expected_line(setup, discrete, (discrete.pull_voltage_v, LOWEST_V))
        rides.append(Seen(active_v=active, inactive_v=inactive, line=line))
    limits = setup.unit.limits
    lift_v, contact_ohm = (limits[key].low if key in limits else 0.0 for key in (LIFT, RESISTANCE))
    return (
        (RESISTANCE, worst(*(ride.contact(lift_v) for ride in rides))),
        (LIFT, worst(*(ride.ground_lift(contact_ohm) for ride in rides))),
        (LEAKAGE, worst(*(ride.leakage for ride in rides))),
    )


def _ramp_s(setup: Setup, discrete: Discrete) -> float:
    swing_v = discrete.pull_voltage_v - pin_for(discrete, setup.bench, LOWEST_V)
    return swing_v / RAMP_RATE_V_PER_S


def _capture_need(setup: Setup) -> CaptureNeed:
    group = _group(setup)
    longest_s = max(_ramp_s(setup, discrete) for discrete in group)
    duration_s = LEAD_S + 3 * DWELL_S + 2 * longest_s + STAGGER_S * len(group)
    return pin_capture(CAPTURE, group, sample_rate_hz=RATE_HZ, duration_s=duration_s)


def _no_change(
    setup: Setup, discrete: Discrete, line: LoadLine, *, active: bool, was_active: bool
) -> tuple[Doubt, ...]:
    """Say whose it is that a whole ride changed nothing: the unit's where the pin went further than it must."""
    if not active and was_active:
        reason = f"{discrete.title} stays active with its pin at {line.first_v.value:.2f} V and nothing drawn from it"
        return (Doubt(reason=reason, cause=Cause.UNIT),)
    if active and was_active:
        return (Doubt(reason=f"{discrete.title} is active with its line open", cause=Cause.UNIT),)
    limits = setup.unit.limits
    # With the worst contact the sheet allows, the pin stands where the unit's own current puts it through that contact.
    beyond_v = limits[LIFT].low + limits[RESISTANCE].low * line.second_a.value
    went = f"{discrete.title} did not go active with its pin at {line.second_v.value:.2f} V"
    if line.second_v.value + 2.0 * line.second_v.standard_uncertainty <= beyond_v:
        reason = f"{went}; the worst contact it must bear leaves {beyond_v:.2f} V there"
        return (Doubt(reason=reason, cause=Cause.UNIT),)
    step = "a stimulus with less resistance behind it"
    return (Doubt(reason=f"{went}, and the stimulus goes no lower", cause=Cause.BENCH, next_step=step),)


def _gives_nothing(discrete: Discrete) -> Doubt:
    return Doubt(
        reason=f"pin {discrete.pin} gives no current that could be told from none: what a contact drops can't be said",
        cause=Cause.UNDECIDED,
        next_step="see discrete-levels: pull-up current",
    )


def _leak_note(leak_s: Estimate) -> str:
    if not leak_s.value > 0.0:
        return "it does not open even without a leak"
    return f"that is a leak of {1e-3 / leak_s.value:.1f} kohm at the pin; emulated by drive level"


def _cut_short() -> Doubt:
    return Doubt(reason=f"{CAPTURE}: the stimulus was cut short", cause=Cause.BENCH, next_step="run it again")
