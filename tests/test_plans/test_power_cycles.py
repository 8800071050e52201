"""Configuration after power cycles and dips: whose a changed or missing value is, and what proves nothing."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, setup_of

from analysis.verdict import Cause, Verdict
from bench.judging import findings_of
from test_plans.power_cycles import PowerCycles, _cycles

SETUP = replace(setup_of("power-cycles"), step=replace(setup_of("power-cycles").step, conditions={"trials": 3}))
ITEMS = {"configuration": SETUP.aircraft.configuration, **SETUP.aircraft.settings}
PASSED, FAILED = (Verdict.PASS, None), (Verdict.FAIL, Cause.UNIT)
UNDECIDED, BENCHS = (Verdict.INCONCLUSIVE, Cause.UNDECIDED), (Verdict.INCONCLUSIVE, Cause.BENCH)


def reported(scene, at_s, *, heard=True, reset_count=0, **other):
    """Have the unit report all values at an instant: as the aircraft needs them but for `other`."""
    for item, value in ITEMS.items():
        if heard:
            scene.report(item, at_s, count=other.get(item.replace("-", "_"), value))
    if heard:
        scene.report("reset-count", at_s, count=reset_count)
    burst = round(scene.rate_hz * (at_s - 0.001))
    return scene.line(
        "bus.receive", scene.lines.get("bus.receive", np.zeros(scene.n, bool)) | (np.arange(scene.n) == burst)
    )


def cycle(place, volts, *, low_v=None, back_v=13.8, reports=True, **shown):
    """Return the capture of one cycle: down at 0.5 s to `volts`, back at 0.8 s, reports at 1.5 s."""
    scene = Scene(f"cycle-{place}", 3.0, 1000.0)
    bus = np.interp(scene.times_s, (0.5, 0.6, 0.8, 0.9), (13.8, *2 * (volts if low_v is None else low_v,), back_v))
    scene.signal("unit.voltage", bus).line("bus.receive", False)
    return (reported(scene, 1.5, **shown) if reports else scene).capture()


def before(**shown):
    return reported(Scene("before", 2.3, 1000.0).signal("unit.voltage", 13.8), 0.4, **shown).capture()


def judged(*captures, first=None):
    results = PowerCycles().evaluate(Shelf(first or before(), *captures), SETUP)
    findings = findings_of(results, SETUP.unit, procedure="power-cycles", attempt=1)
    return {finding.id.removeprefix("power-cycles."): finding for finding in findings}


def of(finding):
    return finding.verdict, finding.cause


def cycles(**third):
    """Return three cycles, the third with changes."""
    return cycle(1, 7.0), cycle(2, 3.0), cycle(3, 0.0, **third)


def test_the_cycles_dip_from_high_to_low_at_other_places_of_the_period_and_every_third_is_without_power():
    step = replace(SETUP.step, conditions={"trials": 9, "high_voltage_v": 7.0, "low_voltage_v": 3.0})
    found = _cycles(replace(SETUP, step=step))
    assert [one.dips_to_v for one in found] == pytest.approx([7.0, 6.2, 0.0, 5.4, 4.6, 0.0, 3.8, 3.0, 0.0])
    places_s = sorted(one.at_s for one in found)
    assert places_s[0] >= 0.1
    assert places_s[-1] < 0.1 + SETUP.unit.bus.report_period_s
    assert min(np.diff(places_s)) > 0.05 * SETUP.unit.bus.report_period_s


def test_a_unit_that_keeps_every_value_passes():
    assert {of(finding) for finding in judged(*cycles()).values()} == {PASSED}


def test_one_value_that_changes_fails_alone_with_the_cycle_that_changed_it():
    was = ITEMS["dimming-selection"]
    found = judged(*cycles(dimming_selection=was + 1))
    assert {name for name, finding in found.items() if of(finding) == FAILED} == {
        "dimming-selection.kept",
        "setting.dimming-selection",
    }
    (reason,) = found["dimming-selection.kept"].reasons
    assert reason == f"cycle 3, without power: {was + 1} where {was} was reported before"
    assert of(found["trim-reversal.kept"]) == PASSED


def test_a_unit_set_up_for_another_aircraft_keeps_what_it_has():
    other = {"dimming_selection": 1}
    captures = [cycle(place, volts, **other) for place, volts in enumerate((7.0, 3.0, 0.0), 1)]
    found = judged(*captures, first=before(**other))
    assert of(found["dimming-selection.kept"]) == PASSED
    assert of(found["setting.dimming-selection"]) == FAILED


@pytest.mark.parametrize(
    ("third", "comes_back", "kept"),
    [
        ({"reports": False}, FAILED, UNDECIDED),  # the line is silent too
        ({"heard": False}, BENCHS, UNDECIDED),  # its frames stand on the line
        ({"low_v": 5.0}, BENCHS, BENCHS),  # it was never without power
        ({"back_v": 9.0}, BENCHS, BENCHS),
    ],
)
def test_whose_it_is_that_nothing_is_known_after_a_cycle(third, comes_back, kept):
    found = judged(*cycles(**third))
    assert (of(found["comes-back"]), of(found["dimming-selection.kept"])) == (comes_back, kept)


def test_a_value_lost_in_a_sound_cycle_stays_lost_whatever_another_cycle_was():
    spoilt = cycle(2, 3.0, low_v=9.0)
    found = judged(cycle(1, 7.0, dimming_selection=1), spoilt, cycle(3, 0.0))
    assert of(found["dimming-selection.kept"]) == FAILED
    assert of(found["trim-reversal.kept"]) == BENCHS


def test_a_unit_that_was_silent_before_is_nobodys_fault_yet():
    silent = Scene("before", 2.3, 1000.0).signal("unit.voltage", 13.8).line("bus.receive", False).capture()
    found = judged(*cycles(reports=False), first=silent)
    assert of(found["comes-back"]) == UNDECIDED


def test_resets_are_added_up_and_a_count_that_was_forgotten_takes_none_away():
    captures = (cycle(1, 4.0, reset_count=1), cycle(2, 3.0, reset_count=2), cycle(3, 0.0, reset_count=0))
    results = PowerCycles().evaluate(Shelf(before(), *captures), SETUP)
    assert {result.id: result for result in results}["power-cycles.resets"].value == 2.0


def test_a_model_that_reports_nothing_of_its_configuration_is_left_out_with_what_stays_unknown():
    assert PowerCycles().not_for_model(SETUP) is None
    left_out = PowerCycles().not_for_model(
        replace(SETUP, unit=replace(SETUP.unit, bus=replace(SETUP.unit.bus, reports={})))
    )
    assert left_out is not None
    assert left_out.untested
