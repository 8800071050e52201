"""Interruptions of the bus: how long they are, in which state of the unit, and what its sheet requires. Pure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from test_plans.conditions import count, number
from test_plans.driving import ready_within_s
from test_plans.profile import Behaviour
from test_plans.profile_shot import Side
from test_plans.sheets import Setup

DURATIONS_S = (0.001, 0.002, 0.005, 0.010, 0.020, 0.050, 0.100, 0.200, 0.500)
TRIALS = 3
FAST_TO_S, FAST_HZ = 0.005, 40_000.0  # short ones are timed finest
FINE_TO_S, FINE_HZ = 0.050, 10_000.0
COARSE_HZ = 5_000.0
SWITCHES_S = 90e-6  # what the bus switch may be late by
SAMPLES_UNSURE = 2  # one at either end
MARGIN_SAMPLES = 3
AHEAD_S = 0.3  # a switch is pressed, ahead of a break
HEARD_S = 0.3  # beyond when a report is due
PAUSE_S = 0.3  # between letting go, pressing anew and letting go again
READ_S = 0.2  # ahead of a break, and at the end of a try
RESET_DURATION = "reset-duration"


class State(StrEnum):
    """What the unit is doing as its bus is interrupted."""

    IDLE = "idle"
    TRIM = "trim"
    DIMMING = "dimming"
    HOLD_UP = "hold-up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """One length of interruption in one capture, asked `duration_s`, played longer (hard) or shorter (soft).

    `required` is what the unit sheet asks for; None: nothing but that it does not move by itself.
    """

    state: State
    duration_s: float
    required: Behaviour | None
    side: Side = Side.HARD

    @property
    def name(self) -> str:
        """Of its capture."""
        return f"{self.state.value}.{words(self.duration_s).replace(' ', '')}.{self.side.value}"

    @property
    def rate_hz(self) -> float:
        """How fast it is sampled."""
        if self.duration_s <= FAST_TO_S:
            return FAST_HZ
        return FINE_HZ if self.duration_s <= FINE_TO_S else COARSE_HZ

    @property
    def unsure_s(self) -> float:
        """How far an achieved length may be off."""
        return SAMPLES_UNSURE / self.rate_hz

    @property
    def open_s(self) -> float:
        """How long the switch is told to be open, so that it surely was as long as asked, or surely no longer."""
        margin_s = MARGIN_SAMPLES / self.rate_hz + SWITCHES_S
        return self.duration_s + (margin_s if self.side is Side.HARD else -margin_s)

    @property
    def may_reset(self) -> bool:
        """Whether the unit may be reset in it."""
        return self.required not in {Behaviour.KEPT_WORKING, Behaviour.RECOVERED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """When what is done in one try, in capture time; the switch is pressed only in the state of a trim."""

    pressed_s: float
    open_s: float
    close_s: float
    released_s: float
    again_s: float  # pressed anew
    let_go_s: float
    end_s: float


def breaks_of(setup: Setup, state: State) -> tuple[Break, ...]:
    """Return the interruptions of a step: the series of lengths between conditions `short_s` and `long_s`."""
    short_s, long_s = number(setup, "short_s", DURATIONS_S[0]), number(setup, "long_s", DURATIONS_S[-1])
    longest = setup.unit.interruptions.get(state.value, {})
    return tuple(
        Break(state=state, duration_s=duration_s, required=required_of(longest, duration_s))
        for duration_s in DURATIONS_S
        if short_s <= duration_s * (1.0 + 1e-9) and duration_s <= long_s * (1.0 + 1e-9)
    )


def required_of(longest_s: Mapping[Behaviour, float], duration_s: float) -> Behaviour | None:
    """Return what is required in a break, from the longest one that each behaviour is required up to; None: nothing."""
    for behaviour in Behaviour:
        if behaviour in longest_s and duration_s <= longest_s[behaviour] * (1.0 + 1e-9):
            return behaviour
    return None


def courses(setup: Setup, one: Break, *, cut_off_s: float | None = None) -> tuple[Course, ...]:
    """Return when what is done in each try; `cut_off_s` is that of the axis held, in the state of a trim."""
    begin_s = setup.unit.bus.report_period_s + HEARD_S  # reports have come ahead of the first
    found = []
    for _ in range(count(setup, "trials", TRIALS)):
        open_s = begin_s + AHEAD_S
        close_s = open_s + one.open_s
        heard_s = close_s + back_within_s(setup, one)
        released_s = heard_s if cut_off_s is None else min(heard_s, begin_s + 0.85 * cut_off_s)
        again_s = max(released_s, heard_s) + PAUSE_S
        end_s = heard_s if cut_off_s is None else again_s + 2.0 * PAUSE_S
        found.append(
            Course(
                pressed_s=begin_s,
                open_s=open_s,
                close_s=close_s,
                released_s=released_s,
                again_s=again_s,
                let_go_s=again_s + PAUSE_S,
                end_s=end_s,
            )
        )
        begin_s = end_s
    return tuple(found)


def back_within_s(setup: Setup, one: Break) -> float:
    """Return how long the unit is given to be back: until its next report is due, or until a reset must be over."""
    period_s = setup.unit.bus.report_period_s
    if not one.may_reset:
        return period_s + HEARD_S
    limit = setup.unit.limits.get(RESET_DURATION)
    reset_s = limit.high if limit is not None and math.isfinite(limit.high) else 0.0
    return max(period_s, reset_s, ready_within_s(setup)) + HEARD_S


def words(duration_s: float) -> str:
    """Return a length of interruption in words."""
    return f"{duration_s * 1e3:g} ms"
