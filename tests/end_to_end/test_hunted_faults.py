"""Faults of bench and unit that stand in no catalogue: none may pass, and none of the bench's may be the unit's."""

import pytest
from command_line import boxproof, verify
from injected_faults import (
    both,
    channel,
    clock_off,
    comes_on,
    held_on,
    injected,
    input_goes,
    leaks,
    line_goes,
    line_ohm,
    noisier,
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
    "channel of pitch volts open": (channel(25, gain_error=-1.0), "power-up", "bench-check.output-channels"),
    "channel of a lit light open": (
        both(channel(33, gain_error=-1.0), held_on("light-1", 13.0)),
        "power-up",
        "bench-check.output-channels",
    ),
    "ground channel open, ground bad": (
        both(channel(5, gain_error=-1.0), unit_quantity("unit.ground_ohm", 0.05)),
        "ground-pin",
        "bench-check.output-channels",
    ),
    "ground channel five times too high": (channel(5, gain_error=4.0), "ground-pin", "bench-check.output-channels"),
    "rheostat line of 11 kohm": (line_ohm(10, 11_000.0), "power-up", "bench-check.stimulus-resistance"),
    "twenty times the noise": (noisier(20.0), "dimming-load", "bench-check.noise"),
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


LATE_FAULTS = {  # of the bench, after it was proved: when, what, and what would otherwise be the unit's
    "ground channel": ("ground-pin", input_goes(5, gain_error=4.0), "ground-pin.resistance"),
    "channel of dc-1": ("dimming-map", input_goes(23, gain_error=0.05), ""),
    "channel of roll": ("trim-together", input_goes(27, gain_error=-0.1), "roll.together-drives"),
    "line of discrete 8": ("discrete-levels", line_goes(7, 11_000.0), "discrete-8.truth"),
}


@pytest.mark.parametrize("fault", LATE_FAULTS)
def test_a_bench_that_fails_after_it_was_proved_is_proved_again_before_the_unit_is_blamed(fault, monkeypatch, tmp_path):
    procedure, change, finding = LATE_FAULTS[fault]
    injected(monkeypatch, at=(procedure, 0.0, change))
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert not finding or found[finding]["cause"] == "bench"
    assert not [one for one in document["findings"] if one["cause"] == "unit"]


def test_a_record_of_a_bench_proved_again_is_judged_again_alike(monkeypatch, tmp_path):
    injected(monkeypatch, at=("ground-pin", 0.0, input_goes(5, gain_error=4.0)))
    verify(tmp_path, "--only", "ground-pin")
    (record,) = tmp_path.iterdir()
    document = boxproof("rejudge", record, "--records", tmp_path, "--json").document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")


UNIT_FAULTS = {  # when and what, or what from the start; and which finding must fail
    "light comes on under the levels": (
        {"at": ("discrete-levels", 3.0, comes_on("light-1", 13.0))},
        "discrete-levels",
        "discrete-levels.untouched-idle",
    ),
    "light comes on in a fast capture": (
        {"at": ("discrete-debounce", 2.0, comes_on("light-2", 13.0))},
        "discrete-debounce",
        "discrete-debounce.untouched-idle",
    ),
    "two inputs joined by 10 kohm": (
        {"bend": unit_quantity("discrete-1.bridge_s", 1e-4)},
        "discrete-levels",
        "discretes.independence",
    ),
    "active-high input at ground": (
        {"bend": unit_quantity("discrete-10.ground_short_s", 10.0)},
        "discrete-levels",
        "discrete-10.truth",
    ),
    "active-high input pulled down by 1 kohm": (
        {"bend": unit_quantity("discrete-10.pull_ohm", 1000.0)},
        "discrete-levels",
        "discrete-10.truth",
    ),
    "roll never cut off": (
        {"bend": unit_quantity("roll.cut_off_s", 99.0)},
        "trim-cut-off",
        "roll.left.left.cut-off",
    ),
    "roll bridge of 0.6 ohm": (
        {"bend": unit_quantity("roll.positive_ohm", 0.6)},
        "trim-together",
        "roll.alone-drop",
    ),
}


@pytest.mark.parametrize("fault", UNIT_FAULTS)
def test_a_fault_that_goes_with_the_unit_is_the_units(fault, monkeypatch, tmp_path):
    injection, procedure, finding = UNIT_FAULTS[fault]
    injected(monkeypatch, **injection)
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert found[finding]["verdict"] == "fail"


def test_airspeed_that_stops_while_all_axes_drive_is_the_benchs(monkeypatch, tmp_path):
    injected(monkeypatch, at=("trim-together", 0.0, sends_nothing))
    document = verify(tmp_path, "--only", "trim-together").document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert not [one for one in document["findings"] if one["cause"] == "unit"]
