"""The command line: words in, exit code out. Heavy imports stand inside the commands, so that help is quick.

Exit codes: 0 pass, 2 usage or invalid sheet, 3 the unit failed, 4 inconclusive, not complete or bench fault (an
instrument that fails and a disk that refuses among them), 130 interrupted, 143 stopped by SIGTERM, 129 by a terminal
that was closed; 1 only for a crash.
"""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from bench.command import Command
from bench.errors import BenchError, DiskError, RunStoppedError
from bench.printing import put, ready_streams, warn

app = typer.Typer(
    name="boxproof",
    help="Prove an airframe electrical controller on the bench: is it the unit, the bench, or don't we know?",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

BenchOption = Annotated[
    str | None, typer.Option("--bench", metavar="NAME|FILE", help="Bench sheet; there is no default.")
]
ModelOption = Annotated[str | None, typer.Option("--model", metavar="NAME|FILE", help="Unit sheet of the model.")]
AircraftOption = Annotated[str | None, typer.Option("--aircraft", metavar="FILE", help="Aircraft sheet.")]
PlanOption = Annotated[
    str | None,
    typer.Option("--plan", metavar="NAME|FILE", help="Plan to run; default: the one that accepts the model."),
]
RecordsOption = Annotated[str, typer.Option("--records", metavar="DIR", help="Where records are kept.")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output and nothing else.")]


class SheetKind(StrEnum):
    """A sheet that `new` writes."""

    UNIT = "unit"
    AIRCRAFT = "aircraft"
    BENCH = "bench"
    PROFILE = "profile"


class SchemaKind(StrEnum):
    """A sheet that has a schema."""

    UNIT = "unit"
    AIRCRAFT = "aircraft"
    BENCH = "bench"
    PLAN = "plan"
    PROFILE = "profile"


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"boxproof {version('boxproof')}")
        raise typer.Exit


@app.callback()
def boxproof(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and leave.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Prove an airframe electrical controller on the bench: is it the unit, the bench, or don't we know?"""


@app.command(cls=Command)
def verify(
    serial: Annotated[str, typer.Argument(help="Serial number of the unit; SIM-... on a simulated bench.")],
    bench: BenchOption = None,
    model: ModelOption = None,
    aircraft: AircraftOption = None,
    plan: PlanOption = None,
    records: RecordsOption = "records",
    seed: Annotated[str, typer.Option(metavar="N", help="Seed of the simulated unit; derived from the serial.")] = "",
    defect: Annotated[
        list[str] | None,
        typer.Option(metavar="ID[:SEVERITY]", help="Inject a catalogued defect (simulated bench only); repeatable."),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="FUNCTION|PROCEDURE", help="Run this and what it waits for; a partial run; repeatable."),
    ] = None,
    partial_ok: Annotated[bool, typer.Option("--partial-ok", help="A partial run that passed exits 0.")] = False,
    operator: Annotated[str, typer.Option(help="Who is at the bench.")] = "",
    work_order: Annotated[str, typer.Option(help="The shop's own job number.")] = "",
    part: Annotated[str, typer.Option(help="Part number on the unit's plate.")] = "",
    modification: Annotated[str, typer.Option(help="Modification state on the unit's plate.")] = "",
    firmware: Annotated[str, typer.Option(help="Firmware version, as marked on the unit.")] = "",
    ambient_c: Annotated[str, typer.Option(metavar="DEGREES", help="Temperature of the room in degrees Celsius.")] = "",
    squawk: Annotated[str, typer.Option(help="The complaint, in the customer's words.")] = "",
    squawk_conditions: Annotated[str, typer.Option(help="When the complaint shows: cold, in flight, on crank.")] = "",
    reproduced: Annotated[
        bool | None,
        typer.Option("--reproduced/--not-reproduced", help="Whether the complaint could be reproduced."),
    ] = None,
    remark: Annotated[str, typer.Option(help="Anything else worth keeping.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Run a plan on a unit, judge it and write its record and report.

    CAUTION: on a real bench this drives up to the supply's full current and moves actuators. Qualified person
    only; loads guarded, every leg fused, emergency stop in reach. It reports measurements against limits; a
    person signs.
    """
    from bench.commands import run_verify
    from bench.request import RunRequest

    request = RunRequest(
        serial=serial,
        bench=bench,
        model=model,
        aircraft=aircraft,
        plan=plan,
        records=records,
        seed=seed,
        defects=tuple(defect or ()),
        only=tuple(only or ()),
        operator=operator,
        work_order=work_order,
        part=part,
        modification=modification,
        firmware=firmware,
        ambient_c=ambient_c,
        squawk=squawk,
        squawk_conditions=squawk_conditions,
        squawk_reproduced=reproduced,
        remark=remark,
    )
    raise typer.Exit(run_verify(request, partial_ok=partial_ok, as_json=as_json))


@app.command(cls=Command)
def check(
    bench: BenchOption = None,
    model: ModelOption = None,
    aircraft: AircraftOption = None,
    plan: PlanOption = None,
    as_json: JsonOption = False,
) -> None:
    """Validate sheets and plan; say what this bench can and can't do of it, and how long each takes."""
    from bench.commands import run_check

    raise typer.Exit(run_check(bench=bench, model=model, aircraft=aircraft, plan=plan, as_json=as_json))


@app.command(cls=Command)
def report(
    record: Annotated[
        str, typer.Argument(metavar="RECORD", help="Record folder, its id, or a unique part of its name.")
    ],
    records: RecordsOption = "records",
    output: Annotated[
        Path | None, typer.Option("--output", metavar="FILE", help="Where to write; the record itself stays as it is.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file that is no report of boxproof.")
    ] = False,
) -> None:
    """Render the report of a record again, to a file outside it."""
    from bench.commands import run_report

    raise typer.Exit(run_report(record, records=records, output=output, replace=replace))


@app.command(cls=Command)
def rejudge(
    record: Annotated[
        str, typer.Argument(metavar="RECORD", help="Record folder, its id, or a unique part of its name.")
    ],
    records: RecordsOption = "records",
    model: Annotated[
        str | None, typer.Option("--model", metavar="FILE", help="Judge under this unit sheet instead of the record's.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge stored captures again, without touching hardware; a new record names its parent."""
    from bench.commands import run_rejudge

    raise typer.Exit(run_rejudge(record, records=records, model=model, as_json=as_json))


@app.command(cls=Command)
def history(
    serial: Annotated[str, typer.Argument(help="Serial number; without it the runs of all units.")] = "",
    model: Annotated[str, typer.Option(metavar="NAME", help="Runs of this model.")] = "",
    instrument: Annotated[
        str, typer.Option(metavar="NAME", help="Runs in which this instrument served: role, model or serial number.")
    ] = "",
    finding: Annotated[
        str, typer.Option(metavar="ID", help="What each run says of this finding, and how it moved.")
    ] = "",
    records: RecordsOption = "records",
    as_json: JsonOption = False,
) -> None:
    """List the runs of a unit, a model or an instrument, oldest first, with what did not pass."""
    from bench.commands import run_history
    from bench.history import Wanted

    wanted = Wanted(serial=serial, model=model, instrument=instrument, finding=finding)
    raise typer.Exit(run_history(wanted, records=records, as_json=as_json))


@app.command(cls=Command)
def simulate(
    serial: Annotated[str, typer.Argument(help="Serial number of the simulated unit, SIM-...")],
    bench: BenchOption = None,
    model: ModelOption = None,
    aircraft: AircraftOption = None,
    seed: Annotated[str, typer.Option(metavar="N", help="Seed of the simulated unit; derived from the serial.")] = "",
    defect: Annotated[
        list[str] | None, typer.Option(metavar="ID[:SEVERITY]", help="Inject a catalogued defect; repeatable.")
    ] = None,
    pace: Annotated[float, typer.Option(metavar="N", help="Run the bench's time N times as fast as the wall's.")] = 1.0,
    hislip: Annotated[bool, typer.Option("--hislip", help="Serve SCPI over HiSLIP instead of sockets.")] = False,
    terminal: Annotated[
        bool, typer.Option("--terminal", help="Serve the DAQ on a pseudo-terminal instead of a socket.")
    ] = False,
) -> None:
    """Serve a simulated bench on this machine in wall time, and print the bench sheet that reaches it."""
    from bench.run_sheets import SheetNames
    from bench.serving import Links
    from bench.simulate import run_simulate

    names = SheetNames(bench=bench, model=model, aircraft=aircraft)
    links = Links(hislip=hislip, terminal=terminal)
    raise typer.Exit(run_simulate(serial, names, seed=seed, defects=tuple(defect or ()), pace=pace, links=links))


@app.command(cls=Command)
def new(
    kind: Annotated[SheetKind, typer.Argument(help="What to write: a unit, aircraft, bench or profile sheet.")],
    name: Annotated[str, typer.Argument(help="What it is called; the file is NAME.toml in the current folder.")],
    model: Annotated[
        str | None, typer.Option("--model", metavar="NAME|FILE", help="Unit sheet that an aircraft or bench is for.")
    ] = None,
) -> None:
    """Write a commented sheet to begin with; it overwrites nothing, and `check` passes it or names what to fill in."""
    from bench.new_sheets import new_sheet

    path = new_sheet(kind.value, name, model=model, folder=Path())
    put(f"{path} written. Every FILL IN in it is yours to answer.")


@app.command(cls=Command)
def schema(kind: Annotated[SchemaKind, typer.Argument(help="Kind of sheet.")]) -> None:
    """Print the JSON Schema of a kind of sheet, for editors that check TOML while it is typed."""
    import json

    from bench.sheets.json_schema import sheet_schema

    put(json.dumps(sheet_schema(kind.value), indent=1))


def main() -> None:
    """Run the command line; leaves through `sys.exit` with the code the module's docstring lists."""
    from instruments.errors import InstrumentError

    ready_streams()
    try:
        app()
    except SystemExit as leaving:
        if leaving.code == 1 and isinstance(leaving.__context__, BrokenPipeError):  # nobody reads help to its end
            sys.exit(0)
        raise
    except KeyboardInterrupt:
        warn("interrupted.")
        sys.exit(130)
    except (RunStoppedError, DiskError, InstrumentError) as error:
        warn(str(error))
        sys.exit(4)
    except BenchError as error:
        warn(str(error))
        sys.exit(2)
    except BrokenPipeError:  # nobody reads what is wrong with the words; results are printed by `put`
        sys.exit(2)
    except OSError as error:  # standard output is full; files of ours raise errors of ours
        warn(f"the result can't be printed: {error.strerror or error}. A record that was made is kept.")
        sys.exit(4)
