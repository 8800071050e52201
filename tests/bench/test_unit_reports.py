"""What a unit says of itself is read first and last of the whole run, whatever came between."""

from dataclasses import dataclass, replace

from sheet_texts import dotterel

from analysis.capture import Event
from bench.records.run_facts import UnitReports
from bench.unit_reports import unit_reports


@dataclass
class Captured:
    events: tuple[Event, ...]


def captured(*reported):
    return Captured(
        tuple(Event(time_s=0.0, uncertainty_s=0.0, kind="report", fields={"item": i, "count": c}) for i, c in reported)
    )


def test_first_and_last_reports_of_the_run_are_kept():
    captures = (
        captured(("configuration", 7), ("reset-count", 1)),
        captured(("configuration", 8), ("firmware", 203), ("configuration", 9), ("trim-reversal", 0)),
    )
    assert unit_reports(captures, dotterel()) == UnitReports(
        configuration_found="7, trim-reversal 0", configuration_left="9, trim-reversal 0", firmware="203"
    )


def test_a_unit_that_reports_nothing_leaves_nothing():
    unit = replace(dotterel(), bus=replace(dotterel().bus, reports={}))
    assert unit_reports((captured(),), unit) == UnitReports()
