"""Faults of supply, bus interface and channels while a run lasts, and a unit that starts anew: who gets the blame."""

from dataclasses import replace

import numpy as np
import pytest
from command_line import boxproof, verify
from injected_faults import injected, input_goes, unit_quantity

from instruments.simulated.twin import PowerState

NS_PER_S = 1_000_000_000


def contactor_opens(for_s=None):
    """Change: the contactor drops, for good or for a while."""

    def change(plant):
        plant.set_watchdog(False)
        if for_s is not None:
            plant.at(plant.now_ns + round(for_s * NS_PER_S), lambda: plant.set_watchdog(True))

    return change


def supply_off_by(volts):
    """Change: the supply gives so much more than is set."""

    def change(plant):
        parameters = plant._supply.parameters
        plant._supply.parameters = replace(parameters, set_offset_v=parameters.set_offset_v + volts)

    return change


def host_hears_nothing(plant):
    """Change: the host's bus interface gives no frames any more."""
    plant.take_frames = list


def host_loses(share):
    """Change: the host's bus interface loses this share of all frames."""

    def change(plant):
        take, draw = plant.take_frames, np.random.Generator(np.random.Philox(key=3))
        plant.take_frames = lambda: [frame for frame in take() if draw.random() > share]

    return change


def unit_resets(plant):
    """Change: the unit is reset by itself."""
    plant.twin.resets += 1
    plant.twin._lose_power(PowerState.HELD_IN_RESET)
    plant.twin._rise()


BENCH_FAULTS = {  # what happens, when, and a finding that must say so
    "0.3 s without supply in the debounce": (
        "discrete-debounce",
        2.5,
        contactor_opens(0.3),
        "discrete-1.rejects-short",
    ),
    "0.1 s without supply on a light load": ("trim-light", 1.2, contactor_opens(0.1), "pitch.left.up.drives"),
    "contactor drops in the levels": ("discrete-levels", 5.0, contactor_opens(), "discrete-6.threshold-active"),
    "13.0 V instead of 13.8 V": ("discrete-levels", 0.0, supply_off_by(-0.8), "discrete-1.truth"),
    "0.3 s without supply on the slow bus": ("bus-ramp", 7.0, contactor_opens(0.3), "bus-ramp.lock-out"),
    "0.8 V too little on the slow bus": ("bus-ramp", 0.0, supply_off_by(-0.8), "bus-ramp.lock-out"),
    "host falls silent": ("discrete-levels", 0.5, host_hears_nothing, "discrete-6.threshold-active"),
    "host loses half of all frames": ("discrete-levels", 0.0, host_loses(0.5), "discrete-2.truth"),
    "channel of light 1 drifts": ("power-up", 0.0, input_goes(33, offset_units=0.6), "power-up.idle.light-1"),
    "channel of the bus reads high": ("discrete-levels", 0.0, input_goes(1, offset_units=0.5), "discrete-1.truth"),
}


@pytest.mark.parametrize("fault", BENCH_FAULTS)
def test_a_fault_of_the_bench_on_the_way_is_never_the_units(fault, monkeypatch, tmp_path):
    procedure, after_s, change, finding = BENCH_FAULTS[fault]
    injected(monkeypatch, at=(procedure, after_s, change))
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert (found[finding]["verdict"], found[finding]["cause"]) == ("inconclusive", "bench")
    assert not [one for one in document["findings"] if one["cause"] == "unit"]


def test_a_drift_is_found_again_when_the_record_is_judged_again(monkeypatch, tmp_path):
    injected(monkeypatch, at=("power-up", 0.0, input_goes(33, offset_units=0.6)))
    verify(tmp_path, "--only", "power-up")
    (record,) = tmp_path.iterdir()
    document = boxproof("rejudge", record, "--records", tmp_path, "--json").document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert found["discharge.zero.light-1.voltage"]["cause"] == "bench"
    assert "found faulty later" in found["power-up.idle.light-1"]["reasons"][0]


@pytest.mark.parametrize(
    ("procedure", "after_s"), [("discrete-levels", 3.0), ("trim-light", 1.0), ("trim-cut-off", 4.0)]
)
def test_a_unit_that_starts_anew_by_itself_fails(procedure, after_s, monkeypatch, tmp_path):
    injected(monkeypatch, at=(procedure, after_s, unit_resets))
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert found[f"{procedure}.no-reset"]["verdict"] == "fail"


def test_a_reset_that_nobody_saw_happen_is_not_passed_at_the_end(monkeypatch, tmp_path):
    injected(monkeypatch, at=("final-repeat", 0.3, unit_resets))
    document = verify(tmp_path, "--only", "final-repeat").document()
    found = {one["id"]: one for one in document["findings"]}
    assert (document["verdict"], document["cause"]) == ("inconclusive", "undecided")
    assert found["final-repeat.resets"]["cause"] == "undecided"


UNIT_FAULTS = {
    "lock-out at 8.9 V": (unit_quantity("unit.lockout_v", 8.9), "bus-ramp", "bus-ramp.lock-out", "did not drive"),
    "never locked out": (unit_quantity("unit.lockout_v", 0.0), "bus-ramp", "bus-ramp.lock-out", "not locked out"),
    "ready after 3 s": (unit_quantity("unit.ready_s", 3.0), "power-up", "power-up.ready-time", ""),
}


@pytest.mark.parametrize("fault", UNIT_FAULTS)
def test_what_is_far_beyond_the_stimulus_is_the_units_all_the_same(fault, monkeypatch, tmp_path):
    bend, procedure, finding, said = UNIT_FAULTS[fault]
    injected(monkeypatch, bend=bend)
    document = verify(tmp_path, "--only", procedure).document()
    found = {one["id"]: one for one in document["findings"]}[finding]
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert found["verdict"] == "fail"
    assert said in "; ".join(found["reasons"])


def test_a_unit_reset_on_the_whole_ramp_is_known_by_its_dark_output(tmp_path):
    words = ("--defect", "reset-detector-high:3", "--only", "dimming-curve", "--only", "bus-ramp")
    document = verify(tmp_path, *words).document()
    found = {one["id"]: one for one in document["findings"]}["bus-ramp.reset"]
    assert (found["verdict"], found["cause"]) == ("fail", "unit")
    assert "no pulses" in found["reasons"][0]
