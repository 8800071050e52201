"""Which way a bench can follow a profile of the bus, from what its sources do. Pure, before anything is driven.

A source plays stairs by its own clock (LIST). Where the bus falls faster than the supply can, the bus switch takes the
unit to a dip source that waits at the bottom and plays the rest; where it rises faster than that can, back to where it
began, the switch takes the unit back to the supply, which has stood there all along. Open stretches are the bus switch
alone.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from test_plans.profile import Profile, Segment
from test_plans.rig import Tread
from test_plans.sheets import Setup, SourceFacts

LONGEST_BREAK_S = 100e-6  # of the bus switch on its way to the dip source
CAPACITANCE_LIMIT = "input-capacitance"
_CLOSE = 1e-9
# (chords of a ripple, most stairs of a slope, shortest stair in dwells), the finest that the list holds is taken.
_STAIRS = (
    (16, 16, 1),
    (16, 8, 1),
    (8, 8, 1),
    (8, 5, 1),
    (8, 3, 1),
    (4, 5, 1),
    (4, 2, 1),
    (4, 1, 1),
    *((4, 1, 2**n) for n in range(1, 7)),
)
Pick = Callable[[float, float], float]


class Means(StrEnum):
    """How a bench follows a profile."""

    LIST = "by LIST on the supply"
    DIP_SOURCE = "by the bus switch to the dip source, which plays the rest by LIST"
    DIP_AND_BACK = "by the bus switch to the dip source and back to the supply"
    OPEN = "by opening the bus switch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How this bench follows a profile; without means, what it lacks and the cheapest thing that would do."""

    profile: str
    means: Means | None
    lacking: str = ""
    remedy: str = ""

    @property
    def sentence(self) -> str:
        """What the plan check says of it."""
        if self.means is not None:
            return f"profile {self.profile}: {self.means.value}"
        return f"profile {self.profile} is not achievable: {self.lacking}; cheapest thing missing: {self.remedy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """Where a profile falls faster than a source can: its parts before, in and after the fall."""

    before_s: float
    fall_s: float
    from_v: float
    to_v: float
    rest: Profile  # begins at the bottom


def way(profile: Profile, setup: Setup) -> Way:
    """Return how the bench of a setup follows a profile, or what it lacks."""
    lacking, remedy = _beyond(profile, setup)
    means = None
    if not lacking and profile.opens:
        means = Means.OPEN
        if any(not s.level or s.ripple_v > 0.0 or s.voltage_v != profile.starts_at_v for s in profile.segments):
            means, lacking, remedy = None, "it opens the bus and moves it", "a profile that does one of the two"
    elif not lacking:
        supply = setup.bench.supply
        faults = dict(_cant_play(profile, supply))
        if not faults:
            means = Means.LIST
        else:
            means = Means.DIP_SOURCE
            lacking, remedy = _with_dip_source(profile, setup, faults, back=False)
            if lacking and not _with_dip_source(profile, setup, faults, back=True)[0]:
                means, lacking, remedy = Means.DIP_AND_BACK, "", ""
            means = None if lacking else means
    return Way(profile=profile.name, means=means, lacking=lacking, remedy=remedy)


def first_fall(profile: Profile, source: SourceFacts) -> Fall | None:
    """Return the first fall that is too fast for a source; None where there is none, or something moves ahead of it."""
    level_v, before_s = profile.starts_at_v, 0.0
    for place, segment in enumerate(profile.segments):
        if segment.level and segment.ripple_v == 0.0 and segment.voltage_v == level_v:
            before_s += segment.duration_s
            continue
        if segment.voltage_v >= level_v:
            return None
        end, fall_s = place, 0.0
        while end < len(profile.segments) and _falls(profile.segments[end], level_v):
            level_v, fall_s, end = profile.segments[end].voltage_v, fall_s + profile.segments[end].duration_s, end + 1
        rest = profile.segments[end:]
        if not rest or (profile.starts_at_v - level_v) / max(fall_s, _CLOSE) <= source.slew_down_v_per_s:
            return None
        return Fall(
            before_s=before_s,
            fall_s=fall_s,
            from_v=profile.starts_at_v,
            to_v=level_v,
            rest=replace(profile, starts_at_v=level_v, segments=rest),
        )
    return None


def until_back(fall: Fall, begins_at_v: float) -> Profile | None:
    """Return what a fall leaves ahead of a last rise to where the profile began, at which it then stands.

    None where it ends otherwise, or has nothing at the bottom: then no switching back to the supply follows it.
    """
    segments = fall.rest.segments
    place = len(segments)
    while place and _stands(segments[place - 1], begins_at_v):
        place -= 1
    end = place
    while place and segments[place - 1].voltage_v > _before_v(fall, place - 1) and _moves(segments[place - 1]):
        place -= 1
    if not 0 < place < end or segments[end - 1].voltage_v != begins_at_v:
        return None
    return replace(fall.rest, segments=segments[:place])


def stairs(profile: Profile, source: SourceFacts, pick: Pick) -> tuple[Tread, ...]:
    """Return a profile as stairs that lie nowhere above it (`pick` min) or below it (max); nothing where none fit."""
    for chords, most, dwells in _STAIRS:
        steps = _treads(profile, chords, most, source.shortest_dwell_s)
        treads = tuple(_merged(steps, dwells * source.shortest_dwell_s, pick))
        if len(treads) <= source.list_points:
            return treads
    return ()


def _treads(profile: Profile, chords: int, most: int, shortest_s: float) -> Iterator[tuple[float, float, float]]:
    """Yield (lowest, highest, duration) of every stair: slopes are cut up, the chords of a ripple are one stair each.

    A sine bulges beyond its chord, yet not beyond the chord's ends: these are a multiple of a quarter of it apart.
    """
    rippled = list(_rippled(profile))
    for one, other in pairwise(profile.corners(ripple_points=chords)):
        duration_s, rise_v = other.time_s - one.time_s, other.voltage_v - one.voltage_v
        if duration_s <= 0.0:
            continue
        middle_s = one.time_s + 0.5 * duration_s
        whole = rise_v == 0.0 or any(begin_s < middle_s < end_s for begin_s, end_s in rippled)
        n = 1 if whole else max(1, min(most, int(duration_s / max(shortest_s, _CLOSE))))
        for place in range(n):
            begin_v, end_v = one.voltage_v + rise_v * place / n, one.voltage_v + rise_v * (place + 1) / n
            yield min(begin_v, end_v), max(begin_v, end_v), duration_s / n


def _rippled(profile: Profile) -> Iterator[tuple[float, float]]:
    """Yield (from, to) of every stretch with a ripple."""
    began_s = 0.0
    for segment in profile.segments:
        if segment.ripple_v > 0.0:
            yield began_s, began_s + segment.duration_s
        began_s += segment.duration_s


def _merged(treads: Iterator[tuple[float, float, float]], shortest_s: float, pick: Pick) -> Iterator[Tread]:
    """Yield stairs of at least a duration, those that are shorter joined with what follows."""
    held: tuple[float, float, float] | None = None
    for low_v, high_v, duration_s in treads:
        if held is not None and held[2] < shortest_s - _CLOSE:
            held = (min(held[0], low_v), max(held[1], high_v), held[2] + duration_s)
            continue
        if held is not None:
            yield Tread(pick(held[0], held[1]), held[2])
        held = (low_v, high_v, duration_s)
    if held is not None:
        yield Tread(pick(held[0], held[1]), max(held[2], shortest_s))


def _stands(segment: Segment, voltage_v: float) -> bool:
    return segment.level and not segment.open and segment.ripple_v == 0.0 and segment.voltage_v == voltage_v


def _moves(segment: Segment) -> bool:
    return not segment.open and not segment.level and segment.ripple_v == 0.0


def _before_v(fall: Fall, place: int) -> float:
    """Return where the segment ahead of one of a fall's rest ends."""
    return fall.rest.segments[place - 1].voltage_v if place else fall.to_v


