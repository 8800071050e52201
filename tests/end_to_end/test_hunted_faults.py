"""Faults of bench and unit that stand in no catalogue: none may pass, and none of the bench's may be the unit's."""

import pytest
from command_line import verify
from injected_faults import (
    both,
    channel,
    clock_off,
    injected,
    leaks,
    path_ohm,
    relay_dead,
    sends_nothing,
    unit_quantity,
    welds,
)

BENCH_FAULTS = {  # what is bent, which procedure meets it, and which finding must say so
    "20 ohm path never closes": (relay_dead(22), "unpowered", "unpowered.current"),
    "20 ohm path of 200 ohm": (path_ohm("20 ohm", 200.0), "unpowered", "unpowered.current"),
    "narrow current channel 35 % low": (channel(2, gain_error=-0.35), "power-up", "bench-leads.narrow-load"),
    "narrow current channel open": (channel(2, gain_error=-1.0), "power-up", "bench-leads.narrow-return"),
    "channel of pwm-1 open": (channel(19, gain_error=-1.0), "dimming-curve", "bench-check.output-channels"),
    "channel of dc-1 3 % high": (channel(23, gain_error=0.03), "dimming-curve", "bench-check.output-channels"),
    "sample clock 0.1 % fast": (clock_off(1e-3), "power-up", "bench-check.sample-clock"),
    "1 kohm relay never closes": (
        both(relay_dead(26), unit_quantity("pitch.leakage_a", 5e-3)),
        "trim-light",
        "pitch.idle-current",
    ),
    "channel of pitch volts open": (channel(25, gain_error=-1.0), "trim-light", "pitch.left.up.drives"),
}


@pytest.mark.parametrize("fault", BENCH_FAULTS)
def test_a_fault_of_the_bench_is_found_and_never_the_units(fault, monkeypatch, tmp_path):
    bend, procedure, finding = BENCH_FAULTS[fault]
    injected(monkeypatch, bend=bend)
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert (found[finding]["verdict"], found[finding]["cause"]) == ("inconclusive", "bench")
    assert not [one for one in document["findings"] if one["cause"] == "unit"]


@pytest.mark.parametrize(
    ("pin", "procedure", "after_s"),
    [("P3-1", "trim-light", 1.5), ("P3-9", "power-up", 0.0), ("P3-1", "trim-loaded", 1.2), ("P3-1", "bus-ramp", 9.0)],
)
def test_a_switch_line_that_welds_closed_is_nobodys_until_it_is_read_without_the_unit(
    pin, procedure, after_s, monkeypatch, tmp_path
):
    injected(monkeypatch, at=(procedure, after_s, welds(pin)))
    document = verify(tmp_path, "--only", "trim-light" if procedure == "power-up" else procedure).document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "undecided")
    assert any("read closed" in r or "reads closed" in r for one in document["findings"] for r in one["reasons"])
    assert not [one for one in document["findings"] if one["cause"] == "unit"]


def test_airspeed_that_never_leaves_the_bench_is_the_benchs(monkeypatch, tmp_path):
    injected(monkeypatch, at=("power-up", 0.0, sends_nothing))
    document = verify(tmp_path, "--only", "trim-light").document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    drives = next(one for one in document["findings"] if one["id"] == "pitch.left.up.drives")
    assert "airspeed" in drives["reasons"][0]


def test_a_motor_that_runs_on_at_the_very_end_of_a_run_fails(monkeypatch, tmp_path):
    injected(monkeypatch, at=("final-repeat", 2.0, leaks("pitch", 0.5)))
    document = verify(tmp_path, "--only", "final-repeat").document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert found["final-repeat.lets-go"]["verdict"] == "fail"


def test_a_ground_channel_that_is_open_passes_no_unit(monkeypatch, tmp_path):
    injected(monkeypatch, bend=both(channel(5, gain_error=-1.0), unit_quantity("unit.ground_ohm", 0.05)))
    document = verify(tmp_path, "--only", "ground-pin").document()
    found = {one["id"]: one for one in document["findings"]}["ground-pin.resistance"]
    assert (found["verdict"], found["cause"]) == ("inconclusive", "undecided")
