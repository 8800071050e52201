"""A map of the dips of the bus that the unit survives, over depth and duration, with the hold-up output loaded.

Every dip is a shot at a profile of its own, a little harder than asked. Each next one is put near the boundary that
the ones before it left open (`test_plans.dip_search`), and each is placed where the pins show it to have been.
"""

import math
from collections.abc import Iterable

import numpy as np

from analysis.measurement import Result
from analysis.uncertainty import bounded
from test_plans.conditions import count, number
from test_plans.dip_findings import LIMITS, boundary, monotone, motion, picture, recovers
from test_plans.dip_readings import (
    HOLD_UP,
    dip_profile,
    dips_taken,
    functions_of,
    name_of,
    read_dip,
)
from test_plans.dip_search import Aim, Grid, map_of, next_aim
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.profile_needs import shot_functions, shot_needs
from test_plans.profile_shot import (
    Side,
    capture_need,
    hard_margin_v,
    leave,
    make_ready,
    reading_bound_v,
    shoot,
)
from test_plans.profile_way import Way, way
from test_plans.readings import Record
from test_plans.reset_counts import asked_for, counted_over
from test_plans.rig import Rig
from test_plans.sheets import Setup

SHORT_S, LONG_S, POINTS = 0.010, 0.500, 4
DEEPEST_PART = 0.3  # of the nominal voltage
FIRST_PART = 0.6  # where the sheet has no limit to begin at
RESOLUTION_V = 0.35  # a bracket this narrow is good enough
FORESEEN_V = 0.25  # what brackets of that come to
MOST_DIPS = 26
APART_S, STARTS_S = 0.3, 6.0


class DipMap:
    """Depth and duration of what the unit survives, by a search along the boundary."""

    name = "dip-map"
    title = "Dips of the bus: the depth survived at each duration"
    conditions = ("short_s", "long_s", "points", "low_voltage_v", "current_limit_a")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model is left out: nothing of it shows whether it survived."""
        if functions_of(setup):
            return None
        reason = f"model {setup.unit.model} has no hold-up output and reports no resets"
        return NotForModel(reason=reason, untested="Which dips of the bus it survives")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function and the hold-up output's."""
        return shot_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return as many captures as a unit takes that survives one depth whatever the duration."""
        grid, ahead = _grid(setup), _ahead(setup)
        n = grid.foreseen if ahead.means is not None else 0
        times_s = [grid.durations_s[0 if 2 * place < n else -1] for place in range(n)]  # half of all are the shortest
        known = [name for name in functions_of(setup) if LIMITS[name] in setup.unit.limits]
        return shot_needs(
            setup,
            [capture_need(dip_profile(Aim(grid.deepest_v, time_s), setup), setup, Side.HARD) for time_s in times_s],
            [ahead],
            highest_v=setup.unit.nominal_voltage_v,
            apart_s=STARTS_S + n * APART_S,
            limits=tuple((LIMITS[name], _expected(setup)) for name in known),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the first dip."""
        aim = next_aim((), _grid(setup))
        if aim is not None and _ahead(setup).means is not None:
            make_ready(rig, setup)
            shoot(rig, setup, dip_profile(aim, setup), Side.HARD)
            leave(rig, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Take one dip after the other, each where the ones before left the boundary open."""
        read = dips_taken(evidence, setup)
        if len(read) != 1:
            return False  # all are taken in one go
        grid = _grid(setup)
        while (aim := next_aim([one.taken for one in read], grid)) is not None:
            make_ready(rig, setup, afresh=bool(read[-1].gone))
            attempt = sum(one.taken.aim == aim for one in read)
            shoot(rig, setup, dip_profile(aim, setup), Side.HARD, attempt=attempt)
            read.append(read_dip(Record(evidence, name_of(aim, setup, attempt)), aim, setup))
        make_ready(rig, setup, afresh=bool(read[-1].gone))
        leave(rig, setup)
        return len(read) > 1

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the boundary at each duration, whether it is one, what moved, what did not come back, and the map."""
        read, grid, ahead = dips_taken(evidence, setup), _grid(setup), _ahead(setup)
        for function in functions_of(setup):
            for bracket in map_of([one.taken for one in read], grid, function):
                yield boundary(read, setup, ahead, function, bracket)
            yield monotone(read, setup, ahead, function)
            yield recovers(read, setup, ahead, function)
            yield picture([one.taken for one in read], grid, setup, function)
        yield motion(read, setup, ahead)
        yield from asked_for(self.name, counted_over(evidence), setup)


def _grid(setup: Setup) -> Grid:
    short_s, long_s = number(setup, "short_s", SHORT_S), number(setup, "long_s", LONG_S)
    spaced = np.geomspace(max(short_s, 0.001), max(long_s, 0.001), count(setup, "points", POINTS))
    nominal_v = setup.unit.nominal_voltage_v
    limits = [setup.unit.limits[LIMITS[name]].high for name in functions_of(setup) if LIMITS[name] in setup.unit.limits]
    first_v = max((high for high in limits if math.isfinite(high)), default=FIRST_PART * nominal_v)
    return Grid(
        functions={name: hard_margin_v(setup, first_v, loaded=name == HOLD_UP) for name in functions_of(setup)},
        durations_s=tuple(sorted({round(float(duration_s), 3) for duration_s in spaced})),
        starts_at_v=nominal_v,
        first_v=round(first_v, 2),
        deepest_v=round(number(setup, "low_voltage_v", DEEPEST_PART * nominal_v), 2),
        resolution_v=RESOLUTION_V,
        most=MOST_DIPS,
    )


def _ahead(setup: Setup) -> Way:
    grid = _grid(setup)
    return way(dip_profile(Aim(grid.deepest_v, grid.durations_s[-1]), setup), setup)


def _expected(setup: Setup) -> float:
    """Return the u of a boundary: evenly likely anywhere in a bracket, which U of the voltage widens at either end."""
    half_v = 0.5 * FORESEEN_V + reading_bound_v(setup, _grid(setup).deepest_v)
    return bounded(0.0, half_v, "bracket").standard_uncertainty
