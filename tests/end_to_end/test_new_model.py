"""From a blank sheet to a first simulated pass, by the very lines of the README, and what `new` and `schema` refuse."""

import json
import re
import shlex
import tomllib
from pathlib import Path

import pytest
from command_line import boxproof
from named_findings import unproved

from bench.errors import SheetError
from bench.sheets import load_aircraft, load_bench, load_bench_simulation, load_unit, load_unit_simulation
from bench.sheets.fields import Table
from bench.sheets.limit_text import LIMIT_QUANTITIES
from bench.sheets.load import load_profile
from bench.sheets.profile_file import ProfileFile
from bench.sheets.unit_file import UnitFile

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def steps():
    section = README.split("## A model of your own", 1)[1].split("\n## ", 1)[0]
    block = re.search(r"```\n(.*?)```", section, re.DOTALL)
    assert block is not None
    return [shlex.split(line)[1:] for line in block.group(1).splitlines()]


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def begun(name="gannet-3"):
    assert boxproof("new", "unit", name).code == 0
    return f"{name}.toml"


@pytest.mark.usefixtures("here")
def test_the_readmes_lines_lead_from_nothing_to_a_simulated_pass():
    lines = steps()
    assert [words[0] for words in lines] == ["new", "new", "new", "check", "verify"]
    outcomes = [boxproof(*words) for words in lines]
    assert [outcome.code for outcome in outcomes] == [0, 0, 0, 0, 0], [outcome.err for outcome in outcomes]
    assert "pass (simulated)" in outcomes[-1].out


@pytest.mark.usefixtures("here")
def test_the_defect_of_the_blank_sheet_is_caught_there_too():
    for words in steps()[:3]:
        boxproof(*words)
    outcome = boxproof(*steps()[-1], "--defect", "discrete-stuck", "--only", "discretes", "--json")
    assert (outcome.code, outcome.document()["cause"]) == (3, "unit")
    (defect,) = load_unit_simulation("gannet-3.toml").defects
    assert unproved(defect.findings, outcome.document()["findings"], "fail", "unit") == []


def test_a_blank_unit_sheet_explains_itself_and_names_no_source_of_ours(here):
    unit = load_unit(begun())
    text = (here / "gannet-3.toml").read_text(encoding="utf-8")
    assert unit.model == "gannet-3"
    assert {limit.source for limit in unit.limits.values()} == {"FILL IN"}
    assert load_unit_simulation("gannet-3.toml").defects
    assert text.count("#") > 60


def keys_of(table):
    for field in table.model_fields.values():
        yield field.alias
        inner = [kind for kind in vars_of(field.annotation) if isinstance(kind, type) and issubclass(kind, Table)]
        for kind in inner:
            yield from keys_of(kind)


def vars_of(annotation):
    yield annotation
    for part in getattr(annotation, "__args__", ()):
        yield from vars_of(part)


def test_every_key_a_unit_sheet_may_have_stands_in_the_blank_one(here):
    begun()
    text = (here / "gannet-3.toml").read_text(encoding="utf-8")
    keys = dict.fromkeys((*keys_of(UnitFile), *LIMIT_QUANTITIES))
    missing = [key for key in keys if not re.search(rf"\b{re.escape(key)}\b", text)]
    assert missing == []


def test_a_bench_written_for_a_shipped_model_passes_its_check(here):
    for model in ("dotterel-6", "sanderling-2"):
        assert boxproof("new", "bench", f"for-{model}", "--model", model).code == 0
        assert boxproof("new", "aircraft", f"of-{model}", "--model", model).code == 0
        unit = load_unit(model)
        path = f"for-{model}.toml"
        checked = boxproof("check", "--bench", path, "--model", model)
        assert checked.code == 0, checked.err
        bench = load_bench(path, unit)
        assert set(bench.signals) == set(load_bench("simulated", unit).signals)
        assert load_aircraft(f"of-{model}.toml", unit).axes == tuple(axis.name for axis in unit.trims)
    assert len(list(here.iterdir())) == 4


def test_a_bench_leaves_out_defects_of_lines_that_the_model_has_not_got(here):
    text = (here / begun()).read_text(encoding="utf-8")
    (here / "gannet-3.toml").write_text(text.replace("discrete-2", "door"), encoding="utf-8")
    assert boxproof("new", "bench", "my-bench", "--model", "gannet-3.toml").code == 0
    unit = load_unit("gannet-3.toml")
    targets = {defect.target for defect in load_bench_simulation("my-bench.toml", unit).defects}
    assert "discrete-2" not in targets
    assert "pitch.voltage" in targets


def test_a_bench_fits_a_model_whose_trim_has_another_name(here):
    text = (here / begun()).read_text(encoding="utf-8")
    (here / "gannet-3.toml").write_text(text.replace("pitch", "stab"), encoding="utf-8")
    assert boxproof("new", "bench", "my-bench", "--model", "gannet-3.toml").code == 0
    assert boxproof("new", "aircraft", "petrel", "--model", "gannet-3.toml").code == 0
    words = ("--bench", "my-bench.toml", "--model", "gannet-3.toml", "--aircraft", "petrel.toml")
    checked = boxproof("check", *words)
    assert (checked.code, checked.err) == (0, "")


