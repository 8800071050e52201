"""Told to stop at any moment, a run ends safe with a whole record; a pipe that closes costs neither."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_line import boxproof, verify

import bench.rejudge
import bench.verify
from bench.records.reading import load_record

POSIX = pytest.mark.skipif(os.name != "posix", reason="signals are sent, and pipes closed, the POSIX way")


def started(*words, **options):
    command = [sys.executable, "-m", "bench", *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)


def wait_for(there, process, *, timeout_s=60.0):
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline and process.poll() is None and not there():
        time.sleep(0.01)
    assert there()


@POSIX
def test_sigterm_in_a_run_makes_safe_and_closes_the_record_as_stopped(tmp_path):
    process = started("verify", "SIM-0147", "--bench", "simulated", "--records", tmp_path, "--json")
    wait_for(lambda: list(tmp_path.glob("*/captures/*discrete-levels*")), process)
    for _ in range(2):  # an impatient person asks twice
        process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 143
    assert "Traceback" not in err
    document = json.loads(out)
    assert (document["verdict"], document["status"]) == ("inconclusive", "stopped")
    assert "SIGTERM" in document["stop_reason"]
    assert document["not_known_to_be_safe"] == []
    record = load_record(Path(document["record"]))
    assert record.problems == ()
    assert "run stopped before its end" in (record.folder / "report.html").read_text()


def interrupting(monkeypatch, module, name):
    """Have a signal come just before `module.name` is called."""
    real = getattr(module, name)

    def told(*args, **kwargs):
        signal.raise_signal(signal.SIGINT)
        return real(*args, **kwargs)

    monkeypatch.setattr(module, name, told)


@pytest.mark.parametrize("moment", ["RecordWriter", "outcome_of", "run_summary", "render_report"])
def test_ctrl_c_while_a_record_is_opened_or_closed_leaves_it_whole(moment, monkeypatch, tmp_path):
    interrupting(monkeypatch, bench.verify, moment)
    outcome = verify(tmp_path, "--only", "bench-check")
    assert outcome.code == 130
    document = outcome.document()
    assert load_record(Path(document["record"])).problems == ()
    assert document["status"] == ("stopped" if moment == "RecordWriter" else "complete")


@pytest.mark.parametrize("moment", ["judge_step", "render_report"])
def test_judging_again_leaves_a_whole_record_or_none(moment, monkeypatch, tmp_path):
    parent = verify(tmp_path, "--only", "bench-check").document()["record"]
    interrupting(monkeypatch, bench.rejudge, moment)
    outcome = boxproof("rejudge", parent, "--records", tmp_path)
    assert outcome.code == 130
    made = [folder for folder in tmp_path.iterdir() if folder != Path(parent)]
    assert len(made) == (moment == "render_report")
    assert all(load_record(folder).problems == () for folder in made)


@POSIX
def test_a_reader_that_leaves_costs_neither_record_nor_exit_code(tmp_path):
    words = ("verify", "SIM-0147", "--bench", "simulated", "--records", tmp_path, "--only", "bench-check")
    process = started(*words, "--partial-ok")
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    process.stderr.close()
    assert process.wait(timeout=60) == 4  # the bench alone was looked at
    (folder,) = tmp_path.iterdir()
    assert load_record(folder).problems == ()


@POSIX
@pytest.mark.parametrize("words", [("--help",), ("check", "--bench", "simulated")])
def test_a_reader_that_leaves_makes_no_crash(words):
    process = started(*words)
    assert process.stdout is not None
    process.stdout.close()
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")


INTERRUPTED_IMPORT = """
import sys

class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == "bench.cli":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Interrupts())
from bench.__main__ import main
main()
"""


def test_ctrl_c_while_the_program_is_still_being_loaded_has_its_exit_code_too():
    done = subprocess.run([sys.executable, "-c", INTERRUPTED_IMPORT], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "boxproof: interrupted.\n")
