"""`boxproof simulate`: what it prints is a bench sheet that reaches it."""

import io
import tomllib
from contextlib import contextmanager
from unittest import mock

import pytest
import pyvisa
from command_line import boxproof

from bench.served_sheet import Addresses, served_sheet
from bench.serving import ByteTerminal

pytestmark = pytest.mark.skipif(not ByteTerminal.possible, reason="the avionics bus is served on a pseudo-terminal")


class Typed(io.StringIO):
    """A person at the bench: types each line, and does something else before the next one."""

    def __init__(self, *steps):
        super().__init__()
        self._steps = iter(steps)

    def readline(self, _size=-1):
        step = next(self._steps)
        while not isinstance(step, str):
            step()
            step = next(self._steps)
        return step + "\n"


@contextmanager
def typing(*steps):
    with mock.patch("sys.stdin", Typed(*steps)):
        yield


@pytest.mark.parametrize("words", [(), ("--hislip", "--terminal")])
def test_the_sheet_it_prints_reaches_it_and_passes_the_check(tmp_path, words):
    printed, answers = [], []

    def talk():
        sheet = tomllib.loads(printed[0])
        visa = pyvisa.ResourceManager("@py")
        for table in ("supply", "dip-source", "electronic-load"):
            with visa.open_resource(sheet[table]["resource"], read_termination="\n", write_termination="\n") as found:
                answers.append(found.query("*IDN?").split(",")[1])

    with typing("plug", talk, "state", "dance", "quit"), mock.patch("bench.simulate.put", printed.append):
        done = boxproof("simulate", "SIM-1", "--bench", "simulated", *words)
    assert done.code == 0
    assert answers == ["simulated supply", "simulated supply", "simulated electronic load"]
    assert "unit plugged in, 0.00 V at its pins, outputs off, contactor open" in done.err
    assert "'dance' is nothing that can be done here" in done.err
    (tmp_path / "served.toml").write_text(printed[0])
    checked = boxproof("check", "--bench", tmp_path / "served.toml")
    assert (checked.code, checked.err) == (0, "")
    refused = boxproof("verify", "UNIT-1", "--bench", tmp_path / "served.toml", "--records", tmp_path)
    assert refused.code == 2
    assert "is not simulated" in refused.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("simulate", "UNIT-1", "--bench", "simulated"), "SIM-"),
        (("simulate", "SIM-1", "--bench", "simulated", "--pace", "0"), "--pace 0: give a number above 0"),
        (("simulate", "SIM-1", "--bench", "simulated", "--defect", "nonsense"), "no defect 'nonsense'"),
        (("simulate", "SIM-1"), "--bench"),
    ],
)
def test_what_cannot_be_served_is_refused(words, said):
    refused = boxproof(*words)
    assert refused.code == 2
    assert said in refused.err


def test_a_sheet_keeps_everything_but_its_addresses_and_its_simulation():
    kept = '# bench\nsimulated = {} # yes\n[supply]\nresource = "{}" # there\n'
    simulation = '[simulation]\nx = 1\n[[simulation.defects]]\nid = "b"\n'
    text = kept.format("true", "a") + simulation
    assert served_sheet(text, Addresses(supply="s", daq="d")) == kept.format("false", "s")
    with pytest.raises(ValueError, match="line of its own"):
        served_sheet('simulated = true\nsupply = { resource = "a" }\n', Addresses(supply="s", daq="d"))
