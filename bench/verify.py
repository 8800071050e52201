"""The main job: sheets, plan check, bench, run, verdict, record and report, in that order."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from analysis.finding import Finding
from analysis.report import render_report
from bench.admission import Admitted, admit, defect_asked
from bench.airspeed_source import airspeed_source
from bench.assembly import OpenBench, open_simulated_bench
from bench.bus_traffic import BusTraffic
from bench.errors import RecordError, RunStoppedError
from bench.interrupts import Interrupts
from bench.judging import drifted, spoilt_by, unproved
from bench.memory import rarely_collected
from bench.outcome import outcome_of
from bench.progress import Progress
from bench.records.record_writer import RecordWriter
from bench.records.run_facts import InstrumentFacts, RunFacts, RunOutcome, RunStatus
from bench.records.serial_number import clean_text
from bench.request import RunRequest
from bench.rig import BenchRig
from bench.run_sheets import RunSheets
from bench.runner import Runner, RunResult
from bench.sheets.bench_sheet import BusSheet, TextLineSheet
from bench.summary import run_summary
from instruments.capabilities import Identity


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyResult:
    """What a run came to, for whoever prints it. `run_time_s` is the wall time without start-up and report."""

    facts: RunFacts
    outcome: RunOutcome
    findings: tuple[Finding, ...]
    folder: Path
    run_time_s: float
    interrupted_by: int  # number of the signal that told the run to stop, 0 for none
    unsafe: tuple[str, ...]
    stop_reason: str
    function_titles: dict[str, str]
    left_out: tuple[str, ...]  # procedures that the plan does without


def verify(request: RunRequest, progress: Progress, *, began_wall_s: float) -> VerifyResult:
    """Run the plan on the unit; `began_wall_s` is when the program began, by `time.perf_counter`.

    Raises:
        SheetError, UsageError: the request can't be carried out; nothing was energised.
        InstrumentError: an instrument of the bench could not be opened; nothing was energised.
        RunStoppedError: the record could not be written any more; the run was ended and the bench made safe.
    """
    admitted = admit(request)
    with Interrupts() as interrupts, rarely_collected():
        return _carried_out(request, admitted, interrupts, progress, began_wall_s=began_wall_s)


def _carried_out(
    request: RunRequest, admitted: Admitted, interrupts: Interrupts, progress: Progress, *, began_wall_s: float
) -> VerifyResult:
    """Run, judge and close the record; only the run itself is broken off by an interrupt."""
    sheets, steps, seed = admitted.sheets, admitted.steps, admitted.seed
    facts = _facts(request, admitted)
    text = sheets.unit.airspeed.text if sheets.unit.airspeed is not None else None
    with open_simulated_bench(
        sheets.bench,
        bench=admitted.bench,
        twin=admitted.twin,
        seed=seed,
        text_bit_rate=text.bit_rate if text is not None else 0,
    ) as opened:
        began_s = opened.clock.monotonic_s()
        writer = RecordWriter(admitted.records, facts, bench_now_s=lambda: opened.clock.monotonic_s() - began_s)
        for role, identity in opened.identities.items():
            writer.instrument(_instrument(role, identity, sheets))
        if sheets.bench.bus is not None:
            writer.instrument(_bus_interface(sheets.bench.bus))
        if opened.text_line is not None and sheets.bench.text_line is not None:
            writer.instrument(_text_line(sheets.bench.text_line))
        run_began_s = time.perf_counter()
        with _disk_faults_told("the run was ended and the bench made safe", writer):
            result = _run(opened, admitted, writer, progress, interrupts)
        run_time_s = time.perf_counter() - run_began_s
    with _disk_faults_told("the run is through and the bench is safe, but its record can't be closed", writer):
        for suspect in (*filter(None, (result.suspect,)), *drifted(writer.findings)):
            writer.revise(spoilt_by(suspect, writer.findings, writer.captures))
        writer.revise(unproved(writer.findings, {step.name for step in steps if step.proves_bench}))
        outcome = outcome_of(
            writer.findings,
            steps,
            sheets.unit,
            sheets.aircraft,
            status=RunStatus.STOPPED if result.stopped else RunStatus.COMPLETE,
            partial=bool(request.only) or sheets.plan.partial,
            bench_time_s=result.bench_time_s,
            wall_time_s=time.perf_counter() - began_wall_s,
            captures=writer.captures,
        )
        record = writer.end_run(outcome)
        writer.seal(render_report(run_summary(record, sheets, admitted.all_steps)))
    return VerifyResult(
        facts=facts,
        outcome=outcome,
        findings=record.findings,
        folder=writer.folder,
        run_time_s=run_time_s,
        interrupted_by=interrupts.came,
        unsafe=result.unsafe,
        stop_reason=result.stopped,
        function_titles={function.name: function.title for function in sheets.unit.functions},
        left_out=admitted.left_out,
    )


@contextmanager
def _disk_faults_told(how_it_stands: str, writer: RecordWriter) -> Iterator[None]:
    """Say how run and bench stand where the record can't be written any more."""
    try:
        yield
    except RecordError as error:
        raise RunStoppedError(
            f"{how_it_stands}: {error} What was finished before stands in {writer.folder}; rejudge reads it."
        ) from error


