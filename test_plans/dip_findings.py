"""What a map of dips comes to: boundaries, weak spots, what did not come back, what moved, and its picture. Pure."""

import math
from collections.abc import Iterator, Sequence

from analysis.dip_map import Bracket, contradictions
from analysis.measurement import Curve, Doubt, Measurement, Observation
from analysis.uncertainty import bounded
from analysis.verdict import Cause
from test_plans.dip_readings import BRING_DIPS, HOLD_UP, LOGIC, DipRead
from test_plans.dip_search import Grid, Taken, dips_of, map_of
from test_plans.profile import Behaviour
from test_plans.profile_readings import motion_doubts
from test_plans.profile_shot import hold_up_of, moving_outputs, reading_bound_v
from test_plans.profile_way import Way
from test_plans.readings import doubted
from test_plans.sheets import Setup
from test_plans.signals import function_named

BEYOND_V = 0.6  # than asked: leads and margins come to less
WIDE_V = 0.7  # a bracket wider than that is owed to dips that told nothing
MOST_SAID = 3
LIMITS = {HOLD_UP: "hold-up-dip-depth", LOGIC: "logic-dip-depth"}
TITLES = {HOLD_UP: "hold-up output at its rated power", LOGIC: "logic"}


def _function(setup: Setup, name: str) -> str:
    output = hold_up_of(setup)
    return output.function if name == HOLD_UP and output is not None else function_named(setup.unit, "power")


def _pins(setup: Setup, name: str) -> tuple[str, ...]:
    output = hold_up_of(setup)
    return (setup.unit.power_pin, *((output.plus_pin,) if name == HOLD_UP and output is not None else ()))


def _title(name: str) -> str:
    return f"Dips of the bus, {TITLES[name]}"


def boundary(read: Sequence[DipRead], setup: Setup, ahead: Way, function: str, bracket: Bracket) -> Measurement:
    """Return down to where dips of a duration are survived; where none was lost, down to where they surely are."""
    nominal_v, ms = setup.unit.nominal_voltage_v, 1e3 * bracket.at_least_s
    taken = [one for one in read if one.taken.aim.duration_s == bracket.at_least_s]
    found, doubts = bracket.boundary, _why_open(read, ahead, function)
    notes = [f"survived down to {bracket.kept_v:.2f} V by dips of at least {ms:.0f} ms"]
    if math.isfinite(bracket.lost_v):
        notes.append(f"lost at {bracket.lost_v:.2f} V by dips of at most {1e3 * bracket.at_most_s:.0f} ms")
        doubts = doubts if bracket.width_v > WIDE_V else ()
        if contradictions(dips_of([one.taken for one in read], function)):
            notes.append("a survived dip that is no easier than a lost one does not count here")
    elif bracket.kept_v < nominal_v:
        found = bounded(bracket.kept_v, reading_bound_v(setup, bracket.kept_v), "voltage at the pins")
        notes.append("none was lost: the boundary lies there or deeper")
        doubts = ()
    else:
        notes = []
    return doubted(found, *doubts).measurement(
        id=f"dip-map.{function}.{ms:.0f}ms",
        limit=LIMITS[function] if LIMITS[function] in setup.unit.limits else "",
        title=f"{_title(function)}: boundary at {ms:.0f} ms",
        function=_function(setup, function),
        quantity_unit="V",
        pins=_pins(setup, function),
        notes=(*notes, *_excluded(taken, function)),
    )


def _why_open(read: Sequence[DipRead], ahead: Way, function: str) -> tuple[Doubt, ...]:
    """Return why the map of a function may be open: the bench can't make such dips, or some told nothing."""
    if ahead.means is None:
        reason = f"this bench can't make such dips: {ahead.lacking}"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step=f"get {ahead.remedy}"),)
    if not read:
        return (Doubt(reason="no dip was taken", cause=Cause.BENCH, next_step="run the procedure again"),)
    untold = tuple(dict.fromkeys(doubt for one in read for doubt in one.untold.get(function, ())))
    return (*_beyond(read, function), *untold)[:MOST_SAID]


def _beyond(read: Sequence[DipRead], function: str) -> Iterator[Doubt]:
    """Yield which lost dips went so much deeper than asked that they say little of what was asked."""
    for one in read:
        dip = one.taken.dips.get(function)
        if dip is not None and not dip.kept and one.taken.aim.depth_v - dip.lowest_v > BEYOND_V:
            reason = f"{dip.name}: lost, but it went down to {dip.lowest_v:.2f} V, asked {one.taken.aim.depth_v:.2f} V"
            yield Doubt(reason=reason, cause=Cause.BENCH, next_step=BRING_DIPS)


def _excluded(read: Sequence[DipRead], function: str) -> Iterator[str]:
    """Yield in words which dips say nothing of a function, and why."""
    for one in read:
        for doubt in one.untold.get(function, ())[:1]:
            yield f"left out: {doubt.reason}"


