"""Readings that become doubts, ramp corrections, and who is blamed for a disturbed supply."""

import math

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, setup_of

from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.delayed_crossing import Delay, crossing_on_ramp
from test_plans.readings import Record
from test_plans.silence import silence_doubts


def record_of(scene):
    return Record(Shelf(scene.capture()), scene.name)


def test_a_missing_capture_reads_as_nan_and_the_bench_is_doubted():
    record = Record(Shelf(), "gone")
    reading = record.mean("unit.voltage")
    assert math.isnan(reading.value)
    assert [doubt.cause for doubt in reading.doubts] == [Cause.BENCH]
    assert record.names == ()


def test_a_signal_that_was_not_captured_is_the_benchs_doubt():
    record = record_of(Scene("a", 1.0).signal("unit.voltage", 1.0))
    assert [doubt.cause for doubt in record.mean("pitch.voltage").doubts] == [Cause.BENCH]


@pytest.mark.parametrize("rate", [-0.5, 0.5])
def test_a_threshold_on_a_ramp_is_corrected_by_rate_times_delay_and_half_the_interval(rate):
    # The bias of a threshold seen late: r (tau + Ts/2), derived in closed form.
    scene = Scene("a", 4.0)
    scene.signal("unit.voltage", 5.0 + rate * scene.times_s)
    tau_s, interval_s = 0.020, 0.010
    record = record_of(scene)
    seen = crossing_on_ramp(record, "unit.voltage", detected_s=2.0, delay=Delay(mean_s=0.0, bound_s=0.0))
    found = crossing_on_ramp(
        record, "unit.voltage", detected_s=2.0, delay=Delay(mean_s=tau_s, bound_s=0.0), interval_s=interval_s
    )
    assert seen.value == pytest.approx(5.0 + 2.0 * rate, abs=1e-3)
    assert seen.value - found.value == pytest.approx(rate * (tau_s + interval_s / 2.0), rel=0.02)


def test_the_spread_of_a_delay_stays_in_the_uncertainty():
    scene = Scene("a", 4.0)
    scene.signal("unit.voltage", 5.0 - 0.5 * scene.times_s)
    record = record_of(scene)
    spread = Delay.between(0.0, 0.2)
    found = crossing_on_ramp(record, "unit.voltage", detected_s=2.0, delay=spread)
    part = next(line for line in found.components if line.name.endswith("delay"))
    assert part.contribution == pytest.approx(0.5 * 0.1 / math.sqrt(3.0), rel=0.01)


def test_driven_stretches_are_found_to_5_ms():
    scene = Scene("a", 1.0)
    scene.signal("pitch.voltage", np.where((scene.times_s >= 0.2) & (scene.times_s < 0.5), -13.0, 0.0))
    ((on_s, off_s),) = record_of(scene).driven("pitch.voltage", 2.0, 0.0, 1.0)
    assert (on_s, off_s) == (pytest.approx(0.2, abs=0.005), pytest.approx(0.5, abs=0.005))


def supply_scene(volts, amps, limit_a):
    scene = Scene("a", 1.0, set_voltage_v=13.8, current_limit_a=limit_a)
    return record_of(scene.signal("unit.voltage", volts).signal("unit.current", amps))


def test_a_supply_at_its_setting_is_not_doubted():
    assert supply_doubts(supply_scene(13.8, 1.7, 3.0), setup_of("trim-loaded"), "loaded") == ()


def test_a_limit_too_low_for_a_good_unit_is_the_benchs():
    (doubt,) = supply_doubts(supply_scene(9.0, 2.0, 2.0), setup_of("trim-loaded"), "loaded")
    assert doubt.cause is Cause.BENCH


def test_an_adequate_limit_that_is_reached_is_undecided_with_the_step_that_decides():
    (doubt,) = supply_doubts(supply_scene(9.0, 2.4, 2.4), setup_of("trim-loaded"), "loaded")
    assert doubt.cause is Cause.UNDECIDED
    assert "contactor" in doubt.next_step


def test_a_supply_below_its_setting_without_its_limit_is_the_benchs():
    (doubt,) = supply_doubts(supply_scene(9.0, 0.4, 3.0), setup_of("trim-loaded"), "loaded")
    assert doubt.cause is Cause.BENCH


def test_silence_of_the_bus_is_undecided_until_the_link_was_proved():
    record = record_of(Scene("a", 3.0).signal("unit.voltage", 13.8))
    (doubt,) = silence_doubts(record, Shelf())
    assert doubt.cause is Cause.UNDECIDED
    heard = record_of(Scene("a", 3.0).signal("unit.voltage", 13.8).report("reset-count", 1.0, count=0))
    assert silence_doubts(heard, Shelf()) == ()


def test_a_setting_changed_on_the_way_counts_from_then_on():
    scene = Scene("a", 1.0, set_voltage_v=1.0).event("note", 0.5, set_voltage_v=2.0)
    record = record_of(scene)
    assert (record.setting("set_voltage_v"), record.setting("set_voltage_v", 0.6)) == (1.0, 2.0)
