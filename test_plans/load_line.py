"""A pin's own load line: what current the unit gives at what voltage, from the pin under two drive levels.

The unit stands behind its pin as a resistor to a voltage (Thevenin), so two loads give every other one: a contact of
any resistance to a ground lifted by any voltage, a leak, an open line. What is sampled is the pin; the current is
what the stimulus resistor drops.
"""

from dataclasses import dataclass

from analysis.uncertainty import Estimate, bounded, difference, product, ratio, total
from test_plans.discrete_pins import pin_for
from test_plans.driving import STIMULUS_MAX_V
from test_plans.expected import reading
from test_plans.readings import Record
from test_plans.sheets import BenchFacts, Discrete, Setup
from test_plans.signals import voltage_signal

FOLLOWS_PART = 0.5  # of what was driven: a pin that moves less is held, or the stimulus does not reach it
TOLD_APART_U = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of a capture in which a line stood at one drive level."""

    start_s: float
    stop_s: float
    drive_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLine:
    """The pin at two drive levels: volts there, and amperes that the unit gave out of it."""

    first_v: Estimate
    first_a: Estimate
    second_v: Estimate
    second_a: Estimate
    drives_v: tuple[float, float]  # both drive levels

    @property
    def driven_v(self) -> float:
        """How far the drive moved."""
        return self.drives_v[1] - self.drives_v[0]

    @property
    def levels_v(self) -> tuple[tuple[float, float], ...]:
        """Both loads as (stimulus, pin)."""
        return tuple(zip(self.drives_v, (self.first_v.value, self.second_v.value), strict=True))

    @property
    def conductance_s(self) -> Estimate:
        """What the unit itself conducts at the pin."""
        return ratio(difference(self.second_a, self.first_a), difference(self.first_v, self.second_v))

    @property
    def open_v(self) -> Estimate:
        """Where the pin stands with nothing at it; says nothing unless it `carries`."""
        return total(self.first_v, ratio(self.first_a, self.conductance_s))

    @property
    def carries(self) -> bool:
        """Whether the unit's current can be told apart under the two loads."""
        change = difference(self.second_a, self.first_a)
        return abs(change.value) > TOLD_APART_U * change.standard_uncertainty

    @property
    def follows(self) -> bool:
        """Whether the pin moved with its stimulus."""
        return abs(self.second_v.value - self.first_v.value) >= FOLLOWS_PART * abs(self.driven_v)

    def current_a(self, pin_v: Estimate) -> Estimate:
        """Return what the unit gives with its pin at `pin_v`."""
        return total(self.first_a, product(self.conductance_s, difference(self.first_v, pin_v)))


def current_at(record: Record, facts: BenchFacts, discrete: Discrete, stretch: Stretch) -> tuple[Estimate, Estimate]:
    """Return the pin's voltage in a stretch and the current out of it, through the stimulus resistor."""
    pin_v = record.mean(voltage_signal(discrete.name), stretch.start_s, stretch.stop_s)
    return pin_v, current_through(pin_v, stretch.drive_v, facts, discrete)


def current_through(pin_v: Estimate, drive_v: float, facts: BenchFacts, discrete: Discrete) -> Estimate:
    """Return the current out of a pin that stands at `pin_v` with its line driven to a level."""
    bound_v = facts.stimulus_relative_bound * STIMULUS_MAX_V + facts.stimulus_absolute_bound_v
    driven = bounded(drive_v, bound_v, f"stimulus {discrete.name}")  # one source: its zero error is shared
    resistor = bounded(
        facts.stimulus_resistance_ohm,
        facts.stimulus_resistance_bound * facts.stimulus_resistance_ohm,
        f"stimulus resistor {discrete.name}",
    )
    return ratio(difference(pin_v, driven), resistor)


def load_line(record: Record, facts: BenchFacts, discrete: Discrete, first: Stretch, second: Stretch) -> LoadLine:
    """Return the load line of a discrete's pin from two stretches of one capture."""
    first_v, first_a = current_at(record, facts, discrete, first)
    second_v, second_a = current_at(record, facts, discrete, second)
    return LoadLine(
        first_v=first_v,
        first_a=first_a,
        second_v=second_v,
        second_a=second_a,
        drives_v=(first.drive_v, second.drive_v),
    )


def expected_current(setup: Setup, discrete: Discrete, drive_v: float) -> tuple[Estimate, Estimate]:
    """Return what `current_at` will give of a good unit at a drive level."""
    pin_v = reading(setup, voltage_signal(discrete.name), pin_for(discrete, setup.bench, drive_v))
    return pin_v, current_through(pin_v, drive_v, setup.bench, discrete)


def expected_line(setup: Setup, discrete: Discrete, drives_v: tuple[float, float]) -> LoadLine:
    """Return what `load_line` will give of a good unit at two drive levels."""
    first_v, first_a = expected_current(setup, discrete, drives_v[0])
    second_v, second_a = expected_current(setup, discrete, drives_v[1])
    return LoadLine(first_v=first_v, first_a=first_a, second_v=second_v, second_a=second_a, drives_v=drives_v)
