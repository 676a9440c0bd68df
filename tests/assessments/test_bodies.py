"""Cartons and stacks as the physics sees them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assessments.rules.bodies import PALLET_M, packing_of, stack_of
from service.science.outage import load_kg
from service.science.properties import GROUPS

BLOCK = {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 100}}


@given(st.integers(1, 200), st.sampled_from(("block", "iqf", "shatter_pack")))
def test_a_carton_of_unstated_size_holds_what_it_weighs(kilograms: int, form: str) -> None:
    carton = packing_of(form, kilograms * 1000, {}, "fatty").carton
    assert load_kg(GROUPS["fatty"], carton) == pytest.approx(kilograms, rel=0.03)


def test_a_stated_block_is_taken_as_it_is_and_an_impossible_one_is_not() -> None:
    stated = packing_of("block", 10_000, BLOCK, "fatty")
    assert (stated.carton.thickness_m, stated.carton.width_m, stated.carton.length_m) == (
        0.1,
        0.25,
        0.5,
    )
    flat = {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 1}}
    assert "supposed" in packing_of("block", 10_000, flat, "fatty").assumed


@given(st.integers(1, 3_000_000))
def test_a_stack_fits_on_a_pallet_and_holds_no_more_cartons_than_there_are(grams: int) -> None:
    packing = packing_of("block", 10_000, BLOCK, "fatty")
    stack = stack_of(packing, grams)
    sides = sorted((stack.body.thickness_m, stack.body.width_m or 0.0, stack.body.length_m or 0.0))
    assert all(side <= most for side, most in zip(sides, sorted(PALLET_M), strict=True))
    volume = sides[0] * sides[1] * sides[2]
    assert round(volume / (0.1 * 0.25 * 0.5)) <= stack.cartons
    assert 0.0 < stack.outer_share <= 1.0


def test_more_of_a_lot_never_makes_a_thinner_stack() -> None:
    packing = packing_of("block", 10_000, BLOCK, "fatty")
    thickness = [stack_of(packing, 10_000 * n).body.thickness_m for n in range(1, 120)]
    assert thickness == sorted(thickness)


def test_one_carton_is_its_own_stack() -> None:
    packing = packing_of("block", 10_000, BLOCK, "fatty")
    assert stack_of(packing, 10_000).body == packing.carton
