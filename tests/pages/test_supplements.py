"""Supplements on pages: what is signed, why, what has changed, what was given."""

from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.pages.visiting import visitor
from tests.supplements.test_plans import planned, tablet
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


def test_whoever_signs_sees_what_changed_and_signs_with_one_touch(kitchen: Kitchen) -> None:
    fed = brine_fed(kitchen)
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
    assert "Given: 3 × B1-100 tablet" in vet.page("/supplements/BRINE")


def test_a_signature_under_what_is_out_of_date_signs_nothing(fed: Kitchen) -> None:
    plan = planned(fed)
    on_diet(fed, her=7, cap=2, **{"from": "2026-11-25"})
    answer = visitor(fed, "vet").post("/supplements/sign", {"plans.0": str(plan["id"])})
    assert answer.status_code == 409
    assert "B1-100: 2 → 3 pieces" in answer.text
    assert [order["state"] for order in orders(fed)] == ["proposed"]


def test_only_those_who_may_are_offered_to_sign(fed: Kitchen) -> None:
    planned(fed)
    for role in ("keeper", "manager", "commissary", "inspector"):
        who = visitor(fed, role)
        assert "Sign for Brine" not in who.page("/supplements"), role
        assert 'action="/supplements/sign"' not in who.page("/supplements/BRINE"), role
    assert "Sign for Brine" in visitor(fed, "nutritionist").page("/supplements")


def test_a_keeper_sees_numbers_and_a_nutritionist_ranges_steps_and_sources(fed: Kitchen) -> None:
    signed(fed)
    keeper = visitor(fed, "keeper").page("/supplements/BRINE")
    assert "125 mg" in keeper and "200 mg" in keeper
    assert "10-90 %" not in keeper and "Geraci 1972" not in keeper
    nutritionist = visitor(fed, "nutritionist").page("/supplements/BRINE")
    for words in (
        "25 mg for each kilogram of food as fed × 5 kg = 125 mg",
        "Geraci 1972, Can J Zool 50:179",
        "2.5 (1.1 – 4.7)",
        "nobody knows how much of it capelin (CAP) holds",
        "/nutrients/VITE/over-time",
    ):
        assert words in nutritionist, words


def test_what_was_given_is_recorded_once_and_can_be_taken_back(fed: Kitchen) -> None:
    order = signed(fed)
    keeper = visitor(fed, "keeper")
    address = f"/supplements/BRINE/{order['id']}/given"
    two = {"supplements.0.product": "B1-100", "supplements.0.count": "2", "_key": "once"}
    for _ in range(2):
        assert keeper.sent(address, two) == "/supplements/BRINE"
    rows = fed.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(row["product"], row["count"]) for row in rows] == [("B1-100", 2)]
    again = keeper.post(address, two | {"_key": "again"})
    assert again.status_code == 409 and "already-given" in again.text
    path = f"/supplements/BRINE/taken-back/{rows[0]['id']}"
    assert keeper.post(path).status_code == 422
    keeper.sent(path, {"reason": f"another animal {HOSTILE}"})
    page = keeper.page("/supplements/BRINE")
    assert "Taken back" in page and HOSTILE not in page
    assert "&lt;script&gt;alert(1)" in page


def test_what_was_not_given_needs_its_reason(fed: Kitchen) -> None:
    order = signed(fed)
    address = f"/supplements/BRINE/{order['id']}/given"
    spat = {"supplements.0.product": "B1-100", "supplements.0.outcome": "spat_out"}
    answer = visitor(fed, "keeper").post(address, spat)
    assert answer.status_code == 422 and "say why it was spat out" in answer.text
    assert fed.keeper.shown("/animals/BRINE/supplements")["items"] == []


def test_a_plan_of_another_animal_is_not_shown_or_given_as_this_ones(fed: Kitchen) -> None:
    order = signed(fed)
    pearl = {"code": "PEARL", "name": HOSTILE, "taxon": "Zalophus californianus"}
    fed.manager.made("/animals", pearl | {"group": "pinniped", "sex": "female"})
    vet = visitor(fed, "vet")
    assert vet.get(f"/supplements/PEARL?plan={order['id']}").status_code == 404
    body = {"reason": "not this one"}
    assert vet.post(f"/supplements/PEARL/{order['id']}/withdrawal", body).status_code == 404
    assert [each["state"] for each in orders(fed)] == ["in_force"]
    for path in ("/supplements", "/supplements/PEARL", "/supplements/kitchen"):
        assert HOSTILE not in vet.page(path), path


def test_a_withdrawn_order_says_by_whom_and_why(fed: Kitchen) -> None:
    order = signed(fed)
    vet = visitor(fed, "vet")
    vet.sent(f"/supplements/BRINE/{order['id']}/withdrawal", {"reason": "sick since Monday"})
    page = visitor(fed, "keeper").page("/supplements")
    assert "Withdrawn: do not give" in page
    assert "by vet: sick since Monday" in page