def _falls(segment: Segment, from_v: float) -> bool:
    return not segment.open and segment.ripple_v == 0.0 and not segment.level and segment.voltage_v < from_v


def _beyond(profile: Profile, setup: Setup) -> tuple[str, str]:
    """Return what no way could mend, and the remedy: volts that the unit does not survive or no source gives."""
    survives_v, supply = setup.unit.survives_voltage_v, setup.bench.supply
    if profile.highest_v > survives_v:
        return (
            f"it rises to {profile.highest_v:g} V, {setup.unit.title} survives {survives_v:g} V",
            "a profile for this model's bus",
        )
    if profile.highest_v > supply.max_voltage_v:
        return f"it rises to {profile.highest_v:g} V", f"a supply of {profile.highest_v:g} V"
    return "", ""


def _cant_play(profile: Profile, source: SourceFacts) -> Iterator[tuple[str, str]]:
    """Yield what a source lacks to play a profile by LIST, and the remedy."""
    if not source.list_points:
        yield "plays no LIST", "that plays LISTs"
        return
    level_v = profile.starts_at_v
    up, down = 0.0, 0.0
    for segment in profile.segments:
        slope = 0.0 if segment.level else (segment.voltage_v - level_v) / segment.duration_s
        swing = 6.3 * segment.ripple_hz * segment.ripple_v
        up, down = max(up, slope, swing), max(down, -slope, swing)
        level_v = segment.voltage_v
    if up > source.slew_up_v_per_s * (1.0 + _CLOSE):
        yield f"rises at {source.slew_up_v_per_s:.0f} V/s, {up:.0f} V/s asked", f"of {up:.0f} V/s upwards"
    if down > source.slew_down_v_per_s * (1.0 + _CLOSE):
        yield f"falls at {source.slew_down_v_per_s:.0f} V/s, {down:.0f} V/s asked", f"of {down:.0f} V/s downwards"
    if not stairs(profile, source, min):
        yield f"holds {source.list_points} LIST points, too few for it", "with more LIST points"


