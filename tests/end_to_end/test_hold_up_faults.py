"""The bench's own faults about the hold-up output: never the unit's."""

import pytest
from command_line import verify
from injected_faults import both, channel, injected, load_ohm, path_ohm, path_welds, relay_dead

LOAD, HOLD_UP_VOLTS, HOLD_UP_AMPS, SUPPLY_AMPS = 64, 31, 35, 3
DRAWS, SHORT, FEED = 91, 92, 93

BENT = {
    "load relay never closes": (relay_dead(LOAD), "hold-up-regulation"),
    "load of twice its resistance": (load_ohm("hold-up", "3.125 ohm", 6.25), "hold-up-regulation"),
    "load of two thirds of its resistance": (load_ohm("hold-up", "3.125 ohm", 2.08), "hold-up-regulation"),
    "output current channel 10 % high": (channel(HOLD_UP_AMPS, gain_error=0.10), "hold-up-regulation"),
    "output current channel open": (channel(HOLD_UP_AMPS, gain_error=-1.0), "hold-up-regulation"),
    "hard path never closes": (relay_dead(66), "inrush"),
    "hard path of 5 ohm": (path_ohm("0.5 ohm", 5.0), "inrush"),
}


@pytest.mark.parametrize("fault", BENT)
def test_a_bent_bench_is_never_the_units(fault, monkeypatch, tmp_path):
    bend, procedure = BENT[fault]
    injected(monkeypatch, bend=bend)
    document = verify(tmp_path, "--only", procedure).document()
    assert document["verdict"] == "inconclusive"
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]


def test_neither_load_short_nor_feed_that_never_comes_is_the_units(monkeypatch, tmp_path):
    injected(monkeypatch, bend=both(relay_dead(DRAWS), both(relay_dead(SHORT), relay_dead(FEED))))
    procedures = ("hold-up-back-feed", "hold-up-load-step", "hold-up-overload", "hold-up-constant-power")
    words = (word for name in procedures for word in ("--only", name))
    document = verify(tmp_path, "--plan", "brownout", *words).document()
    found = [one for one in document["findings"] if one["procedure"] in procedures and "untouched" not in one["id"]]
    assert len(found) == 12
    assert {(one["verdict"], one["cause"]) for one in found} == {("inconclusive", "bench")}


def test_a_bus_switch_that_does_not_open_breaks_nothing(monkeypatch, tmp_path):
    injected(monkeypatch, at=("hold-up-ride-through", 0.0, path_welds))
    document = verify(tmp_path, "--only", "hold-up-ride-through").document()
    found = {one["id"]: one for one in document["findings"]}
    assert (found["hold-up.ride-through"]["verdict"], found["hold-up.ride-through"]["cause"]) == (
        "inconclusive",
        "bench",
    )
    assert found["hold-up.recovers"]["verdict"] == "inconclusive"


def test_a_supply_limited_too_low_is_the_benchs(tmp_path):
    words = ("--only", "hold-up-drop-out", "--defect", "supply-limit-low")
    document = verify(tmp_path, *words).document()
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]
