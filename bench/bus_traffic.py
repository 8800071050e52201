"""The avionics bus as the rig uses it: cyclic airspeed on the clock, quiet stretches, and decoded reports.

It never waits and never reads a clock: the rig hands it the time.
"""

import math
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

from instruments.canaerospace import airspeed_payload, decode_payload, no_number_payload
from instruments.capabilities import AvionicsBus, ReceivedFrame
from instruments.errors import ProtocolError
from test_plans.sheets import Bus, ReportKind

AIRSPEED_PERIOD_S = 0.100
BENCH_NODE = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A decoded frame of the unit: bench time at which the host had it, report item and its values."""

    time_s: float
    item: str
    fields: dict[str, float | int | str | bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """An airspeed frame that went out."""

    time_s: float
    airspeed_kt: float


class BusTraffic:
    """Sends airspeed every 100 ms, held back over quiet stretches, and decodes what the unit reports."""

    def __init__(self, bus: AvionicsBus, sheet: Bus) -> None:
        self._bus = bus
        self._sheet = sheet
        self._items = {item.identifier: item for item in sheet.reports.values()}
        self._airspeed_kt: float | None = None
        self._due_s = 0.0
        self._quiet: list[tuple[float, float]] = []  # in order of time
        self._message_codes = count()

    def start_airspeed(self, airspeed_kt: float, now_s: float) -> None:
        """Send `airspeed_kt` from `now_s` on."""
        self._airspeed_kt = airspeed_kt
        self._due_s = now_s

    def set_airspeed(self, airspeed_kt: float, now_s: float) -> None:
        """Send another airspeed from the next frame of the grid on; where none is sent, begin at `now_s`.

        NaN is sent as it is: a frame in good order whose value is no number.
        """
        if self._airspeed_kt is None:
            self._due_s = now_s
        self._airspeed_kt = airspeed_kt

    def stop_airspeed(self) -> None:
        """Send no more airspeed."""
        self._airspeed_kt = None

    def quiet(self, from_s: float, to_s: float) -> None:
        """Hold back frames due in this stretch of bench time until its end."""
        insort(self._quiet, (from_s, to_s))

    def next_due_s(self) -> float | None:
        """Return when the next frame goes out, quiet stretches respected; None when none is due."""
        if self._airspeed_kt is None:
            return None
        due_s = self._due_s
        for from_s, to_s in self._quiet:
            if from_s > due_s:
                break
            due_s = max(due_s, to_s)
        return due_s

    def send_due(self, now_s: float) -> Sent | None:
        """Send the frame that is due by `now_s`, if one is; the grid of 100 ms stays where it began."""
        due_s = self.next_due_s()
        if due_s is None or self._airspeed_kt is None or due_s > now_s + 1e-9:
            return None
        message_code = next(self._message_codes) % 256
        if math.isnan(self._airspeed_kt):
            data = no_number_payload(node=BENCH_NODE, message_code=message_code)
        else:
            data = airspeed_payload(self._airspeed_kt, node=BENCH_NODE, message_code=message_code)
        self._bus.send(self._sheet.airspeed_identifier, data)
        while self._due_s <= now_s + 1e-9:
            self._due_s += AIRSPEED_PERIOD_S
        while self._quiet and self._quiet[0][1] <= now_s:
            del self._quiet[0]
        return Sent(time_s=now_s, airspeed_kt=self._airspeed_kt)

    def receive(self) -> Iterator[Report]:
        """Yield the unit's reports that came since the last call; frames of others are passed over."""
        for frame in self._bus.receive():
            report = self._decode(frame)
            if report is not None:
                yield report

    def _decode(self, frame: ReceivedFrame) -> Report | None:
        item = self._items.get(frame.identifier)
        if item is None:
            return None
        payload = decode_payload(frame.data)
        if payload.node != self._sheet.node:
            return None
        fields: dict[str, float | int | str | bool] = {"item": item.name, "message_code": payload.message_code}
        if item.kind is ReportKind.LEVEL:
            fields["level"] = float(payload.value)
        elif not isinstance(payload.value, int):
            raise ProtocolError(
                f"avionics bus: report {item.name} (identifier {item.identifier}) came with a value of "
                f"{payload.value!r} where a whole number belongs. Check the unit sheet's kind of this report.",
                instrument="avionics bus",
                command=item.name,
                reply=frame.data.hex(" "),
            )
        elif item.kind is ReportKind.DISCRETE:
            fields["state"] = bool(payload.value & 1)
            fields["counter"] = payload.value >> 1
        else:
            fields["count"] = payload.value
        return Report(time_s=frame.time_s, item=item.name, fields=fields)
