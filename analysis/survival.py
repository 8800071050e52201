"""Survival of a disturbance: what a shot says of the unit, given how hard it really was at the unit's pins.

A disturbance is asked as volts and time: at or below this voltage for that long. What the bench achieved is read
from the sampled voltage at the pins. A unit that survived a shot weaker than the asked one has shown nothing, and one
that lost a harder one has not failed: supply, leads and switch decide how hard a shot is, so the bench plans on both
sides of what is asked and only shots on the right side count.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Doubt
from analysis.verdict import Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """At or below `voltage_v` for `duration_s` in all, however the time is parted."""

    voltage_v: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Achieved:
    """The voltage at the unit's pins over one shot.

    Args:
        voltage_v: samples, shape (n,), evenly spaced.
        interval_s: from one sample to the next.
        expanded_voltage_v: U of one of them, in V.
        expanded_time_s: U of a duration read from them: the clock, and one sample at either end.
    """

    voltage_v: NDArray[np.float64]
    interval_s: float
    expanded_voltage_v: float
    expanded_time_s: float

    def surely_below_s(self, voltage_v: float) -> float:
        """Return the time it stood at or below a voltage, at least: U counts against the shot, in volts and in time."""
        n = int(np.count_nonzero(self.voltage_v + self.expanded_voltage_v <= voltage_v))
        return max(0.0, n * self.interval_s - self.expanded_time_s)

    def perhaps_below_s(self, voltage_v: float) -> float:
        """Return the time it stood below a voltage, at most."""
        n = int(np.count_nonzero(self.voltage_v - self.expanded_voltage_v < voltage_v))
        return n * self.interval_s + self.expanded_time_s if n else 0.0

    @property
    def lowest_v(self) -> float:
        """The lowest sample; NaN where there is none or one is no number."""
        return float(self.voltage_v.min()) if self.voltage_v.size else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One try at a disturbance, and whether the unit did in it what the sheet requires.

    Args:
        name: what to call it in a sentence.
        weaker: in which respects it was not surely at least as hard as asked (`too_weak`); nothing: it was.
        harder: in which respects it was not surely at most as hard as asked (`too_hard`); nothing: it was.
        behaved: whether the unit did what is required.
        spoilt: doubts about the shot itself, such as a clipped or gapped capture: it then shows nothing.
    """

    name: str
    weaker: tuple[str, ...]
    harder: tuple[str, ...]
    behaved: bool
    spoilt: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """What all shots at one disturbance show: the counts of an `Observation`, and the doubts that remain."""

    trials: int
    failures: int
    doubts: tuple[Doubt, ...]
    valid: tuple[str, ...]  # names of the shots that count


def too_weak(asked: Sequence[Disturbance], achieved: Achieved) -> tuple[str, ...]:
    """Say in which respects a shot was not surely at least as hard as asked; nothing: it was.

    Every part counts for itself: V + U at or below the voltage, for the duration and U more.
    """
    if not _known(achieved):
        return ("what stood at the pins is not known",)
    return tuple(
        f"at or below {part.voltage_v:.2f} V for {_time(below_s)}, asked {_time(part.duration_s)}"
        for part in asked
        if (below_s := achieved.surely_below_s(part.voltage_v)) < part.duration_s
    )


def too_hard(asked: Sequence[Disturbance], achieved: Achieved, disturbed_below_v: float) -> tuple[str, ...]:
    """Say in which respects a shot was not surely at most as hard as asked; nothing: it was.

    Below each asked voltage it may have stood only as long as the parts that lie deeper allow, below the deepest
    never, and below `disturbed_below_v` no longer than the longest part.
    """
    if not _known(achieved):
        return ("what stood at the pins is not known",)
    parts = sorted(asked, key=lambda part: part.voltage_v)
    bounds = [(part.voltage_v, parts[place - 1].duration_s if place else 0.0) for place, part in enumerate(parts)]
    bounds.append((disturbed_below_v, max((part.duration_s for part in parts), default=0.0)))
    return tuple(
        f"below {voltage_v:.2f} V for {_time(below_s)}, asked at most {_time(allowed_s)}"
        for voltage_v, allowed_s in bounds
        if (below_s := achieved.perhaps_below_s(voltage_v)) > allowed_s
    )


def survival(shots: Sequence[Shot]) -> Survival:
    """Return what shots show of one disturbance.

    A shot at least as hard as asked that the unit came through counts as a trial; one at most as hard that it did not
    come through counts as a trial and a failure. Nothing else counts. Without a shot that counts the bench owes the
    answer, and the doubt says what was achieved.
    """
    passed: list[str] = []
    failed: list[str] = []
    reasons: list[str] = []
    for shot in shots:
        if shot.spoilt:
            reasons += [f"{shot.name}: {doubt.reason}" for doubt in shot.spoilt]
            continue
        lacking = shot.weaker if shot.behaved else shot.harder
        if lacking:
            came = "came through a weaker shot" if shot.behaved else "did not come through a harder shot"
            reasons.append(f"{shot.name}: {came} than asked: {'; '.join(lacking)}")
        else:
            (passed if shot.behaved else failed).append(shot.name)
    counted = (*passed, *failed)
    doubts: tuple[Doubt, ...] = ()
    if not counted:
        doubts = (
            Doubt(
                reason="; ".join(reasons) or "no shot was taken",
                cause=Cause.BENCH,
                next_step="shoot again on the other side of what is asked, with a stiffer supply or shorter leads",
            ),
        )
    return Survival(trials=len(counted), failures=len(failed), doubts=doubts, valid=counted)


def _known(achieved: Achieved) -> bool:
    figures = (achieved.lowest_v, achieved.expanded_voltage_v, achieved.expanded_time_s)
    return all(math.isfinite(figure) for figure in figures)


def _time(duration_s: float) -> str:
    return f"{duration_s * 1e3:.2f} ms" if duration_s < 1.0 else f"{duration_s:.2f} s"
