"""Words for supplement stock: a product, a jar of it, what is left."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlmodel import col, func, select

from service.security.actor import SERVICE
from service.supplement_stock.actions.taking import give_back, take
from service.supplement_stock.models import SupplementBatch, SupplementMovement
from service.supplement_stock.rules import Taken
from tests.kitchen import Kitchen

TODAY = date(2026, 11, 25)


def a_product(kitchen: Kitchen, code: str = "B1-100", **more: Any) -> Any:
    body = {
        "code": code,
        "name": f"{code} for sea lions",
        "form": "tablet",
        "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
    }
    return kitchen.nutritionist.made("/supplement-products", body | more)


def a_jar(kitchen: Kitchen, code: str = "LOT 12-a", **more: Any) -> Any:
    """A batch that has just come; as the answer shows it."""
    body = {"product": "B1-100", "code": code, "expires_on": "2027-06-30", "received": 100}
    return kitchen.commissary.made("/supplement-batches", body | more)["batch"]


def left(kitchen: Kitchen, batch: int) -> float:
    found: float = kitchen.keeper.shown(f"/supplement-batches/{batch}")["left"]
    return found


def kinds(kitchen: Kitchen, batch: int) -> list[tuple[str, float]]:
    """What came and went, oldest first."""
    items = kitchen.keeper.shown(f"/supplement-batches/{batch}/movements")["items"]
    return [(item["kind"], item["count"]) for item in reversed(items)]


def given(kitchen: Kitchen, *taken: Taken, day: date = TODAY) -> list[int]:
    with kitchen.writing() as session:
        return take(session, taken, day=day, at=kitchen.clock(), by=SERVICE)


def taken_back(kitchen: Kitchen, references: Sequence[str]) -> list[int]:
    with kitchen.writing() as session:
        return give_back(session, references, reason="spat out", at=kitchen.clock(), by=SERVICE)


def adds_up(kitchen: Kitchen) -> None:
    """What is left of each batch is the sum of what came and went."""
    with kitchen.looking() as session:
        rows = session.exec(
            select(SupplementBatch.left_milli, func.sum(col(SupplementMovement.milli)))
            .join(SupplementMovement, col(SupplementMovement.batch_id) == col(SupplementBatch.id))
            .group_by(col(SupplementBatch.id), col(SupplementBatch.left_milli))
        ).all()
    assert rows
    assert all(row[0] == row[1] >= 0 for row in rows), rows
