"""A fall of the bus and its rise at one rate: in stairs as fine as the supply can, and read back at the pins.

Rates are spaced by equal factors. One that the supply does not follow is left out, and said.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.measurement import Doubt
from analysis.verdict import Cause
from test_plans.bus_ramp_readings import STAIR_S
from test_plans.conditions import count, number
from test_plans.profile_way import CAPACITANCE_LIMIT
from test_plans.readings import Record
from test_plans.rig import CaptureSession, Rig, Source, Tread
from test_plans.sheets import Setup

ARRIVES_S = 0.05  # a list begins as much later than it was told
READ_PART = 0.1  # of a swing at either end is not read: the supply begins and arrives there
OFF_PART = 0.1  # of the rate asked: a rate further off is another one
DWELL_STEP_S = 1e-4  # supplies set dwells to that
SPARE_POINTS = 4  # of a list, for rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Down from one voltage, a stand, and up to another, at one rate."""

    from_v: float
    low_v: float
    to_v: float
    rate_v_per_s: float
    stands_s: float

    @property
    def duration_s(self) -> float:
        """How long it takes to play."""
        return (self.from_v + self.to_v - 2.0 * self.low_v) / self.rate_v_per_s + self.stands_s + ARRIVES_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Achieved:
    """The rates at the pins, V/s, NaN where the bus did not pass; `relative_u` is their standard uncertainty."""

    fall_v_per_s: float
    rise_v_per_s: float
    relative_u: float

    @property
    def words(self) -> str:
        """What was achieved, in words."""
        return f"{self._of(self.fall_v_per_s)} down, {self._of(self.rise_v_per_s)} up"

    def _of(self, rate: float) -> str:
        return f"{rate:.3g} V/s (U {200.0 * self.relative_u:.1f} %)" if math.isfinite(rate) else "no rate"


