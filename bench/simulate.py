"""The command `simulate`: a simulated bench and unit drawn from their sheets, served on links of this machine."""

import asyncio
import contextlib

from bench.admission import defect_asked, seed_asked, seed_of
from bench.errors import UsageError
from bench.printing import put, warn
from bench.records.serial_number import check_serial
from bench.run_sheets import SheetNames, load_sheets
from bench.serving import Links, ServedBench, check_links, serve
from bench.simulation import simulated_parameters


def run_simulate(
    serial: str, names: SheetNames, *, seed: str, defects: tuple[str, ...], pace: float, links: Links
) -> int:
    """Serve the bench until a person types `quit` or stops the program; return the exit code.

    Raises:
        SheetError, UsageError: it can't be served as asked.
    """
    sheets = load_sheets(names)
    check_serial(serial, simulated=sheets.bench.simulated)
    if sheets.unit_simulation is None or sheets.bench_simulation is None:
        raise UsageError(f"bench {sheets.bench.name} is real: there is nothing to simulate. Name a simulated one.")
    check_links(links, pace, sheets.bench)
    asked = seed_asked(seed)
    drawn_by = seed_of(serial) if asked is None else asked
    bench, twin = simulated_parameters(
        sheets.unit,
        sheets.unit_simulation,
        sheets.aircraft,
        sheets.bench,
        sheets.bench_simulation,
        seed=drawn_by,
        defects=[defect_asked(text) for text in defects],
    )
    served = ServedBench(sheets.bench, bench=bench, twin=twin, seed=drawn_by, pace=pace, links=links)
    text = next(copy.text for copy in sheets.copies if copy.role == "bench")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(served, text, put=put, say=warn))
    return 0
