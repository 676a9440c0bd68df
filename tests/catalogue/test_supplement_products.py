"""Supplement products: forms, doses, prices, and contents that can be."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from service.catalogue.rules import (
    COUNTED_IN,
    DoseForm,
    mass_g,
    nutrients,
    piece_content,
    refuse_too_heavy,
    smallest_piece,
)
from tests.kitchen import Kitchen

B1 = [{"nutrient": "THIA", "amount": 100, "unit": "mg"}]


def refused(kitchen: Kitchen, **more: Any) -> tuple[str, str]:
    """The field at fault and why."""
    body = {"code": "X", "name": "X", "form": "tablet", "contents": B1} | more
    answer = kitchen.nutritionist.post("/supplement-products", body)
    assert answer.status_code == 422, answer.text
    assert kitchen.keeper.shown("/supplement-products")["items"] == []
    error = answer.json()["errors"][0]
    return error["field"], error["message"]


def made(kitchen: Kitchen, **more: Any) -> Any:
    body = {"code": "X", "name": "X", "form": "tablet", "contents": B1} | more
    return kitchen.nutritionist.made("/supplement-products", body)


def test_a_tablet_is_given_whole_or_in_halves_a_powder_in_tenths_of_a_gram(
    kitchen: Kitchen,
) -> None:
    assert made(kitchen)["smallest"] == 1
    assert made(kitchen, code="H", divisible="half")["smallest"] == 0.5
    salt = [{"nutrient": "NACL", "amount": 1, "unit": "g/g"}]
    powder = made(kitchen, code="P", form="powder", contents=salt)
    assert (powder["smallest"], powder["counted_in"]) == (0.1, "g")
    assert powder["contents"] == [{"nutrient": "NACL", "amount": 1, "unit": "g"}]
    oil = [{"nutrient": "VITA", "amount": 1000, "unit": "IU/mL"}]
    liquid = made(kitchen, code="L", form="liquid", smallest=0.25, contents=oil)
    assert (liquid["smallest"], liquid["counted_in"]) == (0.25, "mL")
    shown = kitchen.keeper.shown("/supplement-products")["items"]
    assert [item["smallest"] for item in shown] == [1, 0.5, 0.1, 0.25]


def test_a_price_is_of_one_piece_in_a_currency(kitchen: Kitchen) -> None:
    found = made(kitchen, price=0.0345, currency="EUR")
    assert (found["price"], found["currency"]) == (0.0345, "EUR")
    plain = made(kitchen, code="Y")
    assert (plain["price"], plain["currency"]) == (None, None)


def test_products_from_before_have_their_doses(kitchen: Kitchen) -> None:
    old = (
        "INSERT INTO supplement_product (code, name, form, divisible, contents) "
        "VALUES ('OLD', 'Old', 'powder', 'whole', '{\"NACL\": 1.0}')"
    )
    with kitchen.writing() as session:
        session.connection().execute(text(old))
    (shown,) = kitchen.keeper.shown("/supplement-products")["items"]
    assert (shown["smallest"], shown["price"]) == (0.1, None)


@pytest.mark.parametrize(
    ("more", "field", "why"),
    [
        ({"contents": []}, "contents", "without contents"),
        ({"contents": [B1[0] | {"amount": 0}]}, "contents.0.amount", "greater than 0"),
        ({"contents": [B1[0] | {"amount": 1e-300}]}, "contents.0.unit", "next to nothing"),
        ({"contents": B1 * 2}, "contents.1.nutrient", "twice"),
        ({"contents": [B1[0] | {"unit": "IU"}]}, "contents.0.unit", "THIA is counted in mg"),
        ({"contents": [B1[0] | {"unit": "mg/kg"}]}, "contents.0.unit", "per piece"),
        ({"contents": [B1[0] | {"unit": "ml"}]}, "contents.0.unit", "cannot be converted"),
        ({"contents": [B1[0] | {"amount": 1e8}]}, "contents.0.unit", "more than a tablet can"),
        ({"form": "capsule", "divisible": "half"}, "divisible", "capsule cannot be halved"),
        ({"smallest": 0.5}, "smallest", "counted"),
        ({"form": "powder", "smallest": 0.0005}, "smallest", "0.001"),
        ({"form": "powder", "smallest": 0.0125}, "smallest", "three decimals"),
        ({"form": "powder", "contents": [B1[0] | {"unit": "mg/mL"}]}, "contents.0.unit", "per g"),
        ({"form": "powder", "contents": [B1[0] | {"amount": 1001}]}, "contents.0.unit", "1.001 g"),
        ({"price": 1}, "currency", "EUR"),
        ({"price": 1, "currency": "Euro"}, "currency", "pattern"),
        ({"currency": "EUR"}, "currency", "no price"),
        ({"nutrient": "THIA"}, "nutrient", "not known"),
    ],
)
def test_a_product_that_cannot_be_is_refused_by_its_field(
    small_kitchen: Kitchen, more: dict[str, Any], field: str, why: str
) -> None:
    found = refused(small_kitchen, **more)
    assert found[0] == field and why in found[1], found


@pytest.mark.parametrize("tag", [t for t, n in nutrients().items() if n.amount_unit != "IU"])
def test_units_of_activity_are_taken_only_where_the_nutrient_has_a_factor(tag: str) -> None:
    with pytest.raises(ValueError, match=f"{tag} is counted in .*'IU' cannot be converted"):
        piece_content(DoseForm.TABLET, tag, 1, "IU")


def test_no_gram_holds_more_units_of_a_vitamin_than_the_pure_vitamin_has() -> None:
    """Pharmacopoeial units [memory, high]: 1 mg of RRR-alpha-tocopherol is 1.49 IU, 1 IU of
    vitamin A is 0.3 µg of retinol, 40 IU of vitamin D are 1 µg."""
    for tag, most in (("VITE", 1490), ("VITA", 1e9 / 300), ("VITD", 4e7)):
        assert piece_content(DoseForm.POWDER, tag, most, "IU") == most
        with pytest.raises(ValueError, match="1 g of powder"):
            piece_content(DoseForm.POWDER, tag, most * 1.001, "IU")


def test_nutrients_together_weigh_no_more_than_their_piece_and_parts_count_once() -> None:
    """Sodium is 22.99 / 58.44 of salt [memory, high]: the salt holds it already."""
    refuse_too_heavy(DoseForm.POWDER, {"NACL": 1.0, "NA": 393.4})
    refuse_too_heavy(DoseForm.POWDER, {"FAT": 1.0, "F20D5N3": 0.3, "ENERC": 9.0})
    with pytest.raises(ValueError, match=r"NACL and THIA would weigh 1\.1 g"):
        refuse_too_heavy(DoseForm.POWDER, {"NACL": 1.0, "THIA": 100.0})


def test_both_micro_signs_are_micrograms() -> None:
    for unit in ("ug", "mcg", "\u00b5g", "\u03bcg"):
        assert piece_content(DoseForm.TABLET, "SE", 50, unit) == 50


@given(
    st.sampled_from(sorted(nutrients())),
    st.sampled_from(list(DoseForm)),
    st.floats(1e-6, 0.99),
)
def test_contents_sent_back_as_they_are_shown_mean_the_same(
    tag: str, form: DoseForm, share: float
) -> None:
    """Of whatever the piece can hold, in the unit that is shown."""
    unit = nutrients()[tag].amount_unit
    amount = share / mass_g(tag, 1.0)
    assert piece_content(form, tag, amount, unit) == amount
    if form in (DoseForm.POWDER, DoseForm.LIQUID):
        assert piece_content(form, tag, amount, f"{unit}/{COUNTED_IN[form]}") == amount


@given(st.sampled_from(["THIA", "NA", "SE", "NACL", "FAT"]), st.floats(1e-3, 0.5))
def test_a_mass_means_the_same_in_grams_milligrams_and_micrograms(tag: str, grams: float) -> None:
    forms = [
        piece_content(DoseForm.POWDER, tag, grams * scale, unit)
        for unit, scale in (("g", 1), ("mg", 1e3), ("ug", 1e6), ("\u00b5g", 1e6))
    ]
    assert forms == pytest.approx([forms[0]] * 4, rel=1e-12)
    assert mass_g(tag, forms[0]) == pytest.approx(grams, rel=1e-12)


def test_the_smallest_piece_is_by_form() -> None:
    assert smallest_piece("capsule", "whole") == 1
    assert smallest_piece("tablet", "half", 0.1) == 0.5
    assert smallest_piece("liquid", "half") == 0.1
