"""Whatever supply, leads and profile: no shot that was too weak passes, and none that was too hard fails the unit.

A bench of arrays plays what a shot is played by (`profile_shot.playing`), as badly as it is drawn: set off, slow, soft,
sinking or giving little. What truly stood at the pins is then known, and what the reading makes of it, within what the
channel may be off, is held against it. Whether the unit came through is drawn too: it decides nothing of how hard it
was.
"""

from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_captures import Scene, Shelf, channel_of, setup_of

from analysis.survival import Shot, Survival, survival
from test_plans.profile import Certainty, Profile, Segment
from test_plans.profile_readings import Reading, read_shot
from test_plans.profile_shot import AFTER_S, BEFORE_S, CURRENT, Played, Side, playing
from test_plans.profile_way import Means, way
from test_plans.readings import Record

COARSE_HZ, FINE_HZ = 4000.0, 20_000.0  # where the margins of a shot matter it takes the bench's own rate
CAPACITANCE_F = 2.2e-3
SETUP = setup_of("engine-start")
FACTS = SETUP.bench.channels["unit.voltage"]
CHATTER = SETUP.plan.profiles["engine-start-w5-2ms"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """What feeds the pins, as it really is: its setting off by `off_v`, slews as parts of the stated ones."""

    off_v: float = 0.0
    slew_part: float = 1.0
    ohm: float = 0.018
    sink_a: float = 5.0
    limit_a: float = 16.0
    late_s: float = 0.0  # of the bus switch: as much of the bottom is lost
    power_w: float = 57.0  # drawn whatever stands at the pins


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A shot as it truly was, and as it was read."""

    true_v: np.ndarray  # between the switching to the source and the way back
    rate_hz: float
    reading: Reading


def told(profile: Profile, side: Side) -> Played:
    return playing(profile, SETUP, side)


def source_v(played: Played, feed: Feed, supply_v: float, rate_hz: float) -> tuple[np.ndarray, int, int]:
    """Return what the source drives over the shot, on the grid of the samples, and where the switch goes and comes."""
    n = round((BEFORE_S + played.duration_s + AFTER_S) * rate_hz)
    wanted = np.full(n, supply_v)
    at_s = BEFORE_S
    for tread in played.treads:
        wanted[round(at_s * rate_hz) : round((at_s + tread.dwell_s) * rate_hz)] = tread.voltage_v + feed.off_v
        at_s += tread.dwell_s
    wanted[round(at_s * rate_hz) : round((BEFORE_S + played.duration_s) * rate_hz)] = (
        played.treads[-1].voltage_v + feed.off_v
    )
    first, last = round((BEFORE_S + played.switched_s) * rate_hz), round((BEFORE_S + played.duration_s) * rate_hz)
    up_v, down_v = 200.0 * feed.slew_part / rate_hz, 100.0 * feed.slew_part / rate_hz
    driven = wanted.copy()
    begin = round(BEFORE_S * rate_hz) + 1
    for place in range(begin, last):
        driven[place] = min(max(wanted[place], driven[place - 1] - down_v), driven[place - 1] + up_v)
    return driven, first, last


def pins_v(driven: np.ndarray, span: tuple[int, int], feed: Feed, supply_v: float, step_s: float) -> np.ndarray:
    """Return what stands at the pins: the capacitor behind resistance, limit and sinking; a load of power."""
    volts = np.full(driven.size, supply_v)
    stands_v = supply_v
    for place in range(*span):
        load_a = feed.power_w / max(stands_v, 1.0)
        room = driven[place] ** 2 - 4.0 * feed.ohm * feed.power_w
        regulated_v = 0.5 * (driven[place] + np.sqrt(room)) if room > 0.0 else 0.0
        most_v = stands_v + (feed.limit_a - load_a) * step_s / CAPACITANCE_F
        least_v = stands_v - (feed.sink_a + load_a) * step_s / CAPACITANCE_F
        stands_v = max(min(max(regulated_v, least_v), most_v), 0.0)
        volts[place] = stands_v
    return volts


def shot_at(profile: Profile, side: Side, feed: Feed, *, reads_off: float = 0.0, rate_hz: float = COARSE_HZ) -> Taken:
    """Take a shot; `reads_off` is the part of its bounds by which the channel of the pins is off."""
    played = told(profile, side)
    driven, first, last = source_v(played, feed, profile.starts_at_v, rate_hz)
    volts = pins_v(driven, (first + round(feed.late_s * rate_hz), last), feed, profile.starts_at_v, 1.0 / rate_hz)
    scene = Scene("shot", volts.size / rate_hz, rate_hz, set_voltage_v=profile.starts_at_v, current_limit_a=16.0)
    scene.signal("unit.voltage", volts + reads_off * (FACTS.relative_bound * volts + FACTS.absolute_bound))
    scene.signal(CURRENT, 4.0)
    for place, path in ((first, "dip source"), (last, "run")):
        scene.event("stimulus", place / rate_hz, line="bus switch", path=path)
    reading = read_shot(Record(Shelf(scene.capture()), "shot"), profile, SETUP)
    return Taken(true_v=volts[first:last], rate_hz=rate_hz, reading=reading)


def found(reading: Reading, *, behaved: bool) -> Survival:
    """Return what the shot counts as, were nothing else in doubt."""
    return survival([Shot(name="shot", weaker=reading.weaker, harder=reading.harder, behaved=behaved)])


def below_s(taken: Taken, voltage_v: float) -> float:
    return float(np.count_nonzero(taken.true_v <= voltage_v)) / taken.rate_hz


@st.composite
def profiles(draw) -> Profile:
    """Draw a start: a fall that the supply can't follow, a bottom, a lower level, and the way up."""
    bottom_v, level_v = draw(st.floats(4.5, 8.5)), draw(st.floats(5.5, 9.8))
    parts = (
        (draw(st.floats(0.006, 0.02)), bottom_v, False),
        (draw(st.floats(0.015, 0.06)), bottom_v, True),
        (0.05, max(level_v, bottom_v), False),
        (draw(st.floats(0.05, 0.3)), max(level_v, bottom_v), True),
        (0.1, 12.6, False),
    )
    return Profile(
        name="start",
        title="Start",
        origin="test",
        edition="",
        source="test",
        certainty=Certainty.COMMON_PRACTICE,
        nominal_voltage_v=14.0,
        starts_at_v=12.6,
        segments=tuple(Segment(duration_s=s, voltage_v=v, level=level) for s, v, level in parts),
    )


FEEDS = st.builds(
    Feed,
    off_v=st.floats(-0.1, 0.1) | st.floats(-0.6, 0.6),  # about what the margins make good, and far beyond
    slew_part=st.sampled_from((1.0, 0.5, 0.1, 0.02)),
    ohm=st.floats(0.0, 0.02) | st.floats(0.0, 0.3),
    sink_a=st.sampled_from((5.0, 1.0, 0.0)),
    limit_a=st.sampled_from((16.0, 8.0, 3.0)),
    late_s=st.floats(0.0, 0.03),
    power_w=st.floats(2.0, 60.0),
)


@settings(max_examples=80, deadline=None)
@given(profile=profiles(), feed=FEEDS, side=st.sampled_from(tuple(Side)), reads_off=st.floats(-1.0, 1.0))
def test_no_shot_passes_that_was_not_hard_enough_and_none_fails_the_unit_that_was_harder(
    profile, feed, side, reads_off
):
    assert way(profile, SETUP).means is Means.DIP_SOURCE
    taken = shot_at(profile, side, feed, reads_off=reads_off)
    passed, failed = found(taken.reading, behaved=True), found(taken.reading, behaved=False)
    if passed.trials:
        for part in profile.disturbances(profile.starts_at_v):
            assert below_s(taken, part.voltage_v) >= part.duration_s
    if failed.failures:
        assert taken.true_v.min() >= profile.lowest_v
        for part in profile.times_below(10.0):
            assert below_s(taken, part.voltage_v - 1e-9) <= part.duration_s + 2.0 / taken.rate_hz
    assert not (passed.trials and failed.failures)


@settings(max_examples=6, deadline=None)
@given(profile=profiles(), reads_off=st.floats(-1.0, 1.0))
def test_a_sound_bench_can_pass_on_the_hard_side_and_fail_on_the_soft_one(profile, reads_off):
    hard, soft = (shot_at(profile, side, Feed(), reads_off=reads_off, rate_hz=FINE_HZ).reading for side in Side)
    assert found(hard, behaved=True).trials == 1
    assert found(soft, behaved=False).failures == 1


def broken(opens_s: list[float]) -> Reading:
    """Return the reading of five breaks of the bus as long as given, each on its own grid of 20 us."""
    rate_hz, played = 50_000.0, told(CHATTER, Side.HARD)
    scene = Scene("shot", BEFORE_S + played.duration_s + 0.1, rate_hz, set_voltage_v=12.6, current_limit_a=16.0)
    amps = np.full(scene.n, 4.0)
    for (from_s, to_s), open_s in zip(played.breaks_s, opens_s, strict=True):
        begins_s = BEFORE_S + from_s
        scene.event("stimulus", begins_s, line="bus switch", path="open")
        scene.event("stimulus", BEFORE_S + to_s, line="bus switch", path="run")
        amps[(scene.times_s >= begins_s) & (scene.times_s < begins_s + open_s)] = 0.0
    scene.signal("unit.voltage", 12.6).signal(CURRENT, amps)
    return read_shot(Record(Shelf(scene.capture()), "shot"), CHATTER, SETUP)


@settings(max_examples=10, deadline=None)
@given(opens_s=st.lists(st.floats(0.0005, 0.006), min_size=5, max_size=5))
def test_a_break_that_was_too_short_never_passes_and_one_too_long_never_fails_the_unit(opens_s):
    asked_s = [segment.duration_s for segment in CHATTER.segments if segment.open]
    reading = broken(opens_s)
    if found(reading, behaved=True).trials:
        assert all(open_s >= asked for open_s, asked in zip(opens_s, asked_s, strict=True))
    if found(reading, behaved=False).failures:
        assert all(open_s <= asked for open_s, asked in zip(opens_s, asked_s, strict=True))


def test_breaks_as_long_as_they_were_meant_to_be_count():
    asked_s = [segment.duration_s for segment in CHATTER.segments if segment.open]
    assert found(broken([open_s + 150e-6 for open_s in asked_s]), behaved=True).trials == 1
    assert found(broken([open_s - 150e-6 for open_s in asked_s]), behaved=False).failures == 1


def test_the_channel_of_the_test_is_the_benchs():
    assert channel_of("unit.voltage").absolute_bound == FACTS.absolute_bound