def _with_dip_source(profile: Profile, setup: Setup, faults: dict[str, str], *, back: bool) -> tuple[str, str]:
    """Return what is lacking to follow a profile with a dip source, and the cheapest remedy; "" twice: nothing is.

    `back`: its last rise is the bus switch's, back to the supply.
    """
    facts = setup.bench
    alone, better = f"the supply {' and '.join(faults)}", f"a supply {' and '.join(faults.values())}"
    fall = first_fall(profile, facts.supply)
    if fall is None:
        return alone, better
    rest = until_back(fall, profile.starts_at_v) if back else fall.rest
    if rest is None:
        return alone, better
    if facts.dip_source is None:
        return f"{alone}, and there is no dip source", f"a dip source, or {better}"
    dip = facts.dip_source
    if not 0.0 < facts.switch_break_s <= LONGEST_BREAK_S:
        said = f"breaks for {facts.switch_break_s * 1e6:.0f} us" if facts.switch_break_s else "states no break-time"
        return f"the bus switch {said}", f"a bus switch that breaks for at most {LONGEST_BREAK_S * 1e6:.0f} us"
    lacking = dict(_cant_play(rest, dip))
    most = setup.unit.limits.get(CAPACITANCE_LIMIT)
    if most is not None and math.isfinite(most.high):
        sinks_a = most.high * (fall.from_v - fall.to_v) / fall.fall_s
        if sinks_a > dip.sink_current_a:
            lacking[f"sinks {dip.sink_current_a:g} A, {sinks_a:.1f} A asked"] = f"that sinks {sinks_a:.1f} A"
    if lacking:
        return f"the dip source {' and '.join(lacking)}", f"a dip source {' and '.join(lacking.values())}"
    return "", ""
