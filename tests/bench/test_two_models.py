"""What two models need of sheets, plan check and rig: no bus, a default, what is not for a model, lamps to look at."""

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
from command_line import verify
from sheet_texts import changed, dotterel, problems_of

from bench.assembly import open_simulated_bench
from bench.errors import SheetError, UsageError
from bench.operator import SimulatedOperator
from bench.plan_check import Ability, check_step, setup_for
from bench.planning import plan_steps
from bench.rig import BenchRig
from bench.run_sheets import SheetNames, load_sheets
from bench.sheets import load_aircraft, load_bench, load_unit
from bench.sheets.load import default_model
from bench.simulation import simulated_parameters
from bench.steps import choose
from test_plans.procedure import Needs, NotForModel
from test_plans.rig import NOT_SURE, PromptAction, SupplyPath
from test_plans.sheets import NO_BUS

SECOND = load_sheets(SheetNames(bench="simulated", model="sanderling-2"))
STEPS = plan_steps(SECOND)


def second_changed(folder, *edits):
    text = (files("test_plans") / "units" / "sanderling-2.toml").read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "unit.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


# Sheets


def test_a_model_without_a_bus_has_none_to_read_and_none_on_its_bench():
    assert SECOND.unit.bus is NO_BUS
    assert SECOND.bench.bus is None
    assert "bus.receive" not in SECOND.bench.lines
    assert load_bench("simulated", dotterel()).bus is not None


def test_a_discrete_is_reported_or_shown_and_not_both_or_neither(tmp_path):
    shown = ', shown-by = "lamp 1 on the unit\'s front" }'
    neither = second_changed(tmp_path, (shown, " }"))
    assert problems_of(load_unit, neither) == [
        "discretes.discrete-1.report: is missing; add it, or shown-by: what a person sees of it on the unit"
    ]
    both = changed(tmp_path, "unit", ('report = "discrete-1" }', 'report = "discrete-1", shown-by = "lamp 1" }'))
    (problem,) = problems_of(load_unit, both)
    assert problem.startswith("discretes.discrete-1.shown-by: is reported as discrete-1")
    mixed = changed(tmp_path, "unit", ('report = "discrete-1" }', 'shown-by = "lamp 1" }'))
    (problem,) = problems_of(load_unit, mixed)
    assert "some are reported on the bus and some are shown only" in problem


def test_a_report_without_a_bus_is_refused(tmp_path):
    sheet = second_changed(tmp_path, ('shown-by = "lamp 1 on the unit\'s front"', 'report = "discrete-1"'))
    assert any('there is no report "discrete-1"' in problem for problem in problems_of(load_unit, sheet))


def test_a_bus_wired_to_a_model_that_has_none_is_refused(tmp_path):
    adapter = '[adapters.sanderling-2]\npositive-pin = "J1-1"\n'
    wired = 'bus = { high-pin = "J2-9", low-pin = "J2-10", receive-input = 20 }\n'
    bench = changed(tmp_path, "bench", (adapter, adapter + wired))
    assert "adapters.sanderling-2.bus: model sanderling-2 has no bus; take it out" in problems_of(
        load_bench, bench, SECOND.unit
    )


def test_a_bench_sheet_names_the_model_of_a_run_that_names_none(tmp_path):
    assert load_sheets(SheetNames(bench="simulated")).unit.model == "dotterel-6"
    other = changed(tmp_path, "bench", ('default-model = "dotterel-6"', 'default-model = "sanderling-2"'))
    assert default_model(other) == "sanderling-2"
    assert load_sheets(SheetNames(bench=other)).plan.name == "general-acceptance"
    none = changed(tmp_path, "bench", ('default-model = "dotterel-6"', ""))
    assert default_model(none) is None
    with pytest.raises(UsageError, match="which model"):
        load_sheets(SheetNames(bench=none))
    wrong = changed(tmp_path, "bench", ('default-model = "dotterel-6"', 'default-model = "dotterel-9"'))
    with pytest.raises(SheetError, match="dotterel-9"):
        load_sheets(SheetNames(bench=wrong))


def test_a_defect_of_a_line_that_the_model_has_not_got_is_not_offered(tmp_path):
    bench = changed(tmp_path, "bench", ('target = "discrete-2"', 'target = "discrete-9"'))
    first = load_sheets(SheetNames(bench=bench, model="dotterel-6"))
    second = load_sheets(SheetNames(bench=bench, model="sanderling-2"))
    assert "stimulus-dead" in {defect.id for defect in first.defects}
    assert "stimulus-dead" not in {defect.id for defect in second.defects}


# What is not for a model


class Picky:
    """A procedure that is for no model, and whose needs must not be asked."""

    name = "picky"
    title = "Picky"

    def not_for_model(self, setup):
        return NotForModel(reason=f"model {setup.unit.model} has no wings", untested="Lift")

    def functions(self, setup):
        raise AssertionError(setup)

    needs = functions


