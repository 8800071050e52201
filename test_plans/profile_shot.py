"""One shot at a profile of the bus: played harder or softer than asked by a margin, sampled at the pins.

What a bench does is never quite what was asked. So a shot meant to be survived lies below the profile by more than
supply, leads and reading may be off, and lasts longer; one that shows a failure lies above it and is shorter. Which of
the two a shot really was is read from its samples (`test_plans.profile_readings`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from test_plans.driving import bring_up
from test_plans.hold_up import LIMIT_A, full_load, limit_a, put_load
from test_plans.procedure import CaptureNeed
from test_plans.profile import Profile
from test_plans.profile_way import Fall, Means, first_fall, stairs, until_back, way
from test_plans.rig import CaptureSession, Rig, Source, SupplyPath, Tread
from test_plans.sheets import Setup, SourceFacts, WatchedOutput
from test_plans.signals import current_signal, voltage_signal
from test_plans.switch_lines import watched_lines

CURRENT = "unit.current.high"
BREAK_RATE_HZ = 50_000.0  # of a profile that opens the bus
FAST_RATE_HZ = 20_000.0
SLOW_RATE_HZ = 5_000.0  # of one that lasts
LASTS_S = 15.0
SLOWLY_V_PER_S = 60.0  # a course that nowhere moves faster shows itself in slow samples
BEFORE_S = 1.3  # reports come every second
LEAD_S = 0.3  # a source plays its first step as long before the bus switch comes to it
TAIL_S = 0.5  # at the profile's last voltage, ahead of the way back to the supply
AFTER_S = 3.5  # a unit that was reset reports again, and the output is back
LONGER_S = 0.005  # a source begins as much sooner or later than it was told
LONGER_PART = 0.002  # its clock may be off
BREAK_LONGER_S = 150e-6  # the bus switch and two samples
STRAY_V = 0.02  # beyond what sheets bound
NOISE_RMS = 5.0  # no sample is further off
EMPTIES_S = 1.5  # the unit, through the bleed
UNITS_OWN_A = 0.25  # besides its converter


class Side(StrEnum):
    """Which side of a profile a shot is meant for."""

    HARD = "hard"
    SOFT = "soft"


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """How a shot is played: what a source is given, and when the bus switch comes to it and leaves it."""

    source: Source | None  # None: the bus switch alone
    treads: tuple[Tread, ...]
    switched_s: float  # after the source began; 0 where the switch stays
    duration_s: float  # from the source's begin until all is as before
    breaks_s: tuple[tuple[float, float], ...] = ()  # (from, to) with the bus open, after the begin
    stands_s: float = 0.0  # after that, at the supply, ahead of a further try


def capture_name(profile: Profile, side: Side, attempt: int = 0) -> str:
    """Return the name of a shot's capture; `attempt` above 0 is one after a power cycle."""
    return f"{profile.name}.{side.value}" + (f".{attempt}" if attempt else "")


def signals_of(setup: Setup) -> tuple[str, ...]:
    """Return bus, supply current, the hold-up output and everything that must not move."""
    return (
        "unit.voltage",
        CURRENT,
        *held_signals(setup),
        *(voltage_signal(name) for name in moving_outputs(setup)),
    )


def held_signals(setup: Setup) -> tuple[str, ...]:
    """Return voltage and current of the hold-up output; nothing where the model has none."""
    output = hold_up_of(setup)
    return () if output is None else (voltage_signal(output.name), current_signal(output.name))


def hold_up_of(setup: Setup) -> WatchedOutput | None:
    """Return the hold-up output, None where the model has none."""
    return next((output for output in setup.unit.outputs if output.held_up), None)


def moving_outputs(setup: Setup) -> tuple[str, ...]:
    """Return the outputs that may not come on by themselves: motors and lights."""
    unit = setup.unit
    return (*(axis.name for axis in unit.trims), *(output.name for output in unit.outputs if not output.held_up))


def rate_hz(profile: Profile) -> float:
    """Return how fast shots at a profile are sampled."""
    if profile.opens:
        return BREAK_RATE_HZ
    fast = profile.tries * profile.duration_s <= LASTS_S and profile.steepest_v_per_s > SLOWLY_V_PER_S
    return FAST_RATE_HZ if fast else SLOW_RATE_HZ


