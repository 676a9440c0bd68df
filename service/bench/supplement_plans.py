"""The plan of a day for all animals of a site: 300 animals, ten nutrients, six products.

Animals, diets, requirements and products are set up as people do it; what is measured is
what a plan is worked out from with all its queries, and the whole action in one transaction
with the stored plans and the audit entry.
"""

import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import median

import numpy as np
from sqlmodel import Session

from service.animals.actions import setting_up as animals
from service.animals.queries import present
from service.animals.schemas import AnimalIn
from service.bench import databases
from service.bench.figures import Figure
from service.bench.place import fill, opened
from service.bench.supplements import ANIMALS, PER_KG, SALT, TABLETS
from service.catalogue import actions as catalogue
from service.catalogue.rules import nutrients
from service.catalogue.schemas import SupplementProductIn
from service.clock import system_clock
from service.database import Database
from service.diets.actions.setting import set_diet
from service.diets.schemas import DietIn
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.site import queries as sites
from service.supplements.actions.planning import plan_many
from service.supplements.actions.requiring import set_requirement
from service.supplements.actions.working import work_out
from service.supplements.rules import PlanBasis
from service.supplements.schemas import ManyPlansIn, RequirementIn
from service.what_if.actions.asking import what_if
from service.what_if.schemas import WhatIfIn

SPECIES = ("HER", "CAP", "MAC")
PLANS_MS, WHAT_IF_MS = 300, 100
ROUNDS = 7


def measure(kind: str, *, count: int = ANIMALS) -> Iterator[Figure]:
    """On one kind of database, made for it and gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="fishhouse-plans-bench-") as name:
        folder = Path(name)
        at = system_clock()
        with databases.empty(kind, folder) as address:
            fill(address, at=at)
            with opened(address) as database:
                with transaction(database.writer) as session:
                    _set_up(session, at, count)
                measured = {
                    f"supplements of a day worked out for {count} animals": (
                        _worked(database, at, count),
                        PLANS_MS,
                    ),
                    f"supplement plans of a day stored for {count} animals": (
                        _stored(database, at, count),
                        PLANS_MS,
                    ),
                    "what if one animal's fish, storage and products change": (
                        _asked(database, at),
                        WHAT_IF_MS,
                    ),
                }
    for name, (cost, target) in measured.items():
        yield Figure(
            name=name,
            database=kind,
            value=cost.wall_ms,
            unit="ms",
            target=target,
            less_is_better=True,
            detail={
                "processor_ms": cost.processor_ms,
                "nutrients": len(PER_KG),
                "products": len(TABLETS) + 1,
            },
        )


@dataclass(frozen=True)
class Cost:
    """Milliseconds on the wall and of this process's processor, medians of some rounds."""

    wall_ms: float
    processor_ms: float


def _median(ask: Callable[[int], object]) -> Cost:
    """What asking costs, the first time not counted."""
    walls, processors = [], []
    for number in range(ROUNDS + 1):
        wall, processor = time.perf_counter(), time.process_time()
        ask(number)
        walls.append((time.perf_counter() - wall) * 1000)
        processors.append((time.process_time() - processor) * 1000)
    return Cost(round(median(walls[1:]), 1), round(median(processors[1:]), 1))


def _set_up(session: Session, at: datetime, count: int) -> None:
    for code, held in TABLETS.items():
        _product(session, at, code, "tablet", "half", held)
    _product(session, at, "SALT", "powder", "whole", SALT)
    for name, (amount, _) in PER_KG.items():
        required = {"nutrient": name, "amount": amount, "unit": nutrients()[name].amount_unit}
        required["applies_to"] = {"group": "pinniped"}
        set_requirement(session, RequirementIn.model_validate(required), at=at, by=SERVICE)
    kilograms = np.random.default_rng(8).uniform(1, 8, count).tolist()
    for number, kg in enumerate(kilograms):
        new = {"code": f"A{number}", "name": "Animal", "taxon": "Phoca", "group": "pinniped"}
        animals.add_animal(session, AnimalIn.model_validate(new), at=at, by=SERVICE)
        items = [{"species": s, "mass": f"{kg / len(SPECIES):.3f} kg"} for s in SPECIES]
        diet = DietIn.model_validate({"from": at.date(), "items": items, "feeds_per_day": 3})
        set_diet(session, f"A{number}", diet, at=at, by=SERVICE)


def _product(
    session: Session, at: datetime, code: str, form: str, divisible: str, held: dict[str, float]
) -> None:
    contents = [
        {"nutrient": n, "amount": a, "unit": nutrients()[n].amount_unit} for n, a in held.items()
    ]
    new = {"code": code, "name": code, "form": form, "divisible": divisible, "contents": contents}
    catalogue.add_supplement_product(
        session, SupplementProductIn.model_validate(new), at=at, by=SERVICE
    )


def _worked(database: Database, at: datetime, count: int) -> Cost:
    """What all plans of the day are worked out from, with the queries; nothing is stored."""

    def ask(_number: int) -> None:
        with Session(database.snapshot) as session:
            view = sites.view_of(session, sites.site_or_only(session, None, by=SERVICE), at=at)
            here = present(session, view.id, at.date())
            found = work_out(session, view, at.date(), here, PlanBasis.DIET, at=at)
        if len(found.plans) != count:
            raise RuntimeError("not every animal was worked out")

    return _median(ask)


def _stored(database: Database, at: datetime, count: int) -> Cost:
    order = ManyPlansIn.model_validate({"day": at.date().isoformat()})

    def ask(_number: int) -> None:
        with transaction(database.writer) as session:
            found = plan_many(session, order, at=at, by=SERVICE)
        if len(found.items) != count or any(p.unmet for p in found.items):
            raise RuntimeError("not every animal has a plan that meets its needs")

    return _median(ask)


def _asked(database: Database, at: datetime) -> Cost:
    """What if, each time of another of three animals."""

    def ask(number: int) -> None:
        order = WhatIfIn.model_validate(
            {
                "animal": f"A{number % 3}",
                "swaps": [{"species": "CAP", "by": "HER"}],
                "storage": {"temperature": "-15 °C", "days": 90},
                "products": {"only": [*TABLETS]},
            }
        )
        with Session(database.snapshot) as session:
            found = what_if(session, order, at=at, by=SERVICE)
        if len(found.items) != 1:
            raise RuntimeError("the animal's day was not compared")

    return _median(ask)