def test_plans_are_proposed_for_one_animal_or_for_all(fed: Kitchen) -> None:
    keeper = visitor(fed, "keeper")
    led = keeper.sent("/supplements/BRINE/plan", {"day": "2026-11-25"})
    assert led == f"/supplements/BRINE?plan={orders(fed)[0]['plan']}"
    assert keeper.sent("/supplements/plan", {"day": "2026-11-26"}) == "/supplements"
    assert "Proposed: 1." in keeper.page("/supplements")
    assert keeper.post("/supplements/plan", {"day": "soon"}).status_code == 422


def test_a_requirement_is_set_shown_and_ended(fed: Kitchen) -> None:
    vet = visitor(fed, "nutritionist")
    path = "/supplements/BRINE/requirements"
    new = {"nutrient": "VITE", "amount": "120", "unit": "IU", "limit": "900", "source": HOSTILE}
    assert vet.sent(path, new) == path
    page = vet.page(path)
    assert "120 IU" in page and "900 IU" in page and "this animal" in page
    assert HOSTILE not in page
    refused = vet.post(path, new)
    assert refused.status_code == 409 and "replaces" in refused.text
    wrong = vet.post(path, new | {"unit": "parrots"})
    assert wrong.status_code == 422 and "unit" in wrong.text
    (stored,) = fed.vet.shown("/requirements")["items"]
    assert stored["applies_to"] == "animal BRINE"
    vet.sent(f"{path}/{stored['id']}/end", {"reason": "other pellets"})
    assert "120 IU" not in vet.page(path)
    assert "Set a requirement" not in visitor(fed, "inspector").page(path)


def test_what_if_shows_both_days_and_stores_nothing(fed: Kitchen) -> None:
    signed(fed)
    vet = visitor(fed, "vet")
    path = "/supplements/BRINE/what-if"
    asked = {"swaps.0.species": "HER", "swaps.0.by": "CAP"}
    answer = vet.post(path, asked | {"body_mass.unit": "kg", "storage.temperature.unit": "C"})
    assert answer.status_code == 200, answer.text
    assert "What would be different" in answer.text and "As it would be" in answer.text
    nothing = vet.post(path, {"day": "2026-11-25"})
    assert nothing.status_code == 422 and "say what is to be otherwise" in nothing.text
    assert len(orders(fed)) == 1


def test_the_kitchen_sheet_keeps_apart_what_nobody_has_signed(fed: Kitchen) -> None:
    planned(fed)
    page = visitor(fed, "keeper").page("/supplements/kitchen")
    assert "NOT SIGNED: do not give" in page
    assert "Nothing signed is to be given on this day." in page
    fed.nutritionist.made(f"/supplement-plans/{orders(fed)[0]['plan']}/sign-off", {})
    page = visitor(fed, "keeper").page("/supplements/kitchen")
    assert "NOT SIGNED" not in page and "2 ×" in page and "in Atlantic herring" in page
    pdf = visitor(fed, "keeper").get(
        "/v1/supplement-sheets/kitchen?day=2026-11-25&site=MAIN&format=pdf"
    )
    assert pdf.content.startswith(b"%PDF")
    assert visitor(fed, "keeper").get("/supplements/kitchen?day=never").status_code == 422


def test_who_may_name_supplement_products_finds_them_beside_their_stock(kitchen: Kitchen) -> None:
    way = 'href="/settings/supplement-products"'
    for role in ("vet", "nutritionist", "manager"):
        who = visitor(kitchen, role)
        assert way in who.page("/supplements/stock") and who.page("/settings/supplement-products")
    assert way not in visitor(kitchen, "keeper").page("/supplements/stock")


def test_stock_is_received_counted_thrown_away_and_taken_back(kitchen: Kitchen) -> None:
    fed = brine_fed(kitchen)
    boss = visitor(fed, "commissary")
    new = {"product": "B1-100", "code": HOSTILE, "expires_on": "2027-06", "received": "100"}
    led = boss.sent("/supplements/stock", new)
    page = boss.page(led)
    assert "100 pieces" in page and "Wed 30 Jun 2027" in page and HOSTILE not in page
    again = boss.post("/supplements/stock", new)
    assert again.status_code == 409
    boss.sent(f"{led}/counts", {"counted": "96", "reason": "stocktake"})
    boss.sent(f"{led}/receipts", {"received": "10"})
    boss.sent(f"{led}/discard", {"count": "6", "reason": "wet"})
    number = led.rsplit("/", 1)[-1]
    assert fed.keeper.shown(f"/supplement-batches/{number}")["left"] == 100
    moved = fed.keeper.shown(f"/supplement-batches/{number}/movements")["items"]
    path = f"/supplements/stock/movements/{moved[0]['id']}/reversal"
    assert boss.sent(path, {"reason": "it was dry"}) == led
    assert fed.keeper.shown(f"/supplement-batches/{number}")["left"] == 106
    assert "106 pieces" in boss.page("/supplements/stock")
    assert boss.page("/supplements/stock?state=expired").count("stop") == 0
    vet = visitor(fed, "vet")
    assert vet.post(f"{led}/counts", {"counted": "1", "reason": "no"}).status_code == 403
    assert "Record the count" not in vet.page(led)