def test_what_is_not_for_a_model_is_asked_before_its_needs_and_takes_no_time():
    step = replace(SECOND.plan.steps[0], procedure="picky")
    setup = setup_for(step, unit=SECOND.unit, aircraft=SECOND.aircraft, plan=SECOND.plan, bench=SECOND.bench)
    checked = check_step(Picky(), setup, SECOND.bench)
    assert (checked.ability, checked.functions, checked.bench_time_s) == (Ability.NOT_FOR_MODEL, (), 0.0)
    assert checked.to_json()["left_out"] == "model sanderling-2 has no wings"
    assert checked.to_json()["untested"] == "Lift"


def test_steps_that_are_not_for_the_model_are_not_taken_and_gate_nothing():
    taken = [step.name for step in choose(STEPS, ())]
    assert "discrete-lamps" in taken
    assert not {"discrete-levels", "discrete-latency", "ground-pin"} & set(taken)
    with pytest.raises(UsageError, match=r"--only ground-pin: it is not for this model: .* has no function ground"):
        choose(STEPS, ("ground-pin",))
    left_out = next(step for step in STEPS if step.name == "ground-pin")
    assert (left_out.functions, left_out.needs) == ((), Needs(bench_time_s=0.0))


def test_no_step_needs_a_bus_of_a_model_that_has_none():
    assert not any(step.needs.bus for step in STEPS)
    first = plan_steps(load_sheets(SheetNames(bench="simulated", plan="general-acceptance", model="dotterel-6")))
    assert any(step.needs.bus for step in first)


# Lamps


class Keeper:
    """Keeps prompts and events."""

    def __init__(self):
        self.prompts = []
        self.events = []

    def open_capture(self, header):  # noqa: ARG002
        return self

    def append(self, *_block):
        pass

    def event(self, event):
        self.events.append(event)

    def close(self):
        pass

    def prompt(self, action, text):
        self.prompts.append((action, text))

    def answer(self, action, text, answer):
        assert self.prompts[-1] == (action, text)
        self.prompts[-1] = (action, text, answer)


class Unsure(SimulatedOperator):
    def look(self, question, shown):  # noqa: ARG002
        return None


@pytest.mark.parametrize("unsure", [False, True])
def test_a_look_is_answered_from_the_plant_recorded_and_logged_in_the_capture(unsure):
    bench, twin = simulated_parameters(
        SECOND.unit, SECOND.unit_simulation, SECOND.aircraft, SECOND.bench, SECOND.bench_simulation, seed=1
    )
    lamps = {discrete.name: discrete.shown_by for discrete in SECOND.unit.discretes}
    with open_simulated_bench(SECOND.bench, bench=bench, twin=twin, seed=1) as opened:
        kept = Keeper()
        rig = BenchRig(
            sheet=SECOND.bench,
            unit=SECOND.unit,
            supply=opened.supply,
            dip_source=opened.dip_source,
            daq=opened.daq,
            bus=None,
            clock=opened.clock,
            operator=Unsure(opened.plant) if unsure else opened.operator,
            recorder=kept,
            on_wait=lambda: None,
            say=lambda _text: None,
        )
        rig.begin_procedure("trial", 1)
        rig.ask(PromptAction.PLUG_UNIT, "plug")
        rig.idle_inputs()
        rig.drive("discrete-1", 0.0)
        assert not opened.plant.panel_shows("discrete-1")  # dark: it has no power
        rig.set_supply(28.0, 1.0)
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        rig.wait(1.0)
        with rig.capture("looked", (), sample_rate_hz=1000.0):
            seen = rig.look("Which of these are lit?", lamps)
        rig.make_safe()
    asked = next(event for event in kept.events if event.kind == "answer" and "lit" in event.fields)
    assert asked.fields["asked"] == "discrete-1,discrete-2,discrete-3"
    action, _, said = kept.prompts[1]
    assert action == "look"
    if unsure:
        assert (seen, asked.fields["lit"], said) == (None, NOT_SURE, NOT_SURE)
    else:
        assert (seen, asked.fields["lit"]) == (frozenset({"discrete-1"}), "discrete-1")
        assert said == "lamp 1 on the unit's front"


# Settings


def test_every_setting_that_a_unit_reports_is_said_by_the_aircraft_sheet_and_no_other(tmp_path):
    left_out = changed(tmp_path, "aircraft", ("trim-reversal = 0\n", ""))
    assert problems_of(load_aircraft, left_out, dotterel()) == [
        "settings.trim-reversal: is missing; add it: the unit reports it"
    ]
    unknown = changed(tmp_path, "aircraft", ("trim-reversal = 0\n", "trim-reversal = 0\nwing-area = 12\n"))
    (problem,) = problems_of(load_aircraft, unknown, dotterel())
    assert problem.startswith('settings.wing-area: model dotterel-6 reports no setting "wing-area"')


def test_settings_as_found_and_as_left_are_kept_with_the_run(tmp_path):
    document = verify(tmp_path, "--only", "power-up").document()
    found = [finding["id"] for finding in document["findings"] if ".setting." in finding["id"]]
    assert found == ["power-up.setting.trim-reversal", "power-up.setting.dimming-selection"]
    html = (Path(document["record"]) / "report.html").read_text(encoding="utf-8")
    assert "1606, trim-reversal 0, dimming-selection 44" in html
