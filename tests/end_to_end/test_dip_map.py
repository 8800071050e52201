"""The map of dips on whole benches: what is foreseen of it and shown, and that a bent bench is never the unit's."""

import re

import pytest
from command_line import verify
from expected_against_stated import off_by_more_than_twice
from injected_faults import injected, relay_dead

DIP_RELAY = 90
STEP = '[[steps]]\nprocedure = "{}"\nstage = "{}"\ngated-by = []\n{}'


@pytest.fixture
def plan(tmp_path):
    """A plan with nothing but a map at two durations."""
    conditions = 'conditions = { current-limit = "16 A", short = "20 ms", long = "100 ms", points = 2 }\n'
    bench = (STEP.format(name, "bench", "") for name in ("bench-check", "bench-leads"))
    steps = (*bench, STEP.format("power-up", "power-up", ""), STEP.format("dip-map", "brownout", conditions))
    path = tmp_path / "dips.toml"
    head = 'name = "dips"\ntitle = "Dips"\nsingle-function = true\nairspeed = "60 kt"\n'
    path.write_text(head + "\n".join((*steps, STEP.format("discharge", "final", ""))), encoding="utf-8")
    return path


def of_map(document):
    return {one["id"]: one for one in document["findings"] if one["procedure"] == "dip-map"}


def test_a_good_unit_s_boundaries_are_as_well_known_as_foreseen_and_drawn(plan, tmp_path):
    document = verify(tmp_path / "records", "--plan", plan, "--partial-ok").document()
    found = of_map(document)
    assert {one["verdict"] for one in found.values()} == {"pass"}
    for at in ("20ms", "100ms"):
        assert found[f"dip-map.hold-up.{at}"]["value"] == pytest.approx(5.4, abs=0.35)
        assert found[f"dip-map.logic.{at}"]["value"] == pytest.approx(4.5, abs=0.35)
    assert off_by_more_than_twice(document["record"], plan=plan) == {}
    (report,) = (tmp_path / "records").glob("*/report.html")
    figures = re.findall(r"<figure.*?</figure>", report.read_text(encoding="utf-8"), flags=re.DOTALL)
    maps = [one for one in figures if "survived and lost" in one]
    assert len(maps) == 2
    assert all(word in one for one in maps for word in ("boundary", "survived to", "lost from", "duration asked, ms"))


def test_a_bus_switch_that_never_gets_to_the_dip_source_is_the_bench_s(plan, monkeypatch, tmp_path):
    injected(monkeypatch, bend=relay_dead(DIP_RELAY))
    document = verify(tmp_path / "records", "--plan", plan, "--partial-ok").document()
    at_20_ms = of_map(document)["dip-map.hold-up.20ms"]
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]
    assert (at_20_ms["verdict"], at_20_ms["cause"]) == ("inconclusive", "bench")
    assert "it went down to" in at_20_ms["reasons"][0]