def _run(
    opened: OpenBench, admitted: Admitted, writer: RecordWriter, progress: Progress, interrupts: Interrupts
) -> RunResult:
    sheets = admitted.sheets

    def on_wait() -> None:
        interrupts.look()
        progress.update(rig.now_s, rig.readings)

    rig = BenchRig(
        sheet=sheets.bench,
        unit=sheets.unit,
        supply=opened.supply,
        load=opened.load,
        dip_source=opened.dip_source,
        daq=opened.daq,
        bus=BusTraffic(opened.bus, sheets.unit.bus) if opened.bus is not None else None,
        airspeed=airspeed_source(
            sheets.unit.airspeed,
            sheet=sheets.bench,
            daq=opened.daq,
            bus=opened.bus,
            text_line=opened.text_line,
        ),
        clock=opened.clock,
        operator=opened.operator,
        recorder=writer,
        on_wait=on_wait,
        say=progress.say,
    )
    runner = Runner(
        rig=rig,
        steps=admitted.steps,
        log=writer,
        progress=progress,
        before_procedure=opened.before_procedure,
        interrupts=interrupts,
    )
    return runner.run()


def _facts(request: RunRequest, admitted: Admitted) -> RunFacts:
    sheets, seed = admitted.sheets, admitted.seed
    asked = [defect_asked(text) for text in request.defects]
    return RunFacts(
        software_version=version("boxproof"),
        serial=request.serial,
        model=sheets.unit.model,
        aircraft=sheets.aircraft.name,
        plan=sheets.plan.name,
        bench=sheets.bench.name,
        simulated=sheets.bench.simulated,
        seed=seed,
        defects=tuple(name if severity == 1.0 else f"{name}:{severity:g}" for name, severity in asked),
        only=request.only,
        operator=clean_text(request.operator),
        work_order=clean_text(request.work_order),
        part=request.part.strip(),
        modification=request.modification.strip(),
        firmware=request.firmware.strip(),
        ambient_c=admitted.ambient_c,
        squawk=clean_text(request.squawk),
        squawk_conditions=clean_text(request.squawk_conditions),
        squawk_reproduced=request.squawk_reproduced,
        remark=clean_text(request.remark),
        sheets=sheets.copies,
    )


def _instrument(role: str, identity: Identity, sheets: RunSheets) -> InstrumentFacts:
    bench = sheets.bench
    known = {
        "supply": (bench.supply.resource, bench.supply.calibration),
        "daq": (bench.daq.url, bench.daq.calibration),
    }
    if bench.electronic_load is not None:
        known["electronic load"] = (bench.electronic_load.resource, bench.electronic_load.calibration)
    if bench.dip_source is not None:
        known["dip source"] = (bench.dip_source.resource, bench.dip_source.calibration)
    address, calibration = known[role]
    return InstrumentFacts(
        role=role,
        address=address,
        maker=identity.maker,
        model=identity.model,
        serial=identity.serial,
        firmware=identity.firmware,
        calibration=calibration,
    )


def _bus_interface(sheet: BusSheet) -> InstrumentFacts:
    return InstrumentFacts(
        role="avionics bus",
        address=sheet.channel,
        maker="python-can",
        model=f"interface {sheet.interface}",
        serial="none",
        firmware=version("python-can"),
        calibration="none needed: times are the DAQ's",
    )


def _text_line(sheet: TextLineSheet) -> InstrumentFacts:
    return InstrumentFacts(
        role="text line",
        address=sheet.url,
        maker="pyserial",
        model="serial port",
        serial="none",
        firmware=version("pyserial"),
        calibration="none needed: times are the DAQ's",
    )
