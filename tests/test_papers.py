"""README.md and DEVELOPERS.md say what is there: commands, options, files and modules."""

import re
from pathlib import Path
from pkgutil import resolve_name

import pytest
from typer.main import get_command

from bench.cli import app

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
COMMANDS = get_command(app).commands


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_readme_and_has_help(name):
    assert f"boxproof {name}" in README
    assert COMMANDS[name].help


@pytest.mark.parametrize("option", sorted(o for p in COMMANDS["verify"].params for o in p.opts if o.startswith("--")))
def test_every_option_of_the_main_job_is_in_the_readme(option):
    assert option in README


@pytest.mark.parametrize("path", sorted(set(re.findall(r"`((?:test_plans|bench|instruments)/[\w./-]+\.\w+)`", README))))
def test_every_file_the_readme_names_is_there(path):
    assert (ROOT / path).is_file()


def test_the_readme_prints_exactly_two_commands_to_install_with():
    assert len(re.findall(r"^pip install ", README, re.MULTILINE)) == 2


@pytest.mark.parametrize(
    "name", sorted(set(re.findall(r"`((?:analysis|bench|instruments|test_plans)\.[\w.]+)`", DEVELOPERS)))
)
def test_every_name_in_the_developers_paper_leads_somewhere(name):
    assert resolve_name(name) is not None


def test_cautions_stand_in_the_readme():
    for word in ("CAUTION", "qualified", "fused", "emergency stop", "person signs", "airworthiness"):
        assert word in README