def monotone(read: Sequence[DipRead], setup: Setup, ahead: Way, function: str) -> Observation:
    """Return whether every dip was survived that is no harder than a survived one; one of a kind is tried again."""
    told = dips_of([one.taken for one in read], function)
    found = contradictions(told)
    aims = {one.reading.record.name: one.taken.aim for one in read}
    lost = {aims[one.lost.name] for one in found}
    kept_too = {aims[dip.name] for dip in told if dip.kept}
    again = [aim for aim in lost if sum(aims[dip.name] == aim for dip in told if not dip.kept) > 1]
    doubts = () if told else _why_open(read, ahead, function)
    if found and not again:
        said = "and was survived when it was taken again" if lost & kept_too else "and was taken once only"
        reason = f"{found[0].lost.name} was lost though a harder one was survived, {said}"
        step = "take this dip twenty times over, and see whether it is lost again"
        doubts = (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)
    return Observation(
        id=f"dip-map.{function}.monotone",
        title=f"{_title(function)}, no weak spot",
        function=_function(setup, function),
        statement="no dip is lost that is no deeper and no longer than one that is survived",
        trials=len(told),
        failures=len(found),
        detail="; ".join(
            f"{one.lost.name} was lost (down to {one.lost.lowest_v:.2f} V for at most {1e3 * one.lost.at_most_s:.0f} "
            f"ms), {one.survived.name} was survived (below {one.survived.reached_v:.2f} V)"
            for one in found[:MOST_SAID]
        ),
        doubts=doubts,
        captures=tuple(one.reading.record.name for one in read),
        pins=_pins(setup, function),
        notes=tuple(_excluded(read, function)),
    )


def recovers(read: Sequence[DipRead], setup: Setup, ahead: Way, function: str) -> Observation:
    """Return whether it was back by itself after every dip, survived or not."""
    lasting = [one for one in read if not one.at_end and one.reading.record.capture is not None]
    gone = [one for one in lasting if function in one.gone and not one.reading.spoilt]
    tried = [one for one in lasting if not one.reading.spoilt]
    doubts = tuple(dict.fromkeys(doubt for one in read for doubt in (*one.at_end, *one.reading.spoilt)))
    return Observation(
        id=f"dip-map.{function}.recovers",
        title=f"{_title(function)}, comes back",
        function=_function(setup, function),
        statement=f"{Behaviour.LOST_AND_RECOVERED.value} at least, after every dip",
        trials=len(tried),
        failures=len(gone),
        detail="needed a power cycle after " + ", ".join(one.reading.record.name for one in gone),
        doubts=() if tried else doubts or _why_open(read, ahead, function),
        captures=tuple(one.reading.record.name for one in read),
        pins=_pins(setup, function),
    )


def motion(read: Sequence[DipRead], setup: Setup, ahead: Way) -> Observation:
    """Return whether anything moved in any dip."""
    moved = [f"{one.reading.record.name}: {said}" for one in read for said in one.reading.moved]
    doubts = tuple(dict.fromkeys(doubt for one in read for doubt in motion_doubts(one.reading, setup)))
    return Observation(
        id="dip-map.no-motion",
        title="Dips of the bus: nothing moves by itself",
        function=function_named(setup.unit, "power"),
        statement=f"each of {len(moving_outputs(setup))} outputs stays idle, whatever the bus does",
        trials=len(read),
        failures=len({one.reading.record.name for one in read if one.reading.moved}),
        detail="; ".join(moved[:MOST_SAID]),
        doubts=doubts or (() if read else _why_open(read, ahead, LOGIC)),
        captures=tuple(one.reading.record.name for one in read),
        pins=(setup.unit.power_pin,),
    )


def picture(taken: Sequence[Taken], grid: Grid, setup: Setup, function: str) -> Curve:
    """Draw every dip as it stood at the pins, and the boundary with the bracket that it lies in."""
    told = dips_of(taken, function)
    found = [one for one in map_of(taken, grid, function) if math.isfinite(one.lost_v)]
    ms = tuple(1e3 * one.at_least_s for one in found)
    return Curve(
        id=f"dip-map.{function}.map",
        title=f"{_title(function)}, survived and lost",
        function=_function(setup, function),
        x_label="duration asked, ms",
        y_label="lowest at the pins, V",
        series={"boundary": (ms, tuple(one.boundary.value for one in found))},
        bands={
            "survived to": (ms, tuple(one.kept_v for one in found)),
            "lost from": (ms, tuple(one.lost_v for one in found)),
        },
        marks={
            "survived": _marks([(dip.asked_s, dip.reached_v) for dip in told if dip.kept]),
            "lost": _marks([(dip.asked_s, dip.lowest_v) for dip in told if not dip.kept]),
        },
        logarithmic_x=True,
        capture=told[-1].name if told else "",
    )


def _marks(dips: Sequence[tuple[float, float]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(1e3 * duration_s for duration_s, _ in dips), tuple(volts for _, volts in dips)
