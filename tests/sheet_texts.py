"""Shipped sheets with a few words changed, written where a loader can find them."""

import json
import re
from functools import cache
from importlib.resources import files

from bench.errors import SheetError
from bench.sheets import load_unit
from test_plans.registry import PROCEDURES

FOLDERS = {
    "unit": files("test_plans") / "units" / "dotterel-6.toml",
    "aircraft": files("test_plans") / "aircraft" / "whimbrel.toml",
    "plan": files("test_plans") / "plans" / "acceptance.toml",
    "bench": files("bench") / "benches" / "simulated.toml",
}

__all__ = ["FOLDERS", "PROCEDURES", "changed", "dotterel", "engine_starts", "problems_of"]


@cache
def dotterel():
    """The shipped unit sheet, read once."""
    return load_unit("dotterel-6")


@cache
def shipped_text(kind):
    return FOLDERS[kind].read_text(encoding="utf-8")


def changed(folder, kind, *edits):
    """Write the shipped sheet with each `(old, new)` replaced once; return its path as text."""
    text = shipped_text(kind)
    for old, new in edits:
        assert old in text, f"the shipped {kind} sheet has no {old!r} to change"
        text = text.replace(old, new, 1)
    path = folder / f"{kind}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def problems_of(load, *arguments):
    """Return what a loader refuses as `key: what; mend` lines; fail where it refuses nothing."""
    caught = None
    try:
        load(*arguments)
    except SheetError as error:
        caught = error
    assert caught is not None, "nothing was refused"
    return [f"{problem.key}: {problem.what}; {problem.mend}" for problem in caught.problems]


def engine_starts(folder, *profiles):
    """Return the path of plan `brownout` with an engine start of these profiles only.

    The step that proves the dip source ahead of it is left out, so that the shots have to tell by themselves.
    """
    text = (files("test_plans") / "plans" / "brownout.toml").read_text(encoding="utf-8")
    text = re.sub(r"profiles = \[[^]]*\]", f"profiles = {json.dumps(profiles)}", text)
    text = re.sub(r'\[\[steps\]\]\nprocedure = "bench-dip-source"\n.*?\n\n', "", text, flags=re.DOTALL)
    path = folder / "starts.toml"
    path.write_text(text.replace('"bench-dip-source", ', ""), encoding="utf-8")
    return path
