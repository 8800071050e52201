"""Engine start: the unit's faults are the unit's, the bench's own never are, and no weak shot passes."""

import re
from dataclasses import replace
from importlib.resources import files

import pytest
from command_line import boxproof, verify
from injected_faults import both, comes_on, injected, path_ohm, relay_dead, unit_quantity
from sheet_texts import engine_starts

DIP_RELAY = 90
UNITS, BENCHES = files("test_plans") / "units", files("bench") / "benches"
FINDING = "engine-start.engine-start-{}.{}"


def started(folder, *words, profiles=("engine-start-w1",)):
    """Return the document of a run of the engine start alone."""
    return verify(folder, "--plan", engine_starts(folder, *profiles), "--only", "engine-start", *words).document()


def dip_source(**changes):
    """Bend: the dip source is other than its sheet says."""
    return lambda bench, twin: (replace(bench, dip_source=replace(bench.dip_source, **changes)), twin)


def slow_switch(break_s):
    """Bend: the bus switch takes its time from one position to the next."""
    return lambda bench, twin: (replace(bench, path=replace(bench.path, break_s=break_s)), twin)


def judged(document):
    return {one["id"]: (one["verdict"], one["cause"]) for one in document["findings"]}


BENT = {
    "dip source limits at 2 A": (dip_source(current_limit_cap_a=2.0), "w1"),
    "dip source 0.2 V high": (dip_source(set_offset_v=0.2), "w1"),
    "dip source 2.6 V low": (dip_source(set_offset_v=-2.6), "w1"),
    "bus switch never gets to the dip source": (relay_dead(DIP_RELAY), "w1"),
    "bus switch takes 5 ms": (slow_switch(0.005), "w1"),
}


@pytest.mark.parametrize("fault", BENT)
def test_a_bent_bench_neither_passes_nor_blames_the_unit(fault, monkeypatch, tmp_path):
    bend, name = BENT[fault]
    injected(monkeypatch, bend=bend)
    document = started(tmp_path)
    found = judged(document)
    assert found[FINDING.format(name, "hold-up")][0] == "inconclusive"
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]


def sticks_at_the_dip_source(plant):
    """Change: the bus switch stays at the dip source until the contactor opens."""
    relays, told, stuck = plant._relays, plant._relays._positions, [False]

    def positions():
        stuck[0] = relays.watchdog and (stuck[0] or told() == ["dip source"])
        return ["dip source"] if stuck[0] else told()

    relays._positions = positions


def test_a_bus_switch_that_does_not_come_back_from_a_drop_is_the_benchs(monkeypatch, tmp_path):
    injected(monkeypatch, at=("engine-start", 0.5, sticks_at_the_dip_source))
    document = started(tmp_path, profiles=("momentary-drop-12",))
    assert judged(document)[FINDING.format("w1", "hold-up").replace("engine-start-w1", "momentary-drop-12")] == (
        "inconclusive",
        "bench",
    )
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]


def test_a_converter_that_drops_out_at_8_3_v_loses_the_healthy_start(monkeypatch, tmp_path):
    injected(monkeypatch, bend=both(unit_quantity("hold-up.drop_out_v", 8.3), unit_quantity("hold-up.restart_v", 9.0)))
    document = started(tmp_path)
    found = judged(document)
    assert found[FINDING.format("w1", "hold-up")] == ("fail", "unit")
    assert found[FINDING.format("w1", "no-motion")][0] == "pass"


def test_a_reset_detector_at_6_5_v_is_clean_in_the_healthy_start_and_resets_in_the_weak_one(tmp_path):
    found = judged(
        started(tmp_path, "--defect", "reset-detector-high", profiles=("engine-start-w1", "engine-start-w2"))
    )
    assert found[FINDING.format("w1", "logic")] == ("pass", None)
    assert found[FINDING.format("w2", "logic")] == ("fail", "unit")


def test_a_weak_lead_of_the_dip_source_is_never_the_units(monkeypatch, tmp_path):
    injected(monkeypatch, bend=path_ohm("dip source", 0.2))
    document = started(tmp_path)
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]


def test_an_output_that_comes_on_in_a_start_is_the_units_fail_at_any_level(monkeypatch, tmp_path):
    injected(monkeypatch, at=("engine-start", 4.0, comes_on("flap", 12.0)))
    document = started(tmp_path)
    found = judged(document)
    assert found[FINDING.format("w1", "no-motion")] == ("fail", "unit")
    assert found[FINDING.format("w1", "hold-up")] == ("pass", None)


def test_a_bench_without_a_dip_source_still_works_and_says_what_it_can_not_follow(tmp_path):
    text = (BENCHES / "simulated.toml").read_text(encoding="utf-8")
    text = re.sub(r"\[dip-source\].*?\n\n", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r'"dip source" = .*\n', "", text)
    text = re.sub(r'.*to = "dip source".*\n', "", text)
    head, *defects = text.split("\n[[simulation.defects]]\n")
    text = "\n[[simulation.defects]]\n".join((head, *(one for one in defects if 'target = "dip source"' not in one)))
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    plan = engine_starts(tmp_path, "engine-start-w1", "engine-start-w5-2ms")
    said = boxproof("check", "--bench", bench, "--plan", plan).out
    assert "profile engine-start-w1 is not achievable: the supply falls at 100 V/s, 920 V/s asked" in said
    assert "cheapest thing missing: a dip source, or a supply of 920 V/s downwards" in said
    words = ("--bench", bench, "--records", tmp_path, "--json", "--plan", plan, "--only", "engine-start")
    found = judged(boxproof("verify", "SIM-0147", *words).document())
    assert found[FINDING.format("w1", "hold-up")] == ("inconclusive", "bench")
    assert found[FINDING.format("w5-2ms", "hold-up")] == ("pass", None)


def test_a_recorded_crank_plays_and_is_judged_again_from_the_record(tmp_path):
    crank = tmp_path / "crank.csv"
    crank.write_text("time_s,voltage_v\n0,12.6\n0.1,9.0\n0.8,9.0\n1.0,12.6\n", encoding="utf-8")
    unit = tmp_path / "unit.toml"
    text = (UNITS / "dotterel-6.toml").read_text(encoding="utf-8")
    required = '[profiles]\ncrank = { hold-up = "kept working", logic = "kept working" }'
    unit.write_text(text.replace("[profiles]", required), encoding="utf-8")
    document = started(tmp_path, "--model", unit, profiles=(str(crank),))
    found = judged(document)
    assert found["engine-start.crank.hold-up"] == ("pass", None)
    crank.unlink()
    again = boxproof("rejudge", document["record"], "--records", tmp_path / "again", "--json").document()
    assert judged(again) == found
