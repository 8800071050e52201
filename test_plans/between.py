"""What was seen between captures, as it stands in an event of the capture that came next: whose doing it was. Pure.

An event `between` has the fields below and, for every output watched, its signal with the 5 ms mean of largest
magnitude, in V.
"""

from collections.abc import Iterable, Iterator, Sequence

from analysis.capture import Event
from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.bench_observation import bench_observation
from test_plans.readings import Record
from test_plans.sheets import Setup

KIND = "between"
DURATION = "duration_s"  # that was sampled
LOWEST = "lowest_v"  # 5 ms mean of the bus, whatever it was set to
FELL_TO = "fell_to_v"  # lowest 5 ms mean of a bus that was set and did not stand, the supply not limiting
SET = "set_v"  # where it was set meanwhile
CLOSED = "closed"  # switch lines that read closed, with commas between


def between(record: Record) -> tuple[Event, ...]:
    """Return what was seen ahead of a capture, since the one before it."""
    return () if record.capture is None else record.capture.events_of(KIND)


def fell_between(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return the bench's doubt that the bus was cut before a capture while none ran.

    Only where the supply did not limit, so that nothing the unit draws can have moved the bus.
    """
    return tuple(
        Doubt(
            reason=f"before {record.name}, while no capture ran, the bus fell to {float(event.fields[FELL_TO]):.2f} V "
            f"with {float(event.fields[SET]):.2f} V set, and the supply did not limit",
            cause=Cause.BENCH,
            next_step="check the contactor, the supply and the leads, then run it again",
        )
        for event in between(record)
        if FELL_TO in event.fields and float(event.fields[SET]) >= setup.unit.lowest_voltage_v
    )


def stood_between(record: Record, setup: Setup) -> bool:
    """Say whether the bus is known to have stood high enough for the unit since the capture before this one."""
    events = between(record)
    return bool(events) and all(float(event.fields[LOWEST]) >= setup.unit.lowest_voltage_v for event in events)


def bus_observation(procedure: str, title: str, records: Sequence[Record], setup: Setup) -> Iterator[Observation]:
    """Yield that the bus was cut between captures; nothing where it stood."""
    fell = {record: doubts for record in records if (doubts := fell_between(record, setup))}
    if fell:
        yield bench_observation(
            f"{procedure}.bus-between",
            f"Bench: the bus between captures of: {title}",
            "it stands where it is set",
            wrong=tuple(doubt.reason for doubts in fell.values() for doubt in doubts),
            tried=True,
            captures=tuple(record.name for record in fell),
        )


def moved_between(record: Record, signals: Iterable[str], low_v: float, high_v: float) -> dict[str, float]:
    """Return which of these signals left a range before a capture, while none ran, and the value furthest out."""
    return {
        signal: float(event.fields[signal])
        for event in between(record)
        for signal in signals
        if signal in event.fields and not low_v <= float(event.fields[signal]) <= high_v
    }


def closed_between(record: Record) -> tuple[str, ...]:
    """Return the switch lines that read closed before a capture, while none ran."""
    return tuple(line for event in between(record) for line in str(event.fields.get(CLOSED, "")).split(",") if line)
