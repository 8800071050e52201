"""The electronic load on the hold-up output: whether it is there, what it asks of the bench, whether it drew as set."""

from dataclasses import replace

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, bounded, difference, product
from analysis.verdict import Cause
from test_plans.drawn import Stretch, set_current, stretches_of
from test_plans.hold_up import OFF_PART, held_output
from test_plans.procedure import Needs
from test_plans.readings import Record, agreement
from test_plans.rig import Drawn, Rig
from test_plans.sheets import ElectronicLoadFacts, Setup
from test_plans.signals import current_signal, voltage_signal


def load_reaches(setup: Setup) -> bool:
    """Say whether the bench has an electronic load that reaches the hold-up output."""
    facts = setup.bench.electronic_load
    return facts is not None and held_output(setup).name in facts.outputs


def drawing(setup: Setup, needs: Needs, *, most_a: float) -> Needs:
    """Return needs with the electronic load in the resistors' stead, at no more than `most_a`."""
    output = held_output(setup)
    return replace(
        needs,
        loads=(),
        light_loads=(),
        load_current_a=0.0,
        drawn_from=(output.name,),
        drawn_a=most_a,
        drawn_w=most_a * output.held_v,
    )


def hang_on(rig: Rig, setup: Setup) -> None:
    """Connect the electronic load to the hold-up output; it draws nothing yet."""
    rig.connect_load(held_output(setup).name)


def draw_doubts(record: Record, setup: Setup, start_s: float, stop_s: float) -> tuple[Doubt, ...]:
    """Return why what the output shows there says nothing of the unit: the load drew other than it was set.

    Only where the output stands: one that is lost gives nothing to draw. What a load that trips did is the bench's.
    """
    facts, output = setup.bench.electronic_load, held_output(setup)
    if facts is None or record.capture is None:
        return ()
    step = f"check the electronic load, its relay and wires to {output.name}, then the channel of its current"
    found = []
    for stretch in stretches_of(record):
        from_s, to_s = max(stretch.from_s, start_s), min(stretch.to_s, stop_s)
        if to_s <= from_s:
            continue
        standing = record.samples(voltage_signal(output.name), from_s, to_s)
        if not standing.size or standing.min() <= OFF_PART * output.held_v:
            continue
        drawn = record.mean(current_signal(output.name), from_s, to_s)
        if stretch.drawn is Drawn.POWER:
            drawn = product(drawn, record.mean(voltage_signal(output.name), from_s, to_s))
        if not agreement(difference(drawn, _set(facts, stretch, output.held_v))):
            unit = "W" if stretch.drawn is Drawn.POWER else "A"
            reason = f"{record.name}: {drawn.value:.2f} {unit} drawn with {stretch.level:.2f} {unit} set"
            found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    if any(event.fields.get("tripped") for event in record.capture.events_of("electronic-load")):
        reason = f"{record.name}: a protection of the electronic load tripped"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step=step))
    return tuple(found[:1])


def _set(facts: ElectronicLoadFacts, stretch: Stretch, held_v: float) -> Estimate:
    """Return what the load draws at its level, current or power."""
    if stretch.drawn is Drawn.CURRENT:
        return set_current(facts, stretch.level)
    bound_w = (facts.current_relative_bound + facts.voltage_relative_bound) * stretch.level
    return bounded(stretch.level, bound_w + facts.current_absolute_bound_a * held_v, "electronic load power")
