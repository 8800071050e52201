"""Bench time over wall time of the plan, memory, size of captures and report, against what the project promises.

Runs `acceptance` and two parts of it in one process each, one core; how they grow is `growth.py`'s.
Run: python benchmarks/acceptance.py
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

SERIAL = "SIM-0147"
PROMISED_RATIO, PROMISED_MEMORY_MB, PROMISED_CAPTURES_MB, PROMISED_REPORT_MB = 75.0, 500.0, 80.0, 3.0


def run(records: Path, *words: str) -> dict[str, Any]:
    """Run `verify` with JSON output and return the document."""
    command = [sys.executable, "-m", "bench", "verify", SERIAL, "--bench", "simulated", "--json"]
    command += ["--records", str(records), *words]
    one_core = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "ARROW_NUM_THREADS": "1"}
    done = subprocess.run(command, stdout=subprocess.PIPE, check=False, env=one_core, preexec_fn=PIN)  # noqa: S603
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def pin() -> None:
    """Keep the process on one core."""
    os.sched_setaffinity(0, {0})


PIN = pin if hasattr(os, "sched_setaffinity") else None  # where the system can


def size_mb(folder: Path) -> float:
    """Return the size of all files below a folder in MB."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def main() -> None:
    """Print one line a run and the ratios the project promises."""
    with tempfile.TemporaryDirectory() as folder:
        records = Path(folder)
        for words in (("--only", "discrete-levels"), ("--only", "discretes"), ()):
            document = run(records, *words)
            record = Path(document["record"])
            ratio = document["bench_time_s"] / document["run_time_s"]
            name = " ".join(words) or "acceptance"
            print(
                f"{name:24} {document['verdict']:12} bench {document['bench_time_s']:6.1f} s, "
                f"run {document['run_time_s']:6.2f} s (wall in all {document['wall_time_s']:6.2f} s): x{ratio:5.1f}; "
                f"peak {document['peak_memory_mb']:.0f} MB, captures {size_mb(record / 'captures'):.1f} MB, "
                f"report {(record / 'report.html').stat().st_size / 1e6:.2f} MB"
            )
    print(
        f"promised of acceptance: x{PROMISED_RATIO:g}, at most {PROMISED_MEMORY_MB:g} MB, captures "
        f"{PROMISED_CAPTURES_MB:g} MB, report {PROMISED_REPORT_MB:g} MB"
    )


if __name__ == "__main__":
    main()
