"""What a unit survives of dips of its bus, over depth and duration: the boundary between survived and lost. Pure.

Every dip is placed where its samples show it to have been. One that was survived speaks for every dip that is no
deeper and no longer; one that was lost for every dip that is no shallower and no shorter. The boundary is therefore
monotone by construction: with more time it lies at the same or a higher voltage. Where the shots themselves say
otherwise, a dip lost though a harder one was survived, the survived one counts for nothing on the map, and the
contradiction is a result of its own.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.uncertainty import Estimate, bounded


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One dip as it stood at the unit's pins, and whether it was survived.

    Args:
        name: what to call it in a sentence.
        asked_s: for how long it was asked, s.
        reached_v: it surely stood at or below this voltage for `at_least_s`.
        at_least_s: how long it surely stood there, s.
        lowest_v: it surely never stood below this voltage.
        at_most_s: how long it stood near its lowest at most, s.
        kept: whether the unit survived it.
    """

    name: str
    asked_s: float
    reached_v: float
    at_least_s: float
    lowest_v: float
    at_most_s: float
    kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """Between which voltages the boundary lies for dips of a duration.

    Args:
        lost_v: down here a dip is lost; -inf where none was.
        kept_v: down to here dips are survived; where none was, the voltage ahead of every dip.
        at_least_s: how long the survived dips lasted at least, s.
        at_most_s: how long the dip that was lost there lasted at most, s; the duration where that was shorter.
    """

    lost_v: float
    kept_v: float
    at_least_s: float
    at_most_s: float

    @property
    def width_v(self) -> float:
        """How far apart the two are; inf where nothing was lost."""
        return self.kept_v - self.lost_v

    @property
    def boundary(self) -> Estimate:
        """The voltage between survived and lost, evenly likely anywhere between; where nothing was lost, NaN."""
        if math.isinf(self.lost_v):
            return Estimate(value=math.nan)
        half_v = 0.5 * self.width_v
        return bounded(self.lost_v + half_v, half_v, "between the nearest survived and lost dips")


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """A dip that was lost though a harder one was survived."""

    lost: Dip
    survived: Dip


def contradictions(dips: Sequence[Dip]) -> tuple[Contradiction, ...]:
    """Return every dip that was lost though one surely at least as deep and as long was survived: with the hardest."""
    hardest: dict[str, Contradiction] = {}
    for one in _refuted(dips):
        known = hardest.get(one.lost.name)
        if known is None or _hardness(one.survived) > _hardness(known.survived):
            hardest[one.lost.name] = one
    return tuple(hardest.values())


def brackets(dips: Sequence[Dip], durations_s: Iterable[float], *, starts_at_v: float) -> tuple[Bracket, ...]:
    """Return the bracket of each duration; with them both its bounds rise or stay.

    A survived dip counts as long as it surely lasted. A bench makes dips a little longer than asked, so a lost one
    counts from the duration it was asked for, and the bracket tells how long such dips lasted at most.

    Raises:
        ValueError: the durations do not rise.
    """
    wanted_s = tuple(durations_s)
    if any(one >= other for one, other in pairwise(wanted_s)):
        raise ValueError(f"durations of a map of dips must rise, not {wanted_s}")
    refuted = [one.survived for one in _refuted(dips)]
    kept = [dip for dip in dips if dip.kept and dip not in refuted]
    lost = [dip for dip in dips if not dip.kept]
    found = []
    for at_least_s in wanted_s:
        within = [dip for dip in lost if dip.asked_s <= at_least_s]
        nearest = max(within, key=lambda dip: dip.lowest_v, default=None)
        lost_v = -math.inf if nearest is None else nearest.lowest_v
        kept_v = min((dip.reached_v for dip in kept if dip.at_least_s >= at_least_s), default=starts_at_v)
        found.append(
            Bracket(
                lost_v=min(lost_v, kept_v),
                kept_v=max(lost_v, kept_v),
                at_least_s=at_least_s,
                at_most_s=at_least_s if nearest is None else max(at_least_s, nearest.at_most_s),
            )
        )
    return tuple(found)


def _refuted(dips: Sequence[Dip]) -> Iterator[Contradiction]:
    """Yield every pair of a lost dip and a survived one that was surely at least as deep and as long."""
    lost_ones = [dip for dip in dips if not dip.kept]
    for lost in lost_ones:
        for kept in dips:
            if kept.kept and kept.reached_v <= lost.lowest_v and kept.at_least_s >= lost.at_most_s:
                yield Contradiction(lost=lost, survived=kept)


def _hardness(dip: Dip) -> tuple[float, float]:
    return -dip.reached_v, dip.at_least_s
