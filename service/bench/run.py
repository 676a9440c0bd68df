"""`fishhouse bench`: speed as ratios in one run on one machine, on each database that is here."""

import json
import os
import platform
import tempfile
from collections.abc import Iterator
from pathlib import Path

from service.bench import assays, databases, reading, storing
from service.bench.figures import Figure
from service.bench.place import fill
from service.clock import system_clock


def run_bench(as_json: bool, seconds: float) -> int:
    """Measure and print. Returns 0 whether or not the targets are met: a machine may be busy.

    seconds: how long each server is asked in each comparison over HTTP.
    """
    figures = []
    for kind in databases.kinds():
        for figure in measure(kind, seconds):
            figures.append(figure)
            if not as_json:
                print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def measure(kind: str, seconds: float) -> Iterator[Figure]:
    """Every figure on one kind of database, made for it and gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="fishhouse-pg-bench-") as name:
        folder = Path(name)
        with databases.empty(kind, folder) as address:
            at = system_clock()
            place = fill(address, at=at)
            yield from reading.weigh(place, folder, kind)
            yield from reading.measure(place, folder, kind, seconds)
            yield from storing.measure(address, kind, at)
            yield from assays.measure(address, kind, at)


def machine() -> dict[str, object]:
    """What the figures were measured on."""
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "cores": os.cpu_count(),
        "load": round(os.getloadavg()[0], 2),
    }
