"""The worked examples in docstrings are run, so that they stay true."""

import doctest
import importlib

import pytest

MODULES = ("edges", "statistics", "uncertainty", "conformity", "pulse")


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name):
    outcome = doctest.testmod(importlib.import_module(f"analysis.{name}"))
    assert outcome.attempted > 0
    assert outcome.failed == 0
