"""The avionics bus as the rig hears it: what the unit reports, decoded by its sheet. It never waits."""

from collections.abc import Iterator
from dataclasses import dataclass

from instruments.canaerospace import decode_payload
from instruments.capabilities import AvionicsBus, ReceivedFrame
from instruments.errors import ProtocolError
from test_plans.sheets import Bus, ReportKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A decoded frame of the unit: bench time at which the host had it, report item and its values."""

    time_s: float
    item: str
    fields: dict[str, float | int | str | bool]


class BusTraffic:
    """Decodes what the unit reports."""

    def __init__(self, bus: AvionicsBus, sheet: Bus) -> None:
        self._bus = bus
        self._sheet = sheet
        self._items = {item.identifier: item for item in sheet.reports.values()}

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
