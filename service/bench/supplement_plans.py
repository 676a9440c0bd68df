"""The plan of a day for all animals of a site: 300 animals, ten nutrients, six products.

Animals, diets, requirements and products are set up as people do it; what is measured is
what a plan is worked out from with all its queries, and the whole action in one transaction
with the stored plans and the audit entry.
"""

import tempfile
import time
from collections.abc import Iterator
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
from service.supplements.schemas import ManyPlansIn, RequirementIn

SPECIES = ("HER", "CAP", "MAC")
PLANS_MS = 300
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
                worked, stored = _times(database, at, count)
    for what, times in (
        (f"supplements of a day worked out for {count} animals", worked),
        (f"supplement plans of a day stored for {count} animals", stored),
    ):
        yield Figure(
            name=what,
            database=kind,
            value=round(median(times), 1),
            unit="ms",
            target=PLANS_MS,
            less_is_better=True,
            detail={
                "nutrients": len(PER_KG),
                "products": len(TABLETS) + 1,
                "slowest_ms": round(max(times), 1),
            },
        )


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


def _times(database: Database, at: datetime, count: int) -> tuple[list[float], list[float]]:
    """Milliseconds of each round, worked out only and stored, the first not counted."""
    worked, stored = [], []
    order = ManyPlansIn.model_validate({"day": at.date().isoformat()})
    for _ in range(ROUNDS + 1):
        with transaction(database.writer) as session:
            view = sites.view_of(session, sites.site_or_only(session, None, by=SERVICE), at=at)
            here = present(session, view.id, order.day)
            began = time.perf_counter()
            work_out(session, view, order.day, here, order.basis, at=at)
            worked.append((time.perf_counter() - began) * 1000)
        began = time.perf_counter()
        with transaction(database.writer) as session:
            found = plan_many(session, order, at=at, by=SERVICE)
        stored.append((time.perf_counter() - began) * 1000)
        if len(found.items) != count or any(p.unmet for p in found.items):
            raise RuntimeError("not every animal has a plan that meets its needs")
    return worked[1:], stored[1:]