@pytest.mark.parametrize("name", ["", "Gannet", "../gannet", "gannet 3", "-gannet", "g" * 41, "gannet.toml", "gännet"])
def test_a_name_that_is_none_is_refused_and_nothing_is_written(name, here):
    outcome = boxproof("new", "unit", "--", name)
    assert (outcome.code, outcome.out) == (2, "")
    assert "name" in outcome.err
    assert list(here.iterdir()) == []


def test_a_file_that_is_there_is_never_overwritten(here):
    (here / "gannet-3.toml").write_text("mine", encoding="utf-8")
    outcome = boxproof("new", "unit", "gannet-3")
    assert outcome.code == 2
    assert "already" in outcome.err
    assert (here / "gannet-3.toml").read_text(encoding="utf-8") == "mine"


@pytest.mark.usefixtures("here")
def test_an_aircraft_or_bench_needs_a_model_that_can_be_read():
    for kind in ("aircraft", "bench"):
        assert "--model" in boxproof("new", kind, "petrel").err
        assert "nonesuch" in boxproof("new", kind, "petrel", "--model", "nonesuch").err
    assert boxproof("new", "plan", "petrel").code == 2


@pytest.mark.parametrize(
    ("kind", "shipped"),
    [
        ("unit", "test_plans/units/sanderling-2.toml"),
        ("aircraft", "test_plans/aircraft/turnstone.toml"),
        ("plan", "test_plans/plans/general-acceptance.toml"),
        ("bench", "bench/benches/simulated.toml"),
        ("profile", "test_plans/profiles/engine-start-w1.toml"),
    ],
)
def test_a_schema_knows_every_top_key_of_a_shipped_sheet_and_has_no_null(kind, shipped):
    outcome = boxproof("schema", kind)
    schema = outcome.document()
    sheet = tomllib.loads((Path(__file__).parents[2] / shipped).read_text(encoding="utf-8"))
    assert outcome.code == 0
    assert schema["$schema"].startswith("https://json-schema.org/")
    assert set(sheet) <= set(schema["properties"])
    assert set(schema["required"]) <= set(sheet)
    assert "null" not in json.dumps(schema)
    assert "_" not in "".join(schema["properties"])


def test_the_schema_closes_the_lists_that_the_check_closes():
    limits = boxproof("schema", "unit").document()["properties"]["limits"]["propertyNames"]["enum"]
    assert "quiescent-current" in limits
    step = boxproof("schema", "plan").document()["$defs"]["StepTable"]["properties"]["conditions"]
    assert "ramp-rate" in step["propertyNames"]["enum"]


def test_a_blank_profile_names_everything_to_fill_in_at_once_and_holds_no_figure(here):
    assert boxproof("new", "profile", "dip-3").code == 0
    text = (here / "dip-3.toml").read_text(encoding="utf-8")
    blanks = set(re.findall(r'^([a-z-]+) = "[^"]*FILL IN"', text, re.MULTILINE))
    stretches = re.search(r"^course = \[.*?^\]", text, re.MULTILINE | re.DOTALL)
    assert stretches is not None
    assert not re.findall(r'"[\d.]+ ?(?:V|ms|s)"', stretches.group())
    with pytest.raises(SheetError) as refused:
        load_profile("dip-3.toml", load_unit("dotterel-6"))
    assert {problem.key for problem in refused.value.problems} == blanks | {
        *("course[0].hold", "course[1].to", "course[1].within", "course[2].hold"),
        *("course[3].to", "course[3].within", "course[4].hold"),
    }


def test_a_blank_profile_that_was_filled_in_is_played_as_typed(here):
    boxproof("new", "profile", "dip-3")
    text = (here / "dip-3.toml").read_text(encoding="utf-8")
    for volts in ("nominal-voltage", "starts-at"):
        text = text.replace(f'{volts} = "FILL IN"', f'{volts} = "14 V"')
    text = text.replace('hold = "FILL IN"', 'hold = "50 ms"').replace('within = "FILL IN"', 'within = "10 ms"')
    text = text.replace('to = "FILL IN"', 'to = "7 V"', 1).replace('to = "FILL IN"', 'to = "14 V"', 1)
    (here / "dip-3.toml").write_text(text.replace("FILL IN", "ours"), encoding="utf-8")
    profile = load_profile("dip-3.toml", load_unit("dotterel-6"))
    assert (profile.name, profile.lowest_v, profile.duration_s) == ("dip-3", 7.0, pytest.approx(0.17))
    assert profile.unverified


def test_every_key_a_profile_may_have_stands_in_the_blank_one(here):
    boxproof("new", "profile", "dip-3")
    text = (here / "dip-3.toml").read_text(encoding="utf-8")
    assert [key for key in dict.fromkeys(keys_of(ProfileFile)) if not re.search(rf"\b{re.escape(key)}\b", text)] == []
