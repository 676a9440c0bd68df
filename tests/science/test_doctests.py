"""The examples in the docstrings of pure code are right, and none is missing."""

import doctest
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import service
from service import science

ROOT = Path(service.__file__).parent


def shown_by_example() -> Iterator[str]:
    """Modules of rules, and those at the bottom of the house, that show examples."""
    for file in sorted([*ROOT.glob("*.py"), *ROOT.glob("*/rules.py"), *ROOT.glob("*/rules/*.py")]):
        if ">>>" in file.read_text():
            yield ".".join(("service", *file.relative_to(ROOT).with_suffix("").parts))


RULES = tuple(shown_by_example())
SCIENCE = tuple(
    f"service.science.{module.name}" for module in pkgutil.iter_modules(science.__path__)
)
# Kernels are no doors: numba compiles them, and tests call them by name to compare the
# compiled with the plain. Their callers, `march`, `follow` and `octant`, have examples.
KERNELS = {
    "heat.march_plain",
    "outage.walk_plain",
    "outage.octant_plain",
    "outage.octant_vectorised",
}
# They solve thousands of cases for the files that ship: a test compares files and solver.
FILE_MAKERS = {"thaw_table.write_all", "thaw_table.build"}


@pytest.mark.parametrize("name", [*SCIENCE, *RULES])
def test_every_example_in_a_docstring_gives_what_it_says(name: str) -> None:
    found = doctest.testmod(import_module(name))
    assert found.attempted > 0
    assert found.failed == 0


def has_example(of: object) -> bool:
    return ">>>" in (inspect.getdoc(of) or "")


def public(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """What a module itself defines for others, by name."""
    for name, found in vars(module).items():
        own = getattr(found, "__module__", None) == module.__name__
        if own and not name.startswith("_") and (inspect.isclass(found) or callable(found)):
            yield name, found


def behaviour(of: type) -> Iterator[tuple[str, Callable[..., Any] | property]]:
    """Public methods that a class itself defines, and its check of what comes in."""
    for name, found in vars(of).items():
        member = found.__func__ if isinstance(found, classmethod | staticmethod) else found
        if isinstance(member, property) or inspect.isfunction(member):
            generated = getattr(member, "__module__", of.__module__) != of.__module__
            if not generated and (not name.startswith("_") or name == "__post_init__"):
                yield name, member


def without_example(module: ModuleType) -> Iterator[str]:
    """Functions without an example; of classes their methods, unless the class has one."""
    short = module.__name__.removeprefix("service.science.")
    for name, found in public(module):
        if has_example(found):
            continue
        if inspect.isclass(found):
            yield from (f"{short}.{name}.{n}" for n, m in behaviour(found) if not has_example(m))
        else:
            yield f"{short}.{name}"


@pytest.mark.parametrize("name", SCIENCE)
def test_every_public_piece_of_science_shows_a_check_that_runs(name: str) -> None:
    missing = set(without_example(import_module(name)))
    assert missing - KERNELS - FILE_MAKERS == set()


def test_a_missing_example_is_noticed() -> None:
    def bare() -> None:
        """It does nothing."""

    class Careful:
        """Checks what comes in."""

        def __post_init__(self) -> None:
            """Without an example."""

    made = ModuleType("service.science.made")
    for piece in (bare, Careful):
        piece.__module__ = made.__name__
        setattr(made, piece.__name__, piece)
    Careful.__post_init__.__module__ = made.__name__
    assert set(without_example(made)) == {"made.bare", "made.Careful.__post_init__"}
