"""`fishhouse bench thaw`: what the kitchen waits for between freezer and animal, in one run.

What else belongs to thawing and feeding adds its figures to `MEASURES`.
"""

import json
from collections.abc import Callable, Iterator

from service.bench.figures import Figure
from service.bench.run import machine


def run_thaw_bench(as_json: bool) -> int:
    """Measure and print. Returns 0 whether or not the targets are met."""
    figures = []
    for measure in MEASURES:
        for figure in measure():
            figures.append(figure)
            if not as_json:
                print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def _pulls() -> Iterator[Figure]:
    """The pull list and a day's plan, on each database; five years of requests take a minute."""
    from service.bench import databases, pulls  # noqa: PLC0415 - only when measured

    for kind in databases.kinds():
        yield from pulls.measure(kind)


def _feeds() -> Iterator[Figure]:
    """A round of feeds, and what an animal ate in five years, on each database."""
    from service.bench import databases, feeds  # noqa: PLC0415 - only when measured

    for kind in databases.kinds():
        yield from feeds.measure(kind)


MEASURES: list[Callable[[], Iterator[Figure]]] = [_pulls, _feeds]
