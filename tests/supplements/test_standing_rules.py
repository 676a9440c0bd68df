"""What has changed between two plans, in words; and which order takes another's place."""

from copy import deepcopy
from datetime import date, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.supplements.rules.standing import (
    Room,
    crossed,
    differences,
    overlap,
    takes_the_place,
)


def held(value: float, source: str) -> dict[str, Any]:
    return {"value": value, "source": source}


BEFORE: dict[str, Any] = {
    "food_g": 3000,
    "lines": [
        {"nutrient": "VITA", "credit": 0, "add": 5000, "limit": 9000, "limit_on": "total"},
        {"nutrient": "THIA", "credit": 0, "add": 75, "limit": None, "limit_on": "total"},
    ],
    "supplements": [
        {
            "product": "A-2500",
            "count": 2.0,
            "counted_in": "piece",
            "gives": [{"nutrient": "VITA", "amount": 5000}],
        }
    ],
    "unmet": [],
    "worked_from": {
        "food": [
            {
                "species": "HER",
                "grams": 3000,
                "lot": "HER-1",
                "content": {
                    "VITA": held(1000, "assay of 2026-10-20, whole fish; more words"),
                    "THIA": held(0.8, "species default"),
                },
            }
        ],
        "requirements": [],
        "products": [{"product": "A-2500", "contents": {"VITA": 2500}, "batch": "L1"}],
        "body_mass_g": 104_000,
        "credits_thiamine_and_vitamin_e": False,
    },
}


def changed() -> dict[str, Any]:
    return deepcopy(BEFORE)


def test_of_the_same_figures_nothing_is_said() -> None:
    assert differences(BEFORE, changed()) == []


def test_another_lot_is_named_with_what_of_it_decides_and_where_that_is_known_from() -> None:
    now = changed()
    (herring,) = now["worked_from"]["food"]
    herring["lot"] = "HER-2"
    herring["content"] = {
        "VITA": held(1400, "assay of 2026-11-20, whole fish"),
        "THIA": held(0.2, "assay of 2026-11-20"),  # decides nothing: it is not credited
    }
    assert differences(BEFORE, now) == [
        "Atlantic herring: lot HER-2 instead of lot HER-1 "
        "(vitamin A 1000 → 1400 IU/kg, assay of 2026-11-20, whole fish)"
    ]


def test_what_storage_takes_in_a_day_is_not_worth_a_word_and_what_it_takes_in_months_is() -> None:
    now = changed()
    content = now["worked_from"]["food"][0]["content"]
    content["VITA"]["value"] = 995
    assert differences(BEFORE, now) == []
    content["VITA"]["value"] = 900
    assert differences(BEFORE, now) == ["Atlantic herring of lot HER-1: vitamin A 1000 → 900 IU/kg"]


def test_weight_strength_policy_and_limits_are_said() -> None:
    now = changed()
    worked = now["worked_from"]
    worked["body_mass_g"] = 112_000
    worked["products"] = [{"product": "A-2500", "contents": {"VITA": 5000}, "batch": "L2"}]
    worked["credits_thiamine_and_vitamin_e"] = True
    now["lines"][0] |= {"limit": 12_000, "room": 9000}
    assert differences(BEFORE, now) == [
        "limit of vitamin A would be crossed: 10000 IU in the pieces, 9000 may be added",
        "weight 104 → 112 kg",
        "limit of vitamin A a day: 9000 IU → 12000 IU",
        "A-2500 now 5000 IU of vitamin A, was 2500 (batch L2)",
        "policy: the fish's own thiamine and vitamin E count now",
    ]


def test_where_nothing_explains_other_pieces_it_says_so() -> None:
    now = changed()
    now["supplements"][0]["count"] = 3.0
    assert differences(BEFORE, now) == [
        "A-2500: 2 → 3 pieces",
        "other pieces fit better now: compare the two plans",
    ]


def test_a_plan_from_before_its_figures_were_kept_is_compared_by_what_there_is() -> None:
    old = {name: value for name, value in BEFORE.items() if name != "worked_from"}
    assert differences(old, old | {"food_g": 4000}) == ["food 3 kg → 4 kg"]
    assert differences(old, BEFORE) == [], "nothing of it is called new"
    now = changed()
    now["supplements"][0]["count"] = 3.0
    assert differences(old, now) == ["A-2500: 2 → 3 pieces"]


@given(st.floats(0, 20_000), st.floats(1, 10_000))
def test_a_limit_is_crossed_exactly_where_the_pieces_are_more_than_the_room(
    room: float, strength: float
) -> None:
    found = crossed(BEFORE, [Room("VITA", room, None)], {"A-2500": {"VITA": strength}})
    assert bool(found) == (2 * strength > room * (1 + 1e-5) + 1e-9)


DAY = date(2026, 11, 25)
SPAN = st.tuples(st.integers(0, 9), st.none() | st.integers(0, 9)).map(
    lambda n: (
        DAY + timedelta(days=n[0]),
        None if n[1] is None else DAY + timedelta(days=n[0] + n[1]),
    )
)


@given(SPAN, SPAN)
def test_an_order_is_ended_only_where_nothing_of_it_is_left_after_the_new_one(
    new: tuple[date, date | None], old: tuple[date, date | None]
) -> None:
    """Day by day over four weeks, beyond which neither begins nor ends."""
    days = [DAY + timedelta(days=n) for n in range(28)]
    of = [
        {d for d in days if span[0] <= d and (span[1] is None or d <= span[1])}
        for span in (new, old)
    ]
    left = {d for d in of[1] if d >= new[0]} - of[0]
    assert takes_the_place(new, old) == (not left and any(d >= new[0] for d in of[1]))
    assert overlap(new, old) == bool(of[0] & of[1])
