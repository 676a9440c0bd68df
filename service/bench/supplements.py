"""`fishhouse bench supplements`: choosing pieces, plans of a whole site, and an integer program.

Without a database it is processor time, so that neighbours on the machine weigh little; with
one it is time on the wall, with the processor time of this process beside it.

The choice of pieces is compared with HiGHS on invented cupboards, stage by stage of its
objective: a difference is a defect, and the run ends with a failure.
"""

import importlib.util
import json
from collections.abc import Callable, Iterator
from statistics import median
from time import process_time

import numpy as np

from service.bench.figures import Figure
from service.bench.run import machine
from service.bench.science import spent
from service.science.dosing import Need, Offer, choose_pieces, tablets, weighed

ANIMALS = 300
CASES = 10_000
CHOOSING_MS = 150
# Per kilogram of fish, with what may be added of it: thiamine and vitamin E as in science
# reference 8, the others invented.
PER_KG: dict[str, tuple[float, float | None]] = {
    "THIA": (25, 100),
    "VITE": (100, 400),
    "VITA": (300, 2500),
    "VITD": (40, 250),
    "RIBF": (3, None),
    "NIA": (10, None),
    "VITC": (50, None),
    "SE": (10, 60),
    "ZN": (5, None),
    "NACL": (3, None),
}
TABLETS: dict[str, dict[str, float]] = {
    "B1-250": {"THIA": 250},
    "E-400": {"VITE": 400},
    "C-500": {"VITC": 500},
    "MULTI": {"THIA": 50, "VITE": 200, "VITA": 2500, "VITD": 250, "RIBF": 20, "SE": 50, "ZN": 30},
    "B-COMPLEX": {"THIA": 100, "RIBF": 50, "NIA": 100},
}
SALT: dict[str, float] = {"NACL": 1}


def run_supplements_bench(as_json: bool, cases: int | None) -> int:
    """Measure and print. Returns 0 whether or not the targets are met, 1 if a choice is wrong.

    cases : for the integer program, 10 000 unless said otherwise.
    """
    figures = []
    for figure in measure(CASES if cases is None else cases):
        figures.append(figure)
        if not as_json:
            print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return int(any(f.unit == UNEQUAL and not f.met for f in figures))


UNEQUAL = "cases that differ"


def measure(cases: int) -> Iterator[Figure]:
    """Every figure of supplements."""
    yield choosing()
    for plans in MEASURES:
        yield from plans()
    if importlib.util.find_spec("scipy") is not None:
        yield from against_an_integer_program(cases)


def cupboard() -> list[Offer]:
    """Five products in halves and salt by the tenth of a gram."""
    halves = [tablets(name, held, pieces_per_tablet=2, cost=0.1) for name, held in TABLETS.items()]
    return [*halves, weighed("SALT", SALT, cost=0.001)]


def animals_needs(count: int) -> list[list[Need]]:
    """Ten nutrients for animals that eat 1 to 8 kg of fish."""
    kilograms = np.random.default_rng(8).uniform(1, 8, count).tolist()
    return [
        [
            Need(name, amount * kg, float("inf") if room is None else room * kg)
            for name, (amount, room) in PER_KG.items()
        ]
        for kg in kilograms
    ]


def choosing() -> Figure:
    """Pieces for 300 animals, in one process, without a database."""
    offers, animals = cupboard(), animals_needs(ANIMALS)
    cost = spent(lambda: [choose_pieces(needs, offers) for needs in animals], 5)
    doses = [choose_pieces(needs, offers) for needs in animals]
    return Figure(
        name="pieces for 300 animals",
        database="none",
        value=round(cost.processor_s * 1000, 1),
        unit="ms",
        target=CHOOSING_MS,
        less_is_better=True,
        detail={
            "nutrients": len(PER_KG),
            "products": len(offers),
            "wall": round(cost.wall_s * 1000, 1),
            "all met": all(not dose.unmet for dose in doses),
        },
    )


def _plans() -> Iterator[Figure]:
    """The plan of a day for a whole site, on each database."""
    from service.bench import databases, supplement_plans  # noqa: PLC0415 - only when measured

    for kind in databases.kinds():
        yield from supplement_plans.measure(kind)


MEASURES: list[Callable[[], Iterator[Figure]]] = [_plans]


def against_an_integer_program(cases: int) -> Iterator[Figure]:
    """Whether the choice equals HiGHS in all four stages, and how many times faster it is."""
    from service.bench.dose_program import (  # noqa: PLC0415 - SciPy is optional, and heavy
        made_case,
        optimum,
        score,
        within_limits,
    )

    ours: list[float] = []
    theirs: list[tuple[float, ...]] = []
    differ: list[int] = []
    gave_up = solved_again = 0
    for number in range(cases):
        case = made_case(number)
        began = process_time()
        dose = choose_pieces(case.needs, case.offers)
        ours.append(process_time() - began)
        best = optimum(case)
        theirs.append(best.seconds)
        gave_up += not dose.exact
        equal = np.allclose(score(case, dose), best.values, rtol=0, atol=1e-6)
        if not equal:
            again = optimum(case, presolve=False)
            equal = np.allclose(score(case, dose), again.values, rtol=0, atol=1e-6)
            solved_again += 1
        if not (equal and within_limits(case, dose)):
            differ.append(number)
    yield Figure(
        name="choice of pieces against an integer program",
        database="none",
        value=len(differ),
        unit=UNEQUAL,
        target=0,
        less_is_better=True,
        detail={
            "cases": cases,
            "gave up": gave_up,
            "solved again": solved_again,
            "which": differ[:10],
        },
    )
    yield Figure(
        name="choice of pieces × an integer program (HiGHS)",
        database="none",
        value=round(sum(map(sum, theirs)) / sum(ours), 2),
        unit="× faster",
        target=1,
        detail={
            "ms a case": round(1000 * sum(ours) / cases, 3),
            "median ms": round(1000 * median(ours), 3),
            "slowest ms": round(1000 * max(ours), 1),
            "its ms a case": round(1000 * sum(map(sum, theirs)) / cases, 3),
            "against its first stage alone": round(sum(t[0] for t in theirs) / sum(ours), 2),
        },
    )
