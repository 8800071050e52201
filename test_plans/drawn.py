"""What an electronic load was told to draw in a capture, by the rig's own notes, and whether it did.

A constant current through an output that stands at voltage is the load's doing alone: where the shunt shows another
one, the load, its wire or the shunt is at fault. Where the output stands at nothing, nobody can tell from this alone.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, bounded, difference
from analysis.verdict import Cause
from test_plans.readings import Record, agreement, magnitude
from test_plans.rig import NOTHING_DRAWN, Drawn
from test_plans.sheets import ElectronicLoadFacts, Setup, TrimAxis
from test_plans.signals import voltage_signal

DRAWN_AFTER_S = 0.020  # the command's exchange, and the load's slew
TOLD_WITHIN_S = 0.015  # a note comes this much after the load was told, at most
STANDS_PART = 0.5  # of the bus: the output drives


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch in which the load was set to one level, settled, in capture time; `begun_s` is when it was told."""

    drawn: Drawn
    level: float
    begun_s: float
    from_s: float
    to_s: float


def stretches_of(record: Record) -> tuple[Stretch, ...]:
    """Return every stretch in which the load drew one level, in order of time."""
    levels = dict(record.notes("drawn_level"))
    told = [*((time_s, str(drawn)) for time_s, drawn in record.notes("drawn")), (record.duration_s, NOTHING_DRAWN)]
    return tuple(
        Stretch(
            drawn=Drawn(drawn),
            level=float(levels[time_s]),
            begun_s=time_s,
            from_s=time_s + DRAWN_AFTER_S,
            to_s=next_s - TOLD_WITHIN_S,
        )
        for (time_s, drawn), (next_s, _) in pairwise(told)
        if drawn != NOTHING_DRAWN and next_s - time_s > DRAWN_AFTER_S + TOLD_WITHIN_S
    )


def set_current(facts: ElectronicLoadFacts, level_a: float) -> Estimate:
    """Return the current that the load draws when it is set to `level_a`."""
    bound_a = facts.current_relative_bound * level_a + facts.current_absolute_bound_a
    return bounded(level_a, bound_a, "electronic load current")


def draw_doubts(
    record: Record, setup: Setup, axis: TrimAxis, polarity: int, stretches: Iterable[Stretch]
) -> tuple[Doubt, ...]:
    """Return why what an output shows there says nothing of the unit: another current flowed than was set.

    `polarity` is the way it is driven, and the load's leads with it. One doubt stands for all stretches: the first is
    told.
    """
    facts = setup.bench.electronic_load
    if facts is None or record.capture is None:
        return ()
    looked_at = tuple(stretches)
    wrong = []
    for stretch in looked_at:
        flowing = magnitude(record.mean(f"{axis.name}.current", stretch.from_s, stretch.to_s))
        if not agreement(difference(flowing, set_current(facts, stretch.level))):
            wrong.append((stretch, flowing))
    if not wrong:
        return ()
    first, flowing = wrong[0]
    output = record.mean(voltage_signal(axis.name), first.from_s, first.to_s)
    bus = record.mean("unit.voltage", first.from_s, first.to_s)
    reason = (
        f"{record.name}: {flowing.value:.3f} A flow where the electronic load was set to {first.level:.3f} A, with "
        f"{output.value:.2f} V at the output ({len(wrong)} of {len(looked_at)} levels are off)"
    )
    if polarity * output.value >= STANDS_PART * bus.value:
        step = f"check the electronic load, its relay and wires to {axis.name}, then the shunt (bench-load)"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)
    step = "see trim-light and trim-loaded: whether the output drives, and the right way round"
    return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)


def without_draw(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that the capture holds nothing that was drawn."""
    if record.missing or stretches_of(record):
        return record.missing
    reason = f"{record.name}: the electronic load was told nothing"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="run the procedure again"),)
