"""A course of the bus voltage that a unit is to live through: as asked, before any bench has tried to follow it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.survival import Disturbance

LADDER = "reset-ladder"  # its name in a unit sheet's `[profiles]`; a procedure of its own walks it
RECORDED_LEVELS = 8
RECORDED_STEP_S = 1e-4
LEVEL_STEP_V = 0.05


class Certainty(StrEnum):
    """How well the figures of a profile are founded; a report prints it beside what it decides."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice, no published source"
    UNVERIFIED = "unverified"
    RECORDED = "recorded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One stretch of a profile: from where the one before it ended, in a straight line to `voltage_v`.

    With a ripple the stretch stands at `voltage_v` and swings about it as a sine that begins and ends at nought.
    An open stretch has no source at all; what stands at the pins is then the unit's and its loads' own doing.
    """

    duration_s: float
    voltage_v: float
    level: bool  # it stands, rather than moves
    ripple_v: float = 0.0  # amplitude
    ripple_hz: float = 0.0
    open: bool = False


class Corner(NamedTuple):
    """A point of the polygon that a source of voltage plays."""

    time_s: float
    voltage_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A named course of the bus, with where its figures come from.

    Args:
        origin: whose bus it describes ("light aircraft", "road vehicle").
        unverified: figures in it that nobody could hold against a published text.
        nominal_voltage_v: of the electrical system it is for.
        starts_at_v: what stands before it, and again before each further try.
        tries: how often the course is played, `rest_s` apart.
    """

    name: str
    title: str
    origin: str
    edition: str
    source: str
    certainty: Certainty
    unverified: tuple[str, ...] = ()
    nominal_voltage_v: float
    starts_at_v: float
    segments: tuple[Segment, ...]
    tries: int = 1
    rest_s: float = 0.0
    digest: str = ""

    @property
    def duration_s(self) -> float:
        """Of one try."""
        return sum(segment.duration_s for segment in self.segments)

    @property
    def opens(self) -> bool:
        """Whether the source has to be taken away in it."""
        return any(segment.open for segment in self.segments)

    @property
    def lowest_v(self) -> float:
        """The lowest voltage asked of a source."""
        return min((s.voltage_v - s.ripple_v for s in self.segments if not s.open), default=self.starts_at_v)

    @property
    def highest_v(self) -> float:
        """The highest voltage asked of a source."""
        return max(self.starts_at_v, *(s.voltage_v + s.ripple_v for s in self.segments))

    @property
    def steepest_v_per_s(self) -> float:
        """The steepest slope asked of a source."""
        slopes = [0.0]
        before_v = self.starts_at_v
        for segment in self.segments:
            slopes.append(abs(segment.voltage_v - before_v) / segment.duration_s if not segment.level else 0.0)
            slopes.append(2.0 * np.pi * segment.ripple_hz * segment.ripple_v)
            before_v = segment.voltage_v
        return max(slopes)

    def corners(self, *, ripple_points: int = 16) -> tuple[Corner, ...]:
        """Return the polygon of one try, from (0, `starts_at_v`); a ripple becomes `ripple_points` chords a period.

        An open stretch stands in it at the voltage before, for the source to come back to.
        """
        corners = [Corner(0.0, self.starts_at_v)]
        for segment in self.segments:
            began_s = corners[-1].time_s
            if segment.level and corners[-1].voltage_v != segment.voltage_v:
                corners.append(Corner(began_s, segment.voltage_v))
            if segment.ripple_v > 0.0:
                n = max(2, round(segment.duration_s * segment.ripple_hz * ripple_points))
                for place in range(1, n):
                    at_s = segment.duration_s * place / n
                    swing_v = segment.ripple_v * np.sin(2.0 * np.pi * segment.ripple_hz * at_s)
                    corners.append(Corner(began_s + at_s, segment.voltage_v + float(swing_v)))
            corners.append(Corner(began_s + segment.duration_s, segment.voltage_v))
        return tuple(corners)

    def voltage_v(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what one try asks at times after its begin, shape (n,); NaN where the source is open."""
        corners = self.corners(ripple_points=64)
        asked_v = np.interp(times_s, [corner.time_s for corner in corners], [corner.voltage_v for corner in corners])
        began_s = 0.0
        for segment in self.segments:
            if segment.open:
                asked_v[(times_s >= began_s) & (times_s < began_s + segment.duration_s)] = np.nan
            began_s += segment.duration_s
        return asked_v

    def disturbances(self, below_v: float) -> tuple[Disturbance, ...]:
        """Return how long one try stands at or below each of its levels under `below_v`, the deepest first.

        Slopes between levels are left out, so a bench may be quicker or slower on them; a rippled level counts at its
        crest, below which it surely stands. Open stretches are no voltage and are judged by their own length.
        A recorded course has no levels: of it, the time at or below `RECORDED_LEVELS` voltages counts.
        """
        if self.certainty is Certainty.RECORDED:
            return self._of_recorded(below_v)
        levels = [
            (segment.voltage_v + segment.ripple_v, segment.duration_s)
            for segment in self.segments
            if segment.level and not segment.open and segment.voltage_v + segment.ripple_v < below_v
        ]
        return tuple(
            Disturbance(voltage_v=level_v, duration_s=sum(time_s for other_v, time_s in levels if other_v <= level_v))
            for level_v in sorted({level_v for level_v, _ in levels})
        )

    def times_below(self, below_v: float) -> tuple[Disturbance, ...]:
        """Return how long one try stands at or below each `LEVEL_STEP_V` from its lowest to `below_v`, slopes and all.

        So also at each of its own levels: a shot just above one may last as long as it.
        It bounds how hard a shot may be that still is no harder; open stretches count nothing.
        """
        course_v = np.sort(self.voltage_v(np.arange(0.0, self.duration_s, RECORDED_STEP_S)))
        if self.lowest_v > below_v:
            return ()
        stands_v = [s.voltage_v for s in self.segments if s.level and not s.open and s.voltage_v <= below_v]
        levels_v = np.unique([*np.arange(self.lowest_v, below_v + 1e-9, LEVEL_STEP_V), *stands_v])
        counts = np.searchsorted(course_v, levels_v + 1e-9, side="right")
        return tuple(
            Disturbance(voltage_v=float(level_v), duration_s=float(n) * RECORDED_STEP_S)
            for level_v, n in zip(levels_v, counts, strict=True)
        )

    def _of_recorded(self, below_v: float) -> tuple[Disturbance, ...]:
        course_v = self.voltage_v(np.arange(0.0, self.duration_s, RECORDED_STEP_S))
        levels_v = np.linspace(self.lowest_v, below_v, RECORDED_LEVELS + 2)[1:-1]
        timed = [
            (float(level_v), float(np.count_nonzero(course_v <= level_v)) * RECORDED_STEP_S) for level_v in levels_v
        ]
        return tuple(Disturbance(voltage_v=level_v, duration_s=time_s) for level_v, time_s in timed if time_s > 0.0)


class Behaviour(StrEnum):
    """What a unit sheet requires of a function in a profile, in brackets the class letter of ISO 16750-1."""

    KEPT_WORKING = "kept working"  # (A)
    RECOVERED = "out of limits and recovered"  # (B)
    LOST_AND_RECOVERED = "lost and recovered by itself"  # (C)
    POWER_CYCLE = "needs a power cycle"  # (D)

    @property
    def class_letter(self) -> str:
        """ISO 16750-1:2018, clause 6; class E speaks of repair and is not for a bench to say."""
        return dict(zip(Behaviour, "ABCD", strict=True))[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Required:
    """What a unit sheet requires of a model in one profile; None: nothing is asked of that."""

    hold_up: Behaviour | None = None
    logic: Behaviour | None = None
