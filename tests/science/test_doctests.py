"""The examples in the docstrings of pure code are right."""

import doctest
import pkgutil
from importlib import import_module

import pytest

from service import science

# arrays checks what comes in and heat marches a kernel: both are tried through their users
WITHOUT_EXAMPLES = {"arrays", "heat"}
RULES = (
    "service.ledger.rules",
    "service.lots.rules",
    "service.temperatures.rules",
    "service.catalogue.schemas",
)
SCIENCE = tuple(
    f"service.science.{module.name}"
    for module in pkgutil.iter_modules(science.__path__)
    if module.name not in WITHOUT_EXAMPLES
)


@pytest.mark.parametrize("name", [*SCIENCE, *RULES])
def test_every_example_in_a_docstring_gives_what_it_says(name: str) -> None:
    found = doctest.testmod(import_module(name))
    assert found.attempted > 0
    assert found.failed == 0