def capture_need(profile: Profile, setup: Setup, side: Side) -> CaptureNeed:
    """Return the capture of a shot."""
    output = hold_up_of(setup)
    held = {} if output is None else {voltage_signal(output.name): output.held_v}
    return CaptureNeed(
        name=capture_name(profile, side),
        signals=signals_of(setup),
        lines=watched_lines(setup.unit),
        sample_rate_hz=rate_hz(profile),
        duration_s=shot_duration_s(profile, setup, side),
        highest_v={"unit.voltage": profile.highest_v, **held},
    )


def shot_duration_s(profile: Profile, setup: Setup, side: Side) -> float:
    """Return how long the capture of a shot takes."""
    played = playing(profile, setup, side)
    apart_s = played.stands_s + profile.rest_s
    return BEFORE_S + profile.tries * played.duration_s + (profile.tries - 1) * apart_s + AFTER_S


def shoot(rig: Rig, setup: Setup, profile: Profile, side: Side, *, attempt: int = 0) -> None:
    """Take one shot at a profile, all its tries in one capture; the unit is powered and the output loaded."""
    played = playing(profile, setup, side)
    limited_a = shot_limit_a(setup)
    rig.set_supply(profile.starts_at_v, limited_a)
    if played.source is not None:
        rig.load_course(played.source, played.treads, limited_a)
    rig.wait(0.2)
    with rig.capture(
        capture_name(profile, side, attempt),
        signals_of(setup),
        sample_rate_hz=rate_hz(profile),
        lines=watched_lines(setup.unit),
        profile=profile.name,
        side=side.value,
    ) as session:
        at_s = BEFORE_S
        for _ in range(profile.tries):
            session.wait_until(at_s)
            began_s = _play(session, played)
            at_s = began_s + played.duration_s + played.stands_s + profile.rest_s
        session.wait_until(began_s + played.duration_s + AFTER_S)
    if played.source is not None:
        rig.end_course(played.source)
    rig.set_supply(setup.unit.nominal_voltage_v, limited_a)


def _play(session: CaptureSession, played: Played) -> float:
    """Play one try and return when its source was told to begin."""
    began_s = session.now_s
    if played.source is not None:
        session.play_course(played.source)
    if played.source is Source.DIP_SOURCE:
        session.switch_bus(SupplyPath.DIP_SOURCE, at_s=began_s + played.switched_s)
    for from_s, to_s in played.breaks_s:
        session.switch_bus(SupplyPath.OPEN, at_s=began_s + from_s)
        session.switch_bus(SupplyPath.RUN, at_s=began_s + to_s)
    if played.source is Source.DIP_SOURCE:
        session.wait_until(began_s + played.duration_s - LEAD_S)
        session.switch_bus(SupplyPath.RUN, at_s=began_s + played.duration_s)
    else:
        session.wait_until(began_s + played.duration_s)
    return began_s


def make_ready(rig: Rig, setup: Setup, *, afresh: bool = False) -> None:
    """Have the unit powered and its hold-up output loaded; `afresh`: after it was without power."""
    if afresh:
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        rig.wait(EMPTIES_S)
    bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=shot_limit_a(setup))
    if hold_up_of(setup) is not None:
        put_load(rig, setup, full_load(setup))
    rig.wait(0.1)


def leave(rig: Rig, setup: Setup) -> None:
    """Take the load off."""
    if hold_up_of(setup) is not None:
        put_load(rig, setup, "open")


def shot_limit_a(setup: Setup) -> float:
    """Return the current limit of either source."""
    return limit_a(setup) if hold_up_of(setup) is not None else LIMIT_A


def playing(profile: Profile, setup: Setup, side: Side) -> Played:
    """Return how a shot is played on this bench.

    Raises:
        ValueError: the bench can't follow the profile; `profile_way.way` says so before.
    """
    means = way(profile, setup).means
    if means is Means.OPEN:
        return _opened(profile, side)
    if means is Means.LIST:
        supply = setup.bench.supply
        begin = Tread(round(_shifted(profile.starts_at_v, setup, side, supply, 0.0), 3), LEAD_S)
        treads = (begin, *_treads(profile, setup, side, supply, leads_ohm=0.0))
        return Played(source=Source.SUPPLY, treads=treads, switched_s=0.0, duration_s=_sum(treads) + TAIL_S)
    fall, dip = first_fall(profile, setup.bench.supply), setup.bench.dip_source
    if means is None or fall is None or dip is None:
        raise ValueError(f"bench {setup.bench.name} can't follow profile {profile.name}")
    if means is Means.DIP_SOURCE:
        return _switched(fall, fall.rest, setup, side, dip)
    rest = until_back(fall, profile.starts_at_v)
    if rest is None:
        raise ValueError(f"profile {profile.name} does not come back to where it began")
    played = _switched(fall, rest, setup, side, dip)
    stands_s = sum(segment.duration_s for segment in fall.rest.segments[len(rest.segments) :] if segment.level)
    return replace(played, duration_s=_sum(played.treads), stands_s=stands_s)  # the dip source stays at its last