def rates_of(setup: Setup, *, first: float, last: float, rates: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the rates of a step in V/s, slowest first: those the supply follows, and those it does not.

    Conditions `first-rate`, `last-rate` and `rates` say how many between which; the arguments where they don't.
    """
    lowest = number(setup, "first_rate_v_per_s", first)
    highest = number(setup, "last_rate_v_per_s", last)
    spaced = np.geomspace(lowest, max(lowest, highest), count(setup, "rates", rates))
    most = _most_v_per_s(setup) * (1.0 + 1e-9)
    asked = tuple(dict.fromkeys(float(f"{rate:.3g}") for rate in spaced))
    return tuple(rate for rate in asked if rate <= most), tuple(rate for rate in asked if rate > most)


def beyond_reach(setup: Setup, rates: tuple[float, ...]) -> tuple[str, ...]:
    """Return in a sentence the rates that this bench's supply does not follow."""
    if not rates:
        return ()
    supply = setup.bench.supply
    listed = ", ".join(f"{rate:g}" for rate in rates)
    slews = f"the supply rises at {supply.slew_up_v_per_s:g} V/s and falls at {supply.slew_down_v_per_s:g} V/s"
    if _most_v_per_s(setup) < min(supply.slew_up_v_per_s, supply.slew_down_v_per_s):
        slews += f", and sinks {supply.sink_current_a:g} A, too little for the unit's input capacitor"
    return (f"Ramps of the bus at {listed} V/s: {slews}",)


def _most_v_per_s(setup: Setup) -> float:
    """Return the fastest that the bus can go both ways: a unit in reset draws nothing, so the supply empties it."""
    supply, capacitance = setup.bench.supply, setup.unit.limits.get(CAPACITANCE_LIMIT)
    slews = min(supply.slew_up_v_per_s, supply.slew_down_v_per_s)
    if capacitance is None or not math.isfinite(capacitance.high) or not supply.sink_current_a:
        return slews
    return min(slews, supply.sink_current_a / capacitance.high)


def treads_of(slope: Slope, setup: Setup) -> tuple[Tread, ...]:
    """Return the stairs that the supply plays by its own clock; nothing where the bench's are as fine."""
    supply = setup.bench.supply
    swing_s = (slope.from_v + slope.to_v - 2.0 * slope.low_v) / slope.rate_v_per_s
    if supply.list_points <= SPARE_POINTS:
        return ()
    tread_s = max(supply.shortest_dwell_s, swing_s / (supply.list_points - SPARE_POINTS))
    tread_s = math.ceil(tread_s / DWELL_STEP_S - 1e-6) * DWELL_STEP_S
    if tread_s >= STAIR_S:
        return ()
    down, up = (
        max(1, round((end_v - slope.low_v) / slope.rate_v_per_s / tread_s)) for end_v in (slope.from_v, slope.to_v)
    )
    falls = [slope.from_v - (slope.from_v - slope.low_v) * step / down for step in range(1, down)]
    rises = [slope.low_v + (slope.to_v - slope.low_v) * step / up for step in range(1, up + 1)]
    dwell_s = round(tread_s, 4)
    return (
        *(Tread(round(volts, 3), dwell_s) for volts in falls),
        Tread(round(slope.low_v, 3), round(slope.stands_s + dwell_s, 4)),
        *(Tread(round(volts, 3), dwell_s) for volts in rises),
    )


def play_slope(rig: Rig, session: CaptureSession, setup: Setup, slope: Slope, *, limit_a: float) -> None:
    """Have the bus fall and rise from where it stands; it ends at the slope's last voltage."""
    treads = treads_of(slope, setup)
    if not treads:
        rig.ramp_supply(slope.low_v, rate_v_per_s=slope.rate_v_per_s)
        rig.wait(slope.stands_s)
        rig.ramp_supply(slope.to_v, rate_v_per_s=slope.rate_v_per_s)
        return
    rig.load_course(Source.SUPPLY, treads, limit_a)
    session.play_course(Source.SUPPLY)
    rig.wait(sum(tread.dwell_s for tread in treads) + ARRIVES_S)
    rig.end_course(Source.SUPPLY)


def achieved(record: Record, slope: Slope, setup: Setup) -> Achieved:
    """Return the rates at the pins: the inner four fifths of either swing by the time they took."""
    volts = record.samples("unit.voltage")
    if record.capture is None or not volts.size:
        return Achieved(fall_v_per_s=math.nan, rise_v_per_s=math.nan, relative_u=math.nan)
    rate_hz = record.capture.sample_rate_hz
    low_index = int(np.argmin(record.smoothed("unit.voltage"))) * max(1, round(0.005 * rate_hz))
    spans = []
    for end_v, part in ((slope.from_v, volts[: low_index + 1][::-1]), (slope.to_v, volts[low_index:])):
        swing_v = end_v - slope.low_v
        near_v, far_v = slope.low_v + READ_PART * swing_v, end_v - READ_PART * swing_v
        near, far = (np.flatnonzero(part >= level) for level in (near_v, far_v))
        took_s = (float(far[0]) - float(near[0])) / rate_hz if near.size and far.size else 0.0
        spans.append((far_v - near_v) / took_s if took_s > 0.0 else math.nan)
    channel = record.capture.channels["unit.voltage"]
    shortest_v = (1.0 - 2.0 * READ_PART) * (min(slope.from_v, slope.to_v) - slope.low_v)
    treads = treads_of(slope, setup)
    stair_v = slope.rate_v_per_s * (treads[0].dwell_s if treads else STAIR_S)
    sample_v = slope.rate_v_per_s / rate_hz
    relative_u = math.hypot(
        channel.relative_bound / math.sqrt(3.0),
        math.sqrt(2.0) * channel.noise / shortest_v,
        math.hypot(stair_v, sample_v) / math.sqrt(6.0) / shortest_v,  # either end lies anywhere in its stair
    )
    return Achieved(fall_v_per_s=spans[0], rise_v_per_s=spans[1], relative_u=relative_u)


def slope_doubts(record: Record, slope: Slope, found: Achieved) -> tuple[Doubt, ...]:
    """Return the bench's doubts that the bus did not go as asked: not low enough, or at another rate."""
    bus = record.smoothed("unit.voltage")
    if record.capture is None or not bus.size:
        return record.missing
    step = "see what holds the supply, and whether it limits"
    if bus.min() > slope.low_v + 0.05:
        reason = f"{record.name}: the bus fell to {bus.min():.2f} V only, {slope.low_v:.2f} V was asked for"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)
    off = [abs(rate / slope.rate_v_per_s - 1.0) for rate in (found.fall_v_per_s, found.rise_v_per_s)]
    if all(part <= OFF_PART for part in off):  # NaN is not
        return ()
    reason = f"{record.name}: {slope.rate_v_per_s:g} V/s were asked for, the pins saw {found.words}"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)
