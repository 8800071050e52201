"""What the unit says of itself on its bus, read from the captures of a run."""

from collections.abc import Iterable, Mapping

from analysis.capture import Capture
from bench.records.run_facts import UnitReports
from test_plans.reported_settings import differences, settings_of
from test_plans.sheets import FIRMWARE_REPORT, AircraftSheet, UnitSheet

CONFIGURATION = "configuration"


def unit_reports(captures: Iterable[Capture], unit: UnitSheet, aircraft: AircraftSheet) -> UnitReports:
    """Return what was reported first and last of the configuration and settings, and last of the firmware."""
    items = (CONFIGURATION, *settings_of(unit))
    first: dict[str, object] = {}
    last: dict[str, object] = {}
    for capture in captures:
        for item in (*items, FIRMWARE_REPORT):
            counts = [event.fields["count"] for event in capture.events_of("report", item) if "count" in event.fields]
            if counts:
                first.setdefault(item, counts[0])
                last[item] = counts[-1]
    return UnitReports(
        configuration_found=_in_words(first, items),
        configuration_left=_in_words(last, items),
        configuration_differs=_differs(first, last, unit, aircraft),
        firmware=str(last.get(FIRMWARE_REPORT, "")),
    )


def _in_words(reported: Mapping[str, object], items: Iterable[str]) -> str:
    """Return "6, trim-reversal 0": the configuration by its number, its settings by name."""
    named = (f"{item} {reported[item]}" for item in items if item in reported)
    return ", ".join(named).removeprefix(f"{CONFIGURATION} ")


def _differs(first: Mapping[str, object], last: Mapping[str, object], unit: UnitSheet, aircraft: AircraftSheet) -> str:
    """Return what differs from the aircraft sheet as found and, where that has changed since, as left."""
    found, left = (_differences(reported, unit, aircraft) for reported in (first, last))
    if found == left:
        return found
    return f"as found: {found or 'nothing'}; as left: {left or 'nothing'}"


def _differences(reported: Mapping[str, object], unit: UnitSheet, aircraft: AircraftSheet) -> str:
    said: list[str] = []
    if (number := reported.get(CONFIGURATION, aircraft.configuration)) != aircraft.configuration:
        said.append(f"configuration {number}, needed {aircraft.configuration}")
    for name, wanted in aircraft.settings.items():
        value = reported.get(name)
        if isinstance(value, int):
            said += differences(unit, name, value, wanted)
    return "; ".join(said)
