"""Every defect of the simulated bench put into plan `brownout`: what the run says of a good unit, and through what.

A good unit never fails on a bad bench; where the run passes nothing of the plan was disturbed, or every shot was harder
than asked. Ends with 1 where a finding blames the unit or is left undecided.
Run: python benchmarks/bench_defects.py
"""

import json
import subprocess
import sys
import tempfile
from typing import Any

SERIAL, PLAN = "SIM-0147", "brownout"


def boxproof(*words: str) -> dict[str, Any]:
    """Return the document that a command prints."""
    command = [sys.executable, "-m", "bench", *words, "--bench", "simulated", "--plan", PLAN, "--json"]
    done = subprocess.run(command, stdout=subprocess.PIPE, check=False)  # noqa: S603
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def wrong(document: dict[str, Any]) -> list[str]:
    """Return the findings that blame the unit, or leave open whose fault it is."""
    return [one["id"] for one in document["findings"] if one["cause"] in {"unit", "undecided"}]


def shown_by(document: dict[str, Any]) -> str:
    """Return the first finding that the defect spoils, with its reason."""
    spoilt = [one for one in document["findings"] if one["cause"] == "bench"]
    return f"{spoilt[0]['id']}: {' '.join(spoilt[0]['reasons'])[:90]}" if spoilt else "nothing disturbed"


def main() -> int:
    """Print one line a defect; return 1 where any verdict is wrong."""
    defects = [defect["id"] for defect in boxproof("check")["defects"] if defect["of"] == "bench"]
    bad: dict[str, list[str]] = {}
    for name in defects:
        with tempfile.TemporaryDirectory() as records:
            document = boxproof("verify", SERIAL, "--records", records, "--defect", name)
        if found := wrong(document):
            bad[name] = found
        cause = document["cause"] or "-"
        print(f"{name:26} {document['verdict']:12} {cause:10} {shown_by(document)}", flush=True)
    print(f"{len(defects)} defects, {len(bad)} wrong" + "".join(f"\n  {name}: {found}" for name, found in bad.items()))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
