"""The command line run inside the test's process: exit code, standard output, standard error."""

import contextlib
import io
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from bench.cli import main


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a command came to."""

    code: int
    out: str
    err: str

    def document(self) -> dict[str, Any]:
        """Return standard output as the one JSON document it must be."""
        document: dict[str, Any] = json.loads(self.out, parse_constant=_refuse)
        return document


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no JSON")


def boxproof(*words: str | Path) -> Outcome:
    """Run `boxproof WORDS`."""
    out, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["boxproof", *map(str, words)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
            code: object = 0
        except SystemExit as exit_:
            code = exit_.code
    return Outcome(code=code if isinstance(code, int) else 0, out=out.getvalue(), err=err.getvalue())


def verify(records: Path, *words: str | Path, serial: str = "SIM-0147") -> Outcome:
    """Run `verify --json`, records below `records`; on the shipped simulated bench where `words` name none."""
    bench = () if "--bench" in words else ("--bench", "simulated")
    return boxproof("verify", serial, *bench, "--records", records, "--json", *words)
