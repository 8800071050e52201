"""Output channels proved without a unit: the bench's reference is led to each in turn, as far as a load leads it there.

A channel that is open, or whose gain is wrong, shows a sound zero. Without this a dead output and a dead channel look
alike.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analysis.measurement import Observation
from analysis.uncertainty import bounded, difference
from test_plans.bench_observation import bench_observation
from test_plans.procedure import CaptureNeed
from test_plans.readings import Record, agreement
from test_plans.rig import Rig
from test_plans.sheets import BenchFacts, Setup
from test_plans.signals import voltage_signal

CAPTURE = "fed"
RATE_HZ = 1000.0
FED_S = 0.060
SETTLE_S = 0.020
BEFORE_S = 0.020
NOISE_ALLOWED = 1.5  # of what is stated, as rms
LEAST_FOR_NOISE = 100  # samples: the rms is then known to 7 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """A load that leads the reference to an output."""

    output: str
    position: str


def noise_fault(record: Record, signal: str) -> str:
    """Say by how much the noise of a channel exceeds what the bench sheet states, "" where it does not.

    From the spread of samples at rest; the converter's own step is allowed for.
    """
    samples = record.samples(signal)
    if record.capture is None or samples.size < LEAST_FOR_NOISE:
        return ""
    channel = record.capture.channels[signal]
    stated = math.hypot(channel.noise, channel.scale)
    shown = float(samples.std(ddof=1))
    if shown <= NOISE_ALLOWED * stated:
        return ""
    unit = channel.quantity_unit
    return f"{signal} is noisy: {1000.0 * shown:.2g} m{unit} rms, where {1000.0 * channel.noise:.2g} m{unit} is stated"


def feeds_of(setup: Setup) -> tuple[Feed, ...]:
    """Return one load to the reference for every output that has any."""
    found = []
    for output, positions in setup.bench.loads.items():
        position = next((name for name, load in positions.items() if load.to_reference), None)
        if position is not None:
            found.append(Feed(output=output, position=position))
    return tuple(found)


def unproved(setup: Setup, outputs: Iterable[str]) -> tuple[str, ...]:
    """Return what a finding says that rests on channels nothing shows to work: lights, flaps, without a reference."""
    fed = {feed.output for feed in feeds_of(setup)}
    undriven = {output.name for output in setup.unit.outputs if not output.held_up}
    names = [name for name in outputs if name in undriven - fed]
    return (f"channel of {', '.join(names)}: proved by nothing but its zero",) if names else ()


def fed_need(setup: Setup) -> tuple[CaptureNeed, ...]:
    """Return the capture that `feed` takes; none where nothing is fed."""
    feeds = feeds_of(setup)
    if not feeds:
        return ()
    signals = tuple(voltage_signal(feed.output) for feed in feeds)
    highest = dict.fromkeys(signals, setup.bench.reference_v)
    duration_s = BEFORE_S + FED_S * len(feeds)
    return (
        CaptureNeed(name=CAPTURE, signals=signals, sample_rate_hz=RATE_HZ, duration_s=duration_s, highest_v=highest),
    )


def feed_outputs(rig: Rig, setup: Setup) -> None:
    """Lead the reference to one output after the other; the unit is unplugged."""
    feeds = feeds_of(setup)
    if not feeds:
        return
    with rig.capture(CAPTURE, [voltage_signal(feed.output) for feed in feeds], sample_rate_hz=RATE_HZ) as session:
        session.wait_until(BEFORE_S)
        for feed in feeds:
            rig.set_load(feed.output, feed.position)
            session.wait_until(session.now_s + FED_S)
            rig.set_load(feed.output, "open")


def fed_observation(record: Record, setup: Setup) -> Iterator[Observation]:
    """Yield whether every fed channel shows the reference while it is fed, and no other one does."""
    feeds = feeds_of(setup)
    if not feeds:
        return
    stretches = _stretches(record, feeds)
    wrong: list[str] = []
    for fed in feeds:
        if fed.output in stretches:
            wrong.extend(_faults(record, setup.bench, feeds, fed, stretches[fed.output]))
    signals = [voltage_signal(feed.output) for feed in feeds]
    yield bench_observation(
        "bench-check.output-channels",
        "Bench: channels of fed outputs",
        f"each of {len(feeds)} shows {setup.bench.reference_v:g} V while the reference is led to it, and no other does",
        wrong=wrong,
        tried=len(stretches) == len(feeds),
        captures=record.names,
        doubts=record.missing or record.doubts(signals),
    )


def _faults(
    record: Record, facts: BenchFacts, feeds: Sequence[Feed], fed: Feed, stretch_s: tuple[float, float]
) -> Iterator[str]:
    for feed in feeds:
        shown = record.mean(voltage_signal(feed.output), *stretch_s)
        if feed is fed:
            reference = bounded(facts.reference_v, facts.reference_bound_v, "reference")
            if not agreement(difference(shown, reference)):
                yield f"{feed.output} shows {shown.value:.3f} V where {facts.reference_v:.3f} V is led to it"
        elif not agreement(shown):
            yield f"{feed.output} shows {shown.value:.3f} V while {fed.output} is fed"


def _stretches(record: Record, feeds: Sequence[Feed]) -> dict[str, tuple[float, float]]:
    """Return for every output the steady stretch in which it was fed, from what the rig was told."""
    switched = [] if record.capture is None else record.capture.events_of("note")
    found: dict[str, tuple[float, float]] = {}
    for feed in feeds:
        times_s = {
            str(event.fields["position"]): event.time_s for event in switched if event.fields.get("load") == feed.output
        }
        if feed.position in times_s and "open" in times_s:
            found[feed.output] = (times_s[feed.position] + SETTLE_S, times_s["open"] - 0.002)
    return found
