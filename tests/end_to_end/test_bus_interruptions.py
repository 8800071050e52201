"""Breaks of the bus on a bench whose switch does not break: nothing passes by that, and the unit is not blamed."""

from importlib.resources import files

from command_line import boxproof, verify
from injected_faults import injected, path_welds

PLAN = files("test_plans") / "plans" / "brownout.toml"
STEP = "bus-interruptions-idle"


def test_a_bus_switch_that_welds_is_the_benchs_and_judged_so_again_from_the_record(monkeypatch, tmp_path):
    text = PLAN.read_text(encoding="utf-8")
    short = (
        'gated-by = ["bench-check", "bench-leads", "unpowered", "power-up"]\nconditions = { current-limit = "16 A", '
    )
    begin = text.index(f'procedure = "{STEP}"')
    narrow = text[begin:].replace(f"{short}trials = 3", f'{short}trials = 1, short = "5 ms", long = "10 ms"', 1)
    plan = tmp_path / "breaks.toml"
    plan.write_text(text[:begin] + narrow, encoding="utf-8")
    injected(monkeypatch, at=(STEP, 4.0, path_welds))  # between the two lengths
    document = verify(tmp_path, "--plan", plan, "--only", STEP).document()
    found = {one["id"]: (one["verdict"], one["cause"]) for one in document["findings"] if one["procedure"] == STEP}
    assert found[f"{STEP}.5ms"] == ("pass", None)
    for name in ("10ms", "no-motion", "configuration"):
        assert found[f"{STEP}.{name}"] == ("inconclusive", "bench")
    assert not [one["id"] for one in document["findings"] if one["cause"] == "unit"]
    again = boxproof("rejudge", document["record"], "--records", tmp_path / "again", "--json").document()
    assert {one["id"]: (one["verdict"], one["cause"]) for one in again["findings"] if one["procedure"] == STEP} == found
