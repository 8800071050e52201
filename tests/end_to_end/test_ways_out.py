"""Every way out of a run leaves the plant safe and the record readable: Ctrl-C, abort, a dead instrument, a kill."""

import errno
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import boxproof, verify

import bench.records.record_writer
import bench.verify
from bench.assembly import OpenBench, open_simulated_bench
from bench.errors import DiskError
from bench.planning import plan_steps
from bench.progress import NoProgress
from bench.records.durable import write_whole
from bench.records.reading import load_record
from bench.run_sheets import SheetNames, load_sheets
from instruments.errors import InstrumentTimeoutError
from instruments.simulated.plant import Plant


class Trigger(NoProgress):
    """Calls `action` once, `after_s` of bench time into a procedure."""

    def __init__(self, procedure, after_s, action) -> None:
        self.procedure = procedure
        self.after_s = after_s
        self.action = action
        self.at_s = float("inf")
        self.fired = False

    def begin(self, stage, procedure, *, elapsed_s, remaining_s):  # noqa: ARG002
        if procedure == self.procedure:
            self.at_s = elapsed_s + self.after_s

    def update(self, elapsed_s, readings):  # noqa: ARG002
        if elapsed_s >= self.at_s and not self.fired:
            self.fired = True
            self.action()


@pytest.fixture
def opened(monkeypatch) -> list[OpenBench]:
    """The benches a run opened, so that a test can look at the plant behind the drivers."""
    benches: list[OpenBench] = []

    @contextmanager
    def opening(*args, **kwargs) -> Iterator[OpenBench]:
        with open_simulated_bench(*args, **kwargs) as bench_:
            benches.append(bench_)
            yield bench_

    monkeypatch.setattr(bench.verify, "open_simulated_bench", opening)
    return benches


def trigger(monkeypatch, procedure: str, action, *, part: float = 0.3) -> Trigger:
    """Have `action` called when `part` of the time that a procedure takes has gone."""
    found = Trigger(procedure, part * STEPS[procedure].needs.bench_time_s, action)
    monkeypatch.setattr("bench.commands._progress", lambda **_: found)
    return found


