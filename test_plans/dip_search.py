"""Where the next dip of a map goes: near the boundary between survived and lost, of one function after the other.

The shortest duration is searched first, for a dip that was lost speaks for every longer one; then the longest, for one
that was survived speaks for every shorter one. What lies between is then bracketed already, and takes one dip just
above each boundary and one half way up: a unit that hangs in a narrow band is not monotone and shows itself there.
Pure.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from analysis.dip_map import Bracket, Dip, brackets, contradictions

TOO_NEAR_V = 0.03  # to a dip of the same duration: it would show the same again
MOST_UNTOLD = 4  # dips that showed nothing: the bench does not deliver, so more of them won't either


class Aim(NamedTuple):
    """What a dip is asked to be."""

    depth_v: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A dip that was taken; `dips` by function, one that it told nothing of is left out."""

    aim: Aim
    dips: Mapping[str, Dip]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What a map covers.

    Args:
        functions: what may be lost, in the order of interest, with how much further down than its bracket's middle the
            bench puts a dip, so that it is asked for that much higher, V.
        durations_s: rising.
        starts_at_v: ahead of every dip.
        first_v: where to begin; `deepest_v`: what to ask at most.
        resolution_v: a bracket this narrow is good enough.
        most: dips in all.
    """

    functions: Mapping[str, float]
    durations_s: tuple[float, ...]
    starts_at_v: float
    first_v: float
    deepest_v: float
    resolution_v: float
    most: int

    @property
    def foreseen(self) -> int:
        """How many dips a unit takes whose boundary lies at the same depth whatever the duration."""
        searched = 3 + 2 * len(self.functions)
        between = max(0, len(self.durations_s) - 2) * (1 + len(self.functions))
        return min(self.most, searched + (len(self.functions) if len(self.durations_s) > 1 else 0) + between)


def dips_of(taken: Sequence[Taken], function: str) -> list[Dip]:
    """Return the dips that tell something of a function."""
    return [one.dips[function] for one in taken if function in one.dips]


def map_of(taken: Sequence[Taken], grid: Grid, function: str) -> tuple[Bracket, ...]:
    """Return the bracket of each duration for a function."""
    return brackets(dips_of(taken, function), grid.durations_s, starts_at_v=grid.starts_at_v)


def next_aim(taken: Sequence[Taken], grid: Grid) -> Aim | None:
    """Return the next dip to take, which may be one to be taken again; None where the map is good enough."""
    if len(taken) >= grid.most or sum(not one.dips for one in taken) >= MOST_UNTOLD:
        return None
    return next(_wanted(taken, grid), None)


def _wanted(taken: Sequence[Taken], grid: Grid) -> Iterator[Aim]:
    yield from _to_repeat(taken, grid)
    shortest_s, *longer_s = grid.durations_s
    for depth_v in (grid.first_v, grid.deepest_v):
        yield from _unless_taken(taken, Aim(depth_v, shortest_s))
    yield from _nearer(taken, grid, shortest_s)
    for duration_s in (*longer_s[-1:], *longer_s[:-1]):
        bounds = list(_just_survived(taken, grid, shortest_s))
        for depth_v in bounds:
            yield from _unless_taken(taken, Aim(depth_v, duration_s))
        if duration_s != longer_s[-1]:
            half_way_v = round(0.5 * (grid.starts_at_v + max(bounds, default=grid.first_v)), 2)
            yield from _unless_taken(taken, Aim(half_way_v, duration_s))
        yield from _nearer(taken, grid, duration_s)


def _to_repeat(taken: Sequence[Taken], grid: Grid) -> Iterator[Aim]:
    """Yield the first dip of each function that was lost though a harder one was survived, where taken once only."""
    for function in grid.functions:
        for found in contradictions(dips_of(taken, function))[:1]:
            aim = next(one.aim for one in taken if one.dips.get(function) is found.lost)
            if sum(one.aim == aim for one in taken) < 2:
                yield aim


def _unless_taken(taken: Sequence[Taken], aim: Aim) -> Iterator[Aim]:
    same = [one.aim.depth_v for one in taken if one.aim.duration_s == aim.duration_s]
    if all(abs(depth_v - aim.depth_v) >= TOO_NEAR_V for depth_v in same):
        yield aim


def _just_survived(taken: Sequence[Taken], grid: Grid, duration_s: float) -> Iterator[float]:
    """Yield for each function what was asked of the deepest dip of a duration that it survived."""
    for function in grid.functions:
        survived = [
            one.aim.depth_v
            for one in taken
            if one.aim.duration_s == duration_s and function in one.dips and one.dips[function].kept
        ]
        if survived:
            yield min(survived)


def _nearer(taken: Sequence[Taken], grid: Grid, duration_s: float) -> Iterator[Aim]:
    """Yield the middle of each bracket of a duration that is too wide, the widest first."""
    place = grid.durations_s.index(duration_s)
    found = []
    for function, lower_v in grid.functions.items():
        bracket = map_of(taken, grid, function)[place]
        if grid.resolution_v < bracket.width_v < grid.starts_at_v:
            middle_v = 0.5 * (bracket.lost_v + bracket.kept_v) + lower_v
            found.append((bracket.width_v, Aim(round(middle_v, 2), duration_s)))
    for _, aim in sorted(found, key=lambda one: -one[0]):
        yield from _unless_taken(taken, aim)
