"""What a unit says of itself is read first and last of the whole run, whatever came between."""

from dataclasses import replace

from sheet_texts import dotterel
from synthetic_captures import Scene

from bench.records.run_facts import UnitReports
from bench.sheets import load_aircraft
from bench.unit_reports import unit_reports

AIRCRAFT = load_aircraft("whimbrel", dotterel())


def captured(*reported):
    scene = Scene("heard", 1.0)
    for item, count in reported:
        scene.report(item, 0.0, count=count)
    return scene.capture()


def test_first_and_last_reports_of_the_run_are_kept():
    captures = (
        captured(("configuration", 7), ("reset-count", 1)),
        captured(("configuration", 8), ("firmware", 203), ("configuration", 9), ("trim-reversal", 0)),
    )
    assert unit_reports(captures, dotterel(), AIRCRAFT) == UnitReports(
        configuration_found="7, trim-reversal 0",
        configuration_left="9, trim-reversal 0",
        firmware="203",
        configuration_differs="as found: configuration 7, needed 1606; as left: configuration 9, needed 1606",
    )


def test_a_unit_that_reports_nothing_leaves_nothing():
    unit = replace(dotterel(), bus=replace(dotterel().bus, reports={}))
    assert unit_reports((captured(),), unit, AIRCRAFT) == UnitReports()


def test_each_difference_is_told_by_name():
    reported = captured(("configuration", 1606), ("trim-reversal", 2), ("dimming-selection", 12), ("trim-reversal", 2))
    assert unit_reports((reported,), dotterel(), AIRCRAFT).configuration_differs == (
        "Roll trim: reported reversed, needed not reversed; "
        "DC dimming 2: reported Dimming rheostat 1, needed Dimming rheostat 2"
    )


def test_a_bit_that_has_no_name_differs_too():
    reported = captured(("configuration", 1606), ("trim-reversal", 8))
    assert unit_reports((reported,), dotterel(), AIRCRAFT).configuration_differs == (
        "trim-reversal: reported 8, needed 0"
    )
