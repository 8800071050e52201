"""Whether the airspeed that the bench gave stands at the unit's pin, by whichever route it goes there. Pure.

What a unit does without airspeed says nothing of it before it is known that airspeed reached it. Frames show on the
receive line, text on a line that is read back and decoded, a voltage and a contact at their pin.
"""

from collections.abc import Sequence
from itertools import pairwise

from analysis.capture import Capture, Event
from analysis.measurement import Doubt
from analysis.serial_line import LEAST_SAMPLES_PER_BIT, Burst, bursts, decode, length_s
from analysis.verdict import Cause
from test_plans.readings import Record
from test_plans.sheets import Airspeed, AirspeedRoute
from test_plans.signals import AIRSPEED, AIRSPEED_TEXT, voltage_signal
from test_plans.switch_lines import own_frames_arrive

SIGNAL = voltage_signal(AIRSPEED)
EARLY_S = 0.005  # a text on the line against the host's time of it
LATE_S = 0.050
SAME_LENGTH = 0.03  # of its length: a bit rate off by more is not understood
SETTLE_S = 0.020  # of a voltage or a contact
FOLLOWS_PART, FOLLOWS_V = 0.05, 0.1  # a pin that is only loaded stands within this of what was set
LEAST_SENDINGS = 2
SILENT, RATE, OTHER_TEXT, HELD, CONTACT = "silent", "rate", "other text", "held", "contact"
OF_THE_SENDER = {RATE, OTHER_TEXT}  # nothing that the unit does to a line turns one text into another


def new_airspeed_s(airspeed: Airspeed | None) -> float:
    """Return after how long a new airspeed has surely gone out, and the unit has it."""
    if airspeed is None:
        return 0.0
    characters = len(airspeed.text.sentence) + 6 if airspeed.text is not None else 0
    lasts_s = 10.0 * characters / airspeed.text.bit_rate if airspeed.text is not None else 0.0
    return airspeed.period_s + lasts_s + 0.15


def airspeed_arrives(record: Record) -> bool | None:
    """Say whether the airspeed of this capture stood at the unit's pin as it was given; None where it can't be told."""
    if record.capture is None:
        return None
    routes = {str(event.fields.get("route", AirspeedRoute.CANAEROSPACE.value)) for event in _sent(record.capture)}
    if routes <= {AirspeedRoute.CANAEROSPACE.value}:
        return own_frames_arrive(record)
    if line_faults(record):
        return False
    return True if _looked(record.capture) >= LEAST_SENDINGS else None


def line_faults(record: Record) -> tuple[str, ...]:
    """Return in words what is wrong on the line of an airspeed by text, voltage or contact; empty where nothing is."""
    return tuple(_faults(record).values())


def _faults(record: Record) -> dict[str, str]:
    """Return each kind of fault once, in words, as first seen."""
    capture = record.capture
    found: dict[str, str] = {}
    if capture is not None:
        for kind, words in (*_text_faults(capture), *_voltage_faults(capture), *_contact_faults(capture)):
            found.setdefault(kind, words)
    return found


