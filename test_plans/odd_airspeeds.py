"""Airspeeds that a unit must not be misled by: what is given, and which duty its sheet asks for. Pure.

Each is given for a short while after a sound one of the other kind, so that it shows at once whether it was believed:
what is as good as none changes nothing before airspeed is lost.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from test_plans.airspeed_duty import Look
from test_plans.airspeed_line import new_airspeed_s
from test_plans.conditions import required_limit
from test_plans.driving import LEAD_S
from test_plans.rig import AirspeedFault
from test_plans.sheets import Airspeed, Setup

LOOK_S = 0.25
BETWEEN_S = 0.1
AFTER_S = 0.5  # after the time by which airspeed must be given up
FROZEN_PART = 1.5  # of that time: a constant airspeed that still comes is no lost one
BEYOND_KT = 10.0
ABSURD_KT = 300.0  # where the sheet believes every figure
FAR_BEYOND_KT = 100.0  # above the highest it believes
NEGATIVE_KT = -20.0
POLARITY = 1
NEVER = Look(polarity=POLARITY, pressed_s=math.inf, released_s=math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One look: the sound airspeed given first (None: none), what is given then, NaN for no number, and what must come.

    `wait_s` lies between giving and looking; `given_s` and `looked` are capture time.
    """

    what: str
    title: str
    airspeed_kt: float
    expected_kt: float
    wait_s: float
    fault: AirspeedFault = AirspeedFault.NONE
    first_kt: float | None = None
    given_s: float = math.inf
    looked: Look = NEVER


def checks_of(setup: Setup) -> tuple[Check, ...]:
    """Return every look in order, with its times; nothing for a model without airspeed."""
    airspeed = setup.unit.airspeed
    if airspeed is None:
        return ()
    new_s = new_airspeed_s(airspeed)
    placed = []
    at_s = LEAD_S
    for check in _unplaced(setup, airspeed):
        given_s = at_s + (new_s if check.first_kt is not None else 0.0)
        pressed_s = given_s + check.wait_s
        looked = Look(polarity=POLARITY, pressed_s=pressed_s, released_s=pressed_s + LOOK_S)
        placed.append(replace(check, given_s=given_s, looked=looked))
        at_s = looked.released_s + BETWEEN_S
    return tuple(placed)


def end_of(checks: tuple[Check, ...]) -> float:
    """Return when the capture of these looks ends."""
    return checks[-1].looked.released_s + LOOK_S if checks else 0.0


def full_kt(setup: Setup) -> float:
    """Return an airspeed at which trim runs at full duty."""
    return max(0.0, setup.unit.full_trim_airspeed_kt - BEYOND_KT)


def _slow_kt(setup: Setup) -> float:
    rules = setup.unit.trim_rules
    return (setup.unit.full_trim_airspeed_kt if rules is None else rules.slow_airspeed_kt) + BEYOND_KT


def _unplaced(setup: Setup, airspeed: Airspeed) -> Iterator[Check]:
    soon_s = new_airspeed_s(airspeed) + BETWEEN_S
    middle_kt = 0.5 * (setup.unit.full_trim_airspeed_kt + _slow_kt(setup) - BEYOND_KT)
    given_up_s = required_limit(setup, "trim-airspeed-lost").high
    plain = _Plain(soon_s)
    yield plain("middle", "airspeed in the middle", middle_kt)
    if math.isinf(airspeed.frozen_s):
        frozen = plain("frozen", "same airspeed for long, still coming", middle_kt)
        yield replace(frozen, wait_s=FROZEN_PART * given_up_s)
    else:
        frozen = plain("frozen", "same airspeed for so long that it counts as lost", middle_kt)
        frozen = replace(frozen, fault=AirspeedFault.FROZEN)
        yield replace(frozen, expected_kt=math.nan, wait_s=airspeed.frozen_s * (given_up_s / airspeed.lost_s) + AFTER_S)
    yield from _absurd(setup, airspeed, plain)
    if airspeed.text is not None:
        yield from _spoilt(setup, airspeed, plain, middle_kt)
    none = plain("no-number", "no number for long", math.nan)
    yield replace(none, first_kt=full_kt(setup), wait_s=given_up_s + AFTER_S)
    yield plain("number-again", "a number again", full_kt(setup))


class _Plain:
    """Makes a look at an airspeed that must be believed."""

    def __init__(self, wait_s: float) -> None:
        self._wait_s = wait_s

    def __call__(self, what: str, title: str, airspeed_kt: float) -> Check:
        return Check(what=what, title=title, airspeed_kt=airspeed_kt, expected_kt=airspeed_kt, wait_s=self._wait_s)


def _absurd(setup: Setup, airspeed: Airspeed, plain: _Plain) -> Iterator[Check]:
    """Yield airspeeds beyond all reason, as far as the route can carry them."""
    analogue, full = airspeed.analogue, full_kt(setup)
    kept_s = required_limit(
        setup, "trim-airspeed-lost"
    ).low  # shorter than that, what is as good as none changes nothing
    if math.isfinite(airspeed.highest_kt):
        absurd_kt = airspeed.highest_kt + FAR_BEYOND_KT
        absurd = plain("absurd-high", f"airspeed {absurd_kt:g} kt after {full:g} kt", absurd_kt)
        if absurd.wait_s + LOOK_S < kept_s - airspeed.period_s:
            yield replace(absurd, first_kt=full, expected_kt=full)
    elif analogue is None:
        yield plain("absurd-high", f"airspeed {ABSURD_KT:g} kt", ABSURD_KT)
    if analogue is None or analogue.low_kt <= 0.0:
        yield plain("zero", "airspeed 0 kt", 0.0)
    if airspeed.lowest_kt >= 0.0 and analogue is None:
        slow_kt = _slow_kt(setup)
        negative = plain("negative", f"airspeed {NEGATIVE_KT:g} kt after {slow_kt:g} kt", NEGATIVE_KT)
        yield replace(negative, first_kt=slow_kt, expected_kt=slow_kt)


def _spoilt(setup: Setup, airspeed: Airspeed, plain: _Plain, middle_kt: float) -> Iterator[Check]:
    """Yield texts that must not be believed, each of an airspeed that would drive at full duty after a slow one."""
    slow_kt, full = _slow_kt(setup), full_kt(setup)
    refused = {
        "checksum": (AirspeedFault.CHECKSUM, "wrong checksum"),
        "cut-short": (AirspeedFault.CUT_SHORT, "sentence without checksum"),
    }
    for what, (fault, title) in refused.items():
        spoilt = plain(what, f"{title}, {full:g} kt after {slow_kt:g} kt", full)
        yield replace(spoilt, fault=fault, first_kt=slow_kt, expected_kt=slow_kt)
    if airspeed.text is None or "{unit}" not in airspeed.text.sentence:
        return
    if airspeed.text.converts_units:
        other = plain("other-unit", f"{middle_kt:g} kt in another unit, to be converted", middle_kt)
        yield replace(other, fault=AirspeedFault.OTHER_UNIT)
    else:
        other = plain("other-unit", f"{full:g} kt in another unit, to be refused, after {slow_kt:g} kt", full)
        yield replace(other, fault=AirspeedFault.OTHER_UNIT, first_kt=slow_kt, expected_kt=slow_kt)
