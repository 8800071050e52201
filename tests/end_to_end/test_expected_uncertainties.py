"""Uncertainties foreseen by the plan check, of what the acceptance plan does not measure, against those of a run."""

from command_line import verify
from expected_against_stated import off_by_more_than_twice

HEAD = 'name = "rare"\ntitle = "What acceptance leaves out"\nsingle-function = true\nairspeed = "60 kt"\n'
STEP = '[[steps]]\nprocedure = "{}"\nstage = "{}"\ngated-by = []\n{}'
STEPS = (
    ("bench-check", "bench", ""),
    ("bench-leads", "bench", ""),
    ("power-up", "power-up", ""),
    ("discrete-overvoltage", "inputs", 'conditions = { level = "9.9 V", hold = "2 s" }'),
    ("dimming-off-state", "unloaded outputs", ""),
    ("dimming-sweep", "unloaded outputs", ""),
    ("dimming-flicker", "unloaded outputs", ""),
    ("dimming-open-wiper", "unloaded outputs", ""),
    ("trim-taps", "light load", 'conditions = { axes = ["pitch"], trials = 1 }'),
    ("trim-bus-voltage", "full load", 'conditions = { axes = ["pitch"], current-limit = "3 A", trials = 1 }'),
    ("discharge", "final", ""),
)


def test_what_acceptance_does_not_measure_is_foreseen_too(tmp_path):
    plan = tmp_path / "rare.toml"
    plan.write_text(HEAD + "\n".join(STEP.format(*step) + "\n" for step in STEPS))
    document = verify(tmp_path / "records", "--plan", plan, "--partial-ok").document()
    assert [f["id"] for f in document["findings"] if f["verdict"] != "pass"] == []
    off = off_by_more_than_twice(document["record"], plan=plan)
    assert set(off) == {("dimming-sweep", "dc-step")}  # its ripple is the unit's, and the bench's noise is far below
