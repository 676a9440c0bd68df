"""The tables of the trade that ship with the service, read once.

They lie under `catalogue/data/`, each row with its source and flag: R read in
the named source, R2 read where another text quotes it, M from memory (high,
medium, low), D derived or our own default. An empty cell is unknown, not zero.
"""

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

Row = Mapping[str, str]


@cache
def table(name: str) -> tuple[Row, ...]:
    """The rows of `catalogue/data/{name}.csv`. Raises FileNotFoundError for other names."""
    source = files("service").joinpath("catalogue", "data", f"{name}.csv")
    with source.open("r", encoding="utf-8") as lines:
        return tuple(csv.DictReader(lines))


def number(cell: str) -> float | None:
    """The number in a cell; None where it is unknown."""
    return float(cell) if cell else None
