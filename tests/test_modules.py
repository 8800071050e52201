"""All four packages, module by module: worked examples are true, and `__all__` says what a package offers."""

import doctest
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType

import pytest

PACKAGES = ("analysis", "bench", "instruments", "test_plans")


def modules_with(text: str) -> list[str]:
    """Name every module whose source has a line that begins with `text`, without importing any."""
    found = []
    for package in PACKAGES:
        spec = find_spec(package)
        assert spec is not None
        root = Path(spec.origin or "").parent
        for file in sorted(root.rglob("*.py")):
            if any(line.strip().startswith(text) for line in file.read_text(encoding="utf-8").splitlines()):
                parts = (package, *file.relative_to(root).with_suffix("").parts)
                found.append(".".join(parts).removesuffix(".__init__"))
    return found


def sorting_key(name: str) -> tuple[int, str]:
    """Sort constants ahead of classes ahead of functions, as the linter does."""
    return 0 if name.isupper() else 1 if name[0].isupper() else 2, name


def is_offered(package: ModuleType, name: str) -> bool:
    """Say whether a name of a package is public: neither underscored nor a module of its own."""
    return not name.startswith("_") and not isinstance(getattr(package, name), ModuleType)


@pytest.mark.parametrize("name", modules_with(">>> "))
def test_the_worked_examples_of_a_module_hold(name):
    outcome = doctest.testmod(import_module(name))
    assert outcome.attempted > 0
    assert outcome.failed == 0


def test_there_are_worked_examples_in_more_than_one_package():
    assert {name.partition(".")[0] for name in modules_with(">>> ")} >= {"analysis", "bench"}


@pytest.mark.parametrize("name", modules_with("__all__ ="))
def test_what_a_module_says_it_offers_is_sorted_and_there(name):
    module = import_module(name)
    assert module.__all__ == sorted(set(module.__all__), key=sorting_key)
    assert all(hasattr(module, offered) for offered in module.__all__)
    if hasattr(module, "__path__"):
        assert set(module.__all__) == {offered for offered in vars(module) if is_offered(module, offered)}
