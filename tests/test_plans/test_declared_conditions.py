"""What a procedure says it uses of a step's conditions is what its code reads of them, no more and no less."""

import ast
import inspect
import textwrap
from functools import cache
from types import FunctionType, ModuleType

import pytest

from bench.sheets.plan_file import CONDITIONS, condition_key
from test_plans import conditions
from test_plans.registry import PROCEDURES

READERS = {conditions.number, conditions.count, conditions.text, conditions.names}
KEYS = {condition_key(name) for name in CONDITIONS}


def ours(thing):
    return getattr(thing, "__module__", "").startswith("test_plans.")


def written(function):
    """Say whether somebody wrote it: methods that `dataclass` makes stand in no file."""
    return not inspect.unwrap(function).__code__.co_filename.startswith("<")


@cache
def read_by(function):
    """Return the keys that a function reads itself, and what of ours it names."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    keys, named = set(), []
    for node in ast.walk(tree):
        thing = None
        if isinstance(node, ast.Name):
            thing = function.__globals__.get(node.id)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            module = function.__globals__.get(node.value.id)
            thing = getattr(module, node.attr, None) if isinstance(module, ModuleType) else None
        if thing is not None and ours(thing):
            named.append(thing)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            called = function.__globals__.get(node.func.id)
            if called in READERS and isinstance(node.args[1], ast.Constant):
                keys.add(node.args[1].value)
    return keys, named


def read_within(start):
    """Return the keys that a class or function reads, with everything of ours it calls."""
    keys, seen, waiting = set(), set(), [start]
    while waiting:
        thing = waiting.pop()
        if id(thing) in seen:
            continue
        seen.add(id(thing))
        if isinstance(thing, type):
            waiting += [value for base in thing.__mro__ if ours(base) for value in vars(base).values()]
        elif isinstance(thing, property):
            waiting.append(thing.fget)
        elif isinstance(thing, staticmethod | classmethod):
            waiting.append(thing.__func__)
        elif isinstance(thing, FunctionType) and written(thing):
            found, named = read_by(thing)
            keys |= found
            waiting += named
    return keys


@pytest.mark.parametrize("name", PROCEDURES)
def test_a_procedure_declares_the_conditions_it_reads(name):
    procedure = PROCEDURES[name]
    assert set(procedure.conditions) == read_within(type(procedure))
    assert set(procedure.conditions) <= KEYS