STEPS = {
    step.name: step
    for step in plan_steps(load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6")))
}


def assert_safe(plant: Plant) -> None:
    assert not plant.output_on
    assert not plant.contactor_closed
    assert not plant.arm_closed
    assert plant.unit_voltage_v() < 1.0
    for axis in ("pitch", "roll", "yaw"):
        assert plant.motor_voltage_v(axis) == pytest.approx(0.0, abs=0.05)


def interrupt() -> None:
    raise KeyboardInterrupt


# The first procedure of every stage, and those that drive the hardest.
BROKEN_OFF = tuple({step.step.stage: name for name, step in reversed(STEPS.items())}.values())[::-1]


@pytest.mark.parametrize("procedure", [*BROKEN_OFF, "discrete-latency", "trim-cut-off", "ground-pin", "discharge"])
def test_ctrl_c_in_any_procedure_makes_safe_and_closes_the_record_as_stopped(procedure, opened, monkeypatch, tmp_path):
    fired = trigger(monkeypatch, procedure, interrupt)
    outcome = verify(tmp_path, "--only", procedure)
    assert fired.fired
    assert outcome.code == 130
    assert_safe(opened[0].plant)
    document = outcome.document()
    assert (document["verdict"], document["partial"]) == ("inconclusive", True)
    record = load_record(Path(document["record"]))
    assert record.outcome is not None
    assert record.outcome.status.value == "stopped"
    assert record.problems == ()
    assert any("Ctrl-C" in stop.reason for stop in record.stops)


def test_a_supply_that_falls_silent_ends_as_the_benchs_and_what_is_not_known_is_said(opened, monkeypatch, tmp_path):
    def unplug_supply() -> None:
        def silent(*_args, **_kwargs):
            raise InstrumentTimeoutError(
                "supply: no reply to OUTP? within 2.0 s. Check the cable.", instrument="supply"
            )

        for name in ("set_voltage", "set_output", "measure_voltage", "make_safe", "status"):
            monkeypatch.setattr(opened[0].supply, name, silent)

    trigger(monkeypatch, "power-up", unplug_supply)
    outcome = verify(tmp_path, "--only", "power-up")
    document = outcome.document()
    assert (outcome.code, document["verdict"], document["cause"]) == (4, "inconclusive", "bench")
    safe = next(finding for finding in document["findings"] if finding["id"] == "run.safe")
    assert any("supply off: unknown" in reason for reason in safe["reasons"])
    assert document["not_known_to_be_safe"] == safe["reasons"]
    again = boxproof("rejudge", document["record"], "--records", tmp_path, "--json")
    assert (again.code, again.document()["not_known_to_be_safe"]) == (4, safe["reasons"])  # no pass comes of that
    assert not opened[0].plant.contactor_closed  # the unit is off the bus all the same
    assert not opened[0].plant.arm_closed


def test_a_fault_of_ours_never_reads_as_the_units(opened, monkeypatch, tmp_path):
    def break_down() -> None:
        raise ZeroDivisionError("a slip of ours")

    trigger(monkeypatch, "trim-light", break_down)
    outcome = verify(tmp_path, "--only", "trim-loaded")
    document = outcome.document()
    assert (outcome.code, document["verdict"], document["cause"]) == (4, "inconclusive", "bench")
    assert not [finding for finding in document["findings"] if finding["cause"] == "unit"]
    assert_safe(opened[0].plant)


def test_what_was_begun_is_judged_by_nobody_and_what_comes_after_is_not_run(monkeypatch, tmp_path):
    trigger(monkeypatch, "trim-light", interrupt)  # with some switches still to be pressed
    document = verify(tmp_path, "--only", "ground-pin", "--only", "trim-loaded").document()
    begun = [finding for finding in document["findings"] if finding["procedure"] == "trim-light"]
    assert {(finding["verdict"], finding["cause"]) for finding in begun} == {("inconclusive", "undecided")}
    assert "trim-light.completed" in {finding["id"] for finding in begun}
    left = {f["procedure"]: f["reasons"] for f in document["findings"] if f["verdict"] == "not run"}
    assert set(left) == {"trim-loaded", "ground-pin", "discharge"}
    assert all("Ctrl-C" in reasons[0] for reasons in left.values())


def test_a_killed_run_leaves_every_finished_piece_and_can_be_judged(tmp_path):
    command = [sys.executable, "-m", "bench", "verify", "SIM-0147", "--bench", "simulated", "--records", str(tmp_path)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60.0
    while time.monotonic() < deadline and not list(tmp_path.glob("*/captures/*discrete-latency*")):
        time.sleep(0.02)
    process.kill()
    process.wait()
    (folder,) = tmp_path.iterdir()
    record = load_record(folder)
    assert record.outcome is None
    assert any("never closed" in problem for problem in record.problems)
    finished = {finding.procedure for finding in record.findings}
    assert {"bench-check", "bench-leads", "unpowered", "power-up", "discrete-levels"} <= finished
    again = boxproof("rejudge", folder, "--records", tmp_path, "--json")
    document = again.document()
    assert again.code == 4
    assert (document["verdict"], document["partial"]) == ("inconclusive", True)
    kept = {f"{f['procedure']}/{f['id']}": f for f in document["findings"]}
    for finding in record.findings:
        judged = kept[f"{finding.procedure}/{finding.id}"]
        assert judged["verdict"] == finding.verdict.value
        if finding.trials is None:
            assert json.dumps(judged["value"]) == json.dumps(finding.value)
    missing = {f["procedure"] for f in document["findings"] if f["verdict"] == "not run"}
    assert {"trim-loaded", "bus-ramp", "discharge"} <= missing


def full_disk(monkeypatch, *, of):
    """Have the disk refuse the record file of this name."""

    def refuse(path, content):
        if path.name == of:
            raise DiskError(f"{path}: the disk refuses (No space left on device).")
        write_whole(path, content)

    monkeypatch.setattr(bench.records.record_writer, "write_whole", refuse)


def test_a_disk_that_is_full_at_the_very_end_is_no_usage_error_and_loses_nothing(monkeypatch, tmp_path):
    with monkeypatch.context() as only_here:
        full_disk(only_here, of="report.html")
        outcome = verify(tmp_path, "--only", "bench-check")
        assert outcome.code == 4
        assert "the bench is safe, but its record can't be closed" in outcome.err
        (folder,) = tmp_path.iterdir()
        again = boxproof("rejudge", folder, "--records", tmp_path)
        assert (again.code, list(tmp_path.iterdir())) == (4, [folder])  # no half of a record is left
    judged = boxproof("rejudge", folder, "--records", tmp_path, "--json").document()
    assert {finding["verdict"] for finding in judged["findings"]} == {"pass"}


def test_a_folder_of_records_that_is_full_is_left_as_it_was(monkeypatch, tmp_path):
    def refuse(self, _content):
        self.touch()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    outcome = verify(tmp_path, "--only", "bench-check")
    assert (outcome.code, list(tmp_path.iterdir())) == (2, [])
    assert "nothing can be written there (No space left on device)" in outcome.err