def arrival_doubts(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that airspeed did not reach the unit in a capture, or that it can't be told.

    Frames that are missing and text that is another one are the bench's. A line that stands still may be held by the
    unit: the bench is checked without it, so who came to be wrong since can't be told from here.
    """
    if record.capture is None:
        return record.missing
    arrives = airspeed_arrives(record)
    if arrives is False:
        cause, what, step = _not_arriving(record)
        return (Doubt(reason=f"{record.name}: {what}", cause=cause, next_step=step),)
    if arrives is None or (_by_bus(record.capture) and not record.report_times_s().size):
        reason = f"{record.name}: it can't be told whether airspeed reached the unit"
        step = "check that airspeed is sent, and that the line on which it is read back at the unit is wired"
        return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)
    return ()


def reached(record: Record) -> bool:
    """Say whether airspeed surely reached the unit: by the bus beside the unit's own reports, else at its pin."""
    if record.capture is None or not airspeed_arrives(record):
        return False
    return not _by_bus(record.capture) or record.report_times_s().size > 0


def _not_arriving(record: Record) -> tuple[Cause, str, str]:
    faults = _faults(record)
    if not faults:
        what = "the bench's airspeed frames are not on the unit's pins"
        return Cause.BENCH, what, "check the bus interface and its lines to the unit"
    if not OF_THE_SENDER.isdisjoint(faults):
        return Cause.BENCH, "; ".join(faults.values()), "check the text line's port and its bit rate"
    step = "unplug the unit and look at the airspeed line again (bench-check): still so, it is the bench's"
    return Cause.UNDECIDED, "; ".join(faults.values()), step


def _bursts_of(capture: Capture) -> tuple[Burst, ...]:
    """Return what stood on the text line; nothing where airspeed is no text."""
    sent = [event for event in _sent(capture) if "text" in event.fields]
    if not sent or AIRSPEED_TEXT not in capture.lines:
        return ()
    return bursts(capture.line(AIRSPEED_TEXT), capture.sample_rate_hz, float(sent[0].fields["bit_rate"]))


def _text_faults(capture: Capture) -> list[tuple[str, str]]:
    if AIRSPEED_TEXT not in capture.lines:
        return []
    sent, seen, rate_hz = _whole_texts(capture), _bursts_of(capture), capture.sample_rate_hz
    space = capture.line(AIRSPEED_TEXT)
    faults = []
    for event in sent:
        text, bit_rate = str(event.fields["text"]), float(event.fields["bit_rate"])
        near = (burst for burst in seen if -EARLY_S <= burst.start_s - event.time_s <= LATE_S)
        burst = next(near, None)
        if burst is None:
            faults.append((SILENT, f"no text on the airspeed line at {event.time_s:.2f} s, where one was sent"))
            continue
        asked_s = length_s(len(text), bit_rate)
        if abs(burst.length_s - asked_s) > SAME_LENGTH * asked_s + 2.0 / rate_hz:
            shown = f"{1000.0 * burst.length_s:.0f} ms where {1000.0 * asked_s:.0f} ms belong"
            faults.append((RATE, f"text on the airspeed line lasts {shown}: not {bit_rate:.0f} bit/s"))
            continue
        if rate_hz / bit_rate < LEAST_SAMPLES_PER_BIT:
            continue
        span = capture.span(burst.start_s - 2.0 / rate_hz, burst.start_s + 10.0 * (len(text) + 1) / bit_rate)
        read = decode(space[span], rate_hz, bit_rate)
        if read != text.encode("ascii"):
            faults.append((OTHER_TEXT, f"the airspeed line shows {read!r} where {text!r} was sent"))
    return faults


def _voltage_faults(capture: Capture) -> list[tuple[str, str]]:
    if SIGNAL not in capture.channels:
        return []
    faults = []
    for event, end_s in _stretches(capture, "volts"):
        volts = float(event.fields["volts"])
        pin_v = float(capture.channel(SIGNAL, event.time_s + SETTLE_S, end_s).mean())
        if abs(pin_v - volts) > FOLLOWS_PART * abs(volts) + FOLLOWS_V:
            faults.append((HELD, f"the airspeed pin stands at {pin_v:.2f} V where {volts:.2f} V was set"))
    return faults


def _contact_faults(capture: Capture) -> list[tuple[str, str]]:
    if AIRSPEED not in capture.lines:
        return []
    line = capture.line(AIRSPEED)
    faults = []
    for event, end_s in _stretches(capture, "closed"):
        closed = bool(event.fields["closed"])
        stretch = line[capture.span(event.time_s + SETTLE_S, end_s)]
        if (stretch != closed).any():
            said = "closed" if closed else "open"
            faults.append((CONTACT, f"the airspeed line is not {said} at its pin, as it was set"))
    return faults


def _looked(capture: Capture) -> int:
    """Return how many sendings the capture shows at the pin."""
    if AIRSPEED_TEXT in capture.lines:
        return len(_whole_texts(capture))
    if SIGNAL in capture.channels:
        return len(_stretches(capture, "volts"))
    return len(_stretches(capture, "closed")) if AIRSPEED in capture.lines else 0


def _whole_texts(capture: Capture) -> Sequence[Event]:
    """Return the texts sent whose whole length, a late start included, lies in the capture."""
    return [
        event
        for event in _sent(capture)
        if "text" in event.fields
        and event.time_s >= EARLY_S
        and event.time_s + LATE_S + 2.0 * float(event.fields["lasts_s"]) < capture.duration_s
    ]


def _stretches(capture: Capture, key: str) -> list[tuple[Event, float]]:
    """Return every sending with `key` and until when it stood, where that is long enough to be looked at."""
    sent = [event for event in _sent(capture) if key in event.fields]
    ends = [*(after.time_s for _, after in pairwise(sent)), capture.duration_s]
    return [
        (event, end_s - 1e-3)
        for event, end_s in zip(sent, ends, strict=True)
        if end_s - event.time_s > 2.0 * SETTLE_S and event.time_s >= 0.0
    ]


def _sent(capture: Capture) -> list[Event]:
    return sorted(capture.events_of("sent"), key=lambda event: event.time_s)


def _by_bus(capture: Capture) -> bool:
    return all("route" not in event.fields for event in _sent(capture))
