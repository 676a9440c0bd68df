"""Supplements on pages: what is signed, why, what has changed, what was given."""

from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.pages.visiting import visitor
from tests.supplements.test_plans import tablet
from tests.supplements.test_standing import on_diet, orders, review, signed

HOSTILE = '"><script>alert(1)</script>'


@pytest.fixture
def fed(small_kitchen: Kitchen) -> Kitchen:
    """Brine eats 3 kg herring and 2 kg capelin a day; thiamine and vitamin E are there."""
    return brine_fed(small_kitchen)


def brine_fed(kitchen: Kitchen) -> Kitchen:
    kitchen.a_lot()
    on_diet(kitchen, her=3, cap=2)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    tablet(kitchen, "E-400", {"VITE": (400, "IU")})
    return kitchen


def lapsed(kitchen: Kitchen) -> Any:
    """Twice the fish since it was signed: other pieces are called for; they are proposed."""
    order = signed(kitchen)
    on_diet(kitchen, her=7, cap=2, **{"from": "2026-11-25"})
    review(kitchen)
    return order


def test_whoever_signs_sees_what_changed_and_signs_with_one_touch(fed: Kitchen) -> None:
    lapsed(fed)
    vet = visitor(fed, "vet")
    page = vet.page("/supplements")
    assert "B1-100: 2 → 3 pieces because 125 → 225 mg of thiamine are to be added" in page
    assert "Lapsed: do not give" in page and "Not signed: do not give" in page
    (proposal,) = [order["plan"] for order in orders(fed, state="proposed")]
    led = vet.sent("/supplements/sign", {"plans.3": str(proposal), "meaning": "checked"})
    assert led == "/supplements"
    (order,) = orders(fed)
    assert (order["state"], order["signed_by"], order["meaning"]) == ("in_force", "vet", "checked")