def _opened(profile: Profile, side: Side) -> Played:
    breaks: list[tuple[float, float]] = []
    at_s = LEAD_S
    for segment in profile.segments:
        if segment.open:
            open_s = segment.duration_s + (BREAK_LONGER_S if side is Side.HARD else -BREAK_LONGER_S)
            breaks.append((at_s, at_s + open_s))
        at_s += segment.duration_s
    return Played(source=None, treads=(), switched_s=0.0, duration_s=at_s + TAIL_S, breaks_s=tuple(breaks))


def _switched(fall: Fall, rest: Profile, setup: Setup, side: Side, dip: SourceFacts) -> Played:
    leads_ohm = setup.bench.lead_positive_ohm + setup.bench.lead_negative_ohm
    first, *later = _treads(rest, setup, side, dip, leads_ohm=leads_ohm)
    lengthened_s = fall.fall_s + LONGER_S if side is Side.HARD else -LONGER_S
    bottom_s = max(first.dwell_s + lengthened_s, dip.shortest_dwell_s)
    treads = (Tread(first.voltage_v, LEAD_S + bottom_s), *later)
    return Played(source=Source.DIP_SOURCE, treads=treads, switched_s=LEAD_S, duration_s=_sum(treads) + TAIL_S)


def _treads(profile: Profile, setup: Setup, side: Side, source: SourceFacts, *, leads_ohm: float) -> list[Tread]:
    pick: Callable[[float, float], float] = min if side is Side.HARD else max
    part = 1.0 + LONGER_PART if side is Side.HARD else 1.0 - LONGER_PART
    return [
        _set_tread(tread, _shifted(tread.voltage_v, setup, side, source, leads_ohm), part, source)
        for tread in stairs(profile, source, pick)
    ]


def _set_tread(tread: Tread, voltage_v: float, part: float, source: SourceFacts) -> Tread:
    """Return a step at another voltage, longer or shorter by a part, in what sources resolve."""
    return Tread(round(voltage_v, 3), round(max(tread.dwell_s * part, source.shortest_dwell_s), 4))


def _shifted(asked_v: float, setup: Setup, side: Side, source: SourceFacts, leads_ohm: float) -> float:
    """Return what a source is set to, so that the pins are surely below (hard) or above (soft) what is asked.

    Without sense leads the pins lie below its terminals by what the unit draws; on the soft side it is made good.
    """
    margin_v = reading_bound_v(setup, asked_v) + STRAY_V
    margin_v += source.set_relative_bound * asked_v + source.set_absolute_bound_v
    if side is Side.HARD:
        return max(0.0, asked_v - margin_v)
    return asked_v + margin_v + leads_ohm * _most_a(setup, asked_v)


def reading_bound_v(setup: Setup, voltage_v: float) -> float:
    """Return how far any sample of the voltage at the pins may be off."""
    facts = setup.bench.channels["unit.voltage"]
    return facts.relative_bound * abs(voltage_v) + facts.absolute_bound + NOISE_RMS * facts.noise


def _most_a(setup: Setup, voltage_v: float) -> float:
    """Return what a conforming unit draws at most at a voltage, its hold-up output loaded."""
    output = hold_up_of(setup)
    if output is None:
        return UNITS_OWN_A
    least = setup.unit.limits.get("hold-up-efficiency")
    efficiency = 0.8 if least is None else least.low / 100.0
    watts = output.held_v * output.rated_current_a / efficiency
    return min(watts / max(voltage_v, 1.0) + UNITS_OWN_A, shot_limit_a(setup))


def _sum(treads: tuple[Tread, ...]) -> float:
    return sum(tread.dwell_s for tread in treads)


def hard_margin_v(setup: Setup, asked_v: float, *, loaded: bool) -> float:
    """Return how far below what is asked of the dip source the pins lie in a hard shot, at most.

    `loaded`: as long as the hold-up output gives its power, which the leads carry.
    """
    dip = setup.bench.dip_source
    if dip is None:
        return 0.0
    leads_ohm = setup.bench.lead_positive_ohm + setup.bench.lead_negative_ohm
    drop_v = leads_ohm * _most_a(setup, asked_v) if loaded else 0.0
    return asked_v - _shifted(asked_v, setup, Side.HARD, dip, leads_ohm) + drop_v
