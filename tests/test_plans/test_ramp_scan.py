"""A scan of ramp rates: what shows that a unit came back, how often it went, and what proves nothing."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, setup_of, sheets

from analysis.verdict import Cause, Verdict
from bench.judging import findings_of
from bench.plan_check import check_step
from test_plans.bus_slope import Slope
from test_plans.ramp_scan import RampScan
from test_plans.ramp_scan_readings import read_runs
from test_plans.readings import Record

SETUP = setup_of("ramp-scan")
SLOPE = Slope(from_v=8.0, low_v=3.9, to_v=8.0, rate_v_per_s=20.0, stands_s=0.3)
FALLS_S, LOW_S, RISES_S = 0.5, 0.705, 1.005


def scene(
    *, silent=((0.675, 1.7),), back_v=13.8, reports=(1.7, 2.7), heard=True, resets=1, lost=((0.63, 1.16),), half=2.5
):
    """Return a capture: 13.8 V, at 20 V/s from 8.0 to 3.9 V and back, 13.8 V from 1.3 s on; life but where `silent`."""
    found = Scene("scan-20", 3.5, 2000.0)
    times_s = found.times_s
    corners = (0.35, 0.47, FALLS_S, LOW_S, RISES_S, 1.21, 1.22, 1.33)
    bus = np.interp(times_s, corners, (13.8, 8.0, 8.0, 3.9, 3.9, 8.0, 8.0, back_v))
    dark = np.zeros(times_s.size, dtype=bool)
    for start_s, stop_s in silent:
        dark |= (times_s >= start_s) & (times_s < stop_s)
    gone = np.zeros(times_s.size, dtype=bool)
    for start_s, stop_s in lost:
        gone |= (times_s >= start_s) & (times_s < stop_s)
    found.signal("unit.voltage", bus).signal("unit.current.high", 0.6).signal("rheostat-1.voltage", half)
    found.signal("pwm-1.voltage", np.where(~dark & ((times_s * 240.0) % 1.0 < 0.5), bus, 0.0))
    found.signal("hold-up.voltage", np.where(gone, 0.0, 12.5))
    found.line("bus.receive", np.isin(np.arange(times_s.size), [round(2000.0 * at_s) for at_s in reports]))
    for at_s in reports if heard else ():
        found.report("reset-count", at_s, count=4 + resets)
    return found


def read(*, counted_s=0.5, **changes):
    """Return one run as read, after an earlier capture whose last report has the reset count at 4."""
    first = Scene("earlier", 1.0, 2000.0)
    first.signal("unit.voltage", np.where(first.times_s < 0.1, 3.9, 13.8)).report("reset-count", counted_s, count=4)
    shelf = Shelf(first.capture(), scene(**changes).capture())
    shots = [(Record(shelf, name), SLOPE) for name in ("earlier", "scan-20")]
    return read_runs(shots, SETUP, before_s=0.3)[-1]


def test_a_unit_that_comes_back_shows_life_one_silence_one_reset_and_two_changes():
    run = read()
    assert run.doubts == ()
    assert (run.alive_before, run.alive_after, run.hung) == (True, True, False)
    assert (run.silences, run.resets, run.changes) == (1, 1, 2)
    assert run.rates.rise_v_per_s == pytest.approx(20.0, rel=0.03)


DEAD = ((0.675, 3.5),)


@pytest.mark.parametrize(
    ("changes", "hung"),
    [
        ({"silent": DEAD, "reports": ()}, True),
        ({"silent": DEAD}, False),  # it reports
        ({"silent": DEAD, "heard": False}, False),  # the host is deaf, its frames stand on the receive line
        ({"reports": ()}, False),  # its pulses are there
    ],
)
def test_only_a_unit_that_shows_no_life_at_all_hangs(changes, hung):
    run = read(**changes)
    assert run.doubts == ()
    assert run.hung is hung


def test_a_count_from_before_the_last_reset_says_nothing_of_the_next():
    assert read(counted_s=0.0).resets is None  # the report behind that reset was lost


def test_what_goes_and_comes_more_than_once_is_counted():
    run = read(silent=((0.675, 1.7), (1.9, 2.5)), resets=2, lost=((0.63, 0.65), (0.67, 1.1), (1.12, 1.16)))
    assert (run.silences, run.resets, run.changes) == (2, 2, 6)


@pytest.mark.parametrize(
    ("changes", "cause", "said"),
    [
        ({"back_v": 9.0, "silent": DEAD, "reports": ()}, Cause.BENCH, "the bus was not back at 10 V"),
        ({"silent": ((0.0, 3.5),), "reports": ()}, Cause.UNDECIDED, "showed no life before"),
        ({"half": 0.0, "silent": DEAD, "reports": ()}, Cause.UNDECIDED, "did not stand at half"),
    ],
)
def test_a_bench_that_does_not_do_its_part_proves_no_hang(changes, cause, said):
    run = read(**changes)
    assert not run.hung
    (doubt,) = run.doubts
    assert (doubt.cause, said in doubt.reason) == (cause, True)


def verdicts(*more, **changes):
    """Return the findings where one rate is scanned."""
    step = replace(SETUP.step, conditions={"first_rate_v_per_s": 20.0, "last_rate_v_per_s": 20.0, "rates": 1})
    setup = replace(SETUP, step=step)
    results = RampScan().evaluate(Shelf(scene(**changes).capture(), *more), setup)
    findings = findings_of(results, setup.unit, procedure="ramp-scan", attempt=1)
    return {finding.id.removeprefix("ramp-scan."): finding for finding in findings}


PASSED, FAILED = (Verdict.PASS, None), (Verdict.FAIL, Cause.UNIT)
CHATTER = ((0.63, 0.65), (0.67, 1.16))


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({}, (PASSED, PASSED, PASSED)),
        ({"lost": ()}, (PASSED, PASSED, PASSED)),  # it held all the way, which is no fault
        ({"lost": CHATTER}, (PASSED, PASSED, FAILED)),
        ({"silent": ((0.675, 1.7), (1.9, 2.5))}, (PASSED, FAILED, PASSED)),
        ({"silent": ()}, (PASSED, FAILED, PASSED)),  # never reset, below the lowest reset allowed
    ],
)
def test_each_fault_has_its_finding(changes, wanted):
    found = verdicts(**changes)
    assert (
        tuple((found[name].verdict, found[name].cause) for name in ("no-hang", "logic-once", "hold-up-once")) == wanted
    )


@pytest.mark.parametrize(
    ("silent", "reports", "said"),
    [(((0.675, 1.7),), (1.7,), ", back after a power cycle"), (DEAD, (), "shows no life after a power cycle either")],
)
def test_a_hang_is_said_with_its_rate_and_what_a_power_cycle_did(silent, reports, said):
    after = scene(silent=((0.0, 3.5),) if not reports else silent, reports=reports)
    after.name = "recovered-20"
    found = verdicts(after.capture(), silent=DEAD, reports=())["no-hang"]
    assert (found.verdict, found.cause) == FAILED
    assert found.reasons[0].startswith("hangs at 20 V/s (20")
    assert said in found.reasons[0]


def test_a_rate_beyond_the_supply_is_left_out_by_the_plan_check_and_said():
    step = replace(SETUP.step, conditions={"first_rate_v_per_s": 2.0, "last_rate_v_per_s": 200.0, "rates": 3})
    bench = sheets().bench
    checked = check_step(RampScan(), replace(SETUP, step=step), bench)
    assert [need.name for need in checked.needs.captures] == ["scan-2", "scan-20"]
    beyond, between = checked.leaves_untested
    assert "at 200 V/s: the supply rises at 200 V/s and falls at 100 V/s" in beyond
    assert "a factor of 10 apart" in between


def test_a_model_that_says_no_reset_voltage_or_shows_no_life_is_left_out_with_what_stays_unknown():
    unit = SETUP.unit
    limits = {key: limit for key, limit in unit.limits.items() if key != "reset-voltage"}
    silent = replace(unit, dimming=(), bus=replace(unit.bus, reports={}))
    for other in (replace(unit, limits=limits), silent):
        left_out = RampScan().not_for_model(replace(SETUP, unit=other))
        assert left_out is not None
        assert left_out.untested
    assert RampScan().not_for_model(SETUP) is None
