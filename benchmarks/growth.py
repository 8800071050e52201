"""Whether time and memory grow no faster than bench time: the same content once, twice and four times.

Counts of the shipped plans (edges, points, trials, toggles) are multiplied in a plan file. Printed is what a second of
bench time costs at each size, start-up and report in it, and what each further one cost; neither may rise.
Processor time is what counts where the system tells it, so that other work on the machine does not.
Run: python benchmarks/growth.py
"""

import json
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

TIMES = (1, 2, 4)
GROWN = (  # plan, what is run of it, the counts that grow
    ("acceptance", "discrete-latency", ("edges",)),
    ("acceptance", "dimming-curve", ("points",)),
    ("acceptance", "trim-latency", ("trials",)),
    ("discretes", "discrete-toggles", ("toggles",)),
    ("acceptance", "", ("edges", "points", "trials")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one run took; times in s."""

    verdict: str
    bench_s: float
    cpu_s: float
    peak_mb: float


def grown(plan: str, counts: tuple[str, ...], times: int) -> str:
    """Return the text of a shipped plan with these counts multiplied."""
    text = files("test_plans").joinpath("plans", f"{plan}.toml").read_text(encoding="utf-8")
    return re.sub(rf"\b({'|'.join(counts)}) = (\d+)", lambda found: f"{found[1]} = {times * int(found[2])}", text)


def cost(folder: Path, plan: str, only: str) -> Cost:
    """Run a plan in a process of its own."""
    path = folder / "plan.toml"
    path.write_text(plan, encoding="utf-8")
    command = [sys.executable, "-m", "bench", "verify", "SIM-0147", "--bench", "simulated", "--json"]
    command += ["--records", str(folder), "--plan", str(path), *(("--only", only) if only else ())]
    one_core = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "ARROW_NUM_THREADS": "1"}
    before = os.times()
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False, env=one_core)  # noqa: S603
    after = os.times()
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    document = json.loads(done.stdout)
    return Cost(
        verdict=document["verdict"],
        bench_s=document["bench_time_s"],
        cpu_s=cpu_s or document["run_time_s"],
        peak_mb=document["peak_memory_mb"],
    )


def main() -> None:
    """Print one line a run."""
    for plan, only, counts in GROWN:
        last: Cost | None = None
        for times in TIMES:
            with tempfile.TemporaryDirectory() as folder:
                now = cost(Path(folder), grown(plan, counts, times), only)
            line = (
                f"{only or plan:18} x{times}: {now.verdict}, bench {now.bench_s:7.1f} s, processor {now.cpu_s:6.2f} s: "
                f"{1000 * now.cpu_s / now.bench_s:5.1f} ms a second"
            )
            if last is not None:
                line += f", {1000 * (now.cpu_s - last.cpu_s) / (now.bench_s - last.bench_s):5.1f} ms each further one"
            print(f"{line}; peak {now.peak_mb:.0f} MB")
            last = now


if __name__ == "__main__":
    main()
