"""Laws of doses with powders, costs and several limits: what may not depend on what."""

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, floor, inf
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.dosing import (
    Dose,
    Need,
    Offer,
    amount_needed,
    choose_pieces,
    most_pieces,
    tablets,
    weighed,
)

NUTRIENTS = ("THIA", "VITE", "VITA", "VITD")

needs_lists = st.lists(
    st.builds(
        Need,
        nutrient=st.sampled_from(NUTRIENTS),
        amount=st.integers(0, 40).map(float),
        room=st.one_of(st.just(inf), st.integers(0, 60).map(float)),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda n: n.nutrient,
)


def offers_of(made: Sequence[tuple[dict[str, float], bool, int, int]]) -> list[Offer]:
    return [
        Offer(f"P{i}", contents, 10 if in_steps else halves, cost / 4, in_steps)
        for i, (contents, in_steps, halves, cost) in enumerate(made)
    ]


cupboards = st.lists(
    st.tuples(
        st.dictionaries(
            st.sampled_from(NUTRIENTS), st.integers(1, 9).map(float), min_size=1, max_size=3
        ),
        st.booleans(),
        st.sampled_from([1, 2]),
        st.integers(0, 8),
    ),
    max_size=4,
).map(offers_of)


def pieces_of(dose: Dose, offers: Sequence[Offer]) -> int:
    """Pieces as a person counts them: a weighed dose is one."""
    counts = {o.product: o for o in offers}
    return sum(1 if counts[p].weighed else n for p, n in dose.pieces.items())


@given(needs_lists, cupboards, st.randoms(use_true_random=False))
def test_in_which_order_needs_are_told_changes_no_piece(
    needs: list[Need], offers: list[Offer], shuffle: Random
) -> None:
    other = needs.copy()
    shuffle.shuffle(other)
    assert choose_pieces(other, offers).pieces == choose_pieces(needs, offers).pieces


@given(needs_lists, cupboards.filter(bool))
def test_which_of_two_equal_products_stands_first_changes_no_total(
    needs: list[Need], offers: list[Offer]
) -> None:
    twin = replace(offers[0], product="TWIN")
    one, other = [offers[0], twin, *offers[1:]], [twin, *offers]
    before, after = choose_pieces(needs, one), choose_pieces(needs, other)
    assert after.totals == pytest.approx(before.totals)
    assert after.cost == pytest.approx(before.cost)
    assert pieces_of(after, other) == pieces_of(before, one)


@given(needs_lists, cupboards)
def test_doubled_needs_pass_no_room_and_no_most_pieces(
    needs: list[Need], offers: list[Offer]
) -> None:
    doubled = [replace(n, amount=2 * n.amount) for n in needs]
    dose = choose_pieces(doubled, offers)
    for need in needs:
        assert dose.totals.get(need.nutrient, 0.0) <= need.room * (1 + 1e-9)
    for offer in offers:
        assert dose.pieces.get(offer.product, 0) <= most_pieces(offer)


@given(needs_lists, cupboards)
def test_totals_and_cost_are_those_of_the_pieces(needs: list[Need], offers: list[Offer]) -> None:
    dose = choose_pieces(needs, offers)
    counted = [(o, dose.pieces.get(o.product, 0)) for o in offers]
    for nutrient in NUTRIENTS:
        total = sum(o.contents.get(nutrient, 0.0) * n for o, n in counted)
        assert dose.totals.get(nutrient, 0.0) == pytest.approx(total)
    assert dose.cost == pytest.approx(sum(o.cost * n for o, n in counted))


@given(needs_lists, cupboards)
def test_dearer_products_never_change_what_is_short_or_in_excess_or_how_many(
    needs: list[Need], offers: list[Offer]
) -> None:
    dear = [replace(o, cost=o.cost + i) for i, o in enumerate(offers)]
    before, after = choose_pieces(needs, offers), choose_pieces(needs, dear)
    assert after.excess == pytest.approx(before.excess)
    assert pieces_of(after, dear) == pieces_of(before, offers)
    assert sum(u.short_by for u in after.unmet) >= 0


@given(
    needs_lists,
    cupboards,
    st.sampled_from(NUTRIENTS),
)
def test_asked_for_the_least_of_a_nutrient_it_gives_no_more_of_it(
    needs: list[Need], offers: list[Offer], least: str
) -> None:
    if least not in {n.nutrient for n in needs}:
        return
    usual, sparing = choose_pieces(needs, offers), choose_pieces(needs, offers, least=least)
    assert sparing.totals.get(least, 0.0) <= usual.totals.get(least, 0.0) + 1e-9
    short = [
        sum(u.short_by / n.amount for u in d.unmet for n in needs if n.nutrient == u.nutrient)
        for d in (usual, sparing)
    ]
    assert short[0] == pytest.approx(short[1])


@given(st.floats(0, 1e6), st.floats(0, 1e6), st.floats(0, 1e6))
def test_a_lower_content_never_leads_to_a_smaller_add(
    required: float, content: float, other: float
) -> None:
    low, high = sorted((content, other))
    assert amount_needed(required, low) >= amount_needed(required, high)


@given(st.integers(0, 1000), st.integers(0, 1000), st.sampled_from([1, 10, 20, 1000]))
def test_a_powder_is_rounded_up_to_its_step_and_down_where_that_would_pass_a_limit(
    amount: int, room: int, steps: int
) -> None:
    powder = weighed("P", {"NACL": 70.0}, steps_per_unit=steps)
    dose = choose_pieces([Need("NACL", float(amount), float(room))], [powder])
    up, down = ceil(amount * steps / 70 - 1e-6), floor(room * steps / 70 + 1e-6)
    assert dose.pieces.get("P", 0) == min(up, down)
    assert bool(dose.unmet) == (min(up, down) * 70 / steps < amount * (1 - 1e-9))


# --- cases


def test_two_grams_of_powder_are_one_piece_and_stand_before_two_tablets() -> None:
    powder = weighed("POWDER", {"THIA": 100.0})
    two = tablets("T-100", {"THIA": 100.0})
    assert choose_pieces([Need("THIA", 200)], [two, powder]).pieces == {"POWDER": 20}
    assert choose_pieces([Need("THIA", 100)], [two, powder]).pieces == {"T-100": 1}


def test_of_as_many_pieces_the_cheapest_are_given_and_then_the_first() -> None:
    dear, cheap = (tablets(n, {"THIA": 100.0}, cost=c) for n, c in (("DEAR", 0.3), ("CHEAP", 0.2)))
    assert choose_pieces([Need("THIA", 200)], [dear, cheap]).pieces == {"CHEAP": 2}
    level = replace(cheap, cost=0.3)
    assert choose_pieces([Need("THIA", 200)], [dear, level]).pieces == {"DEAR": 2}


def test_a_product_s_own_most_pieces_are_kept() -> None:
    capsule = Offer("OIL", {"VITE": 100.0}, most=3)
    dose = choose_pieces([Need("VITE", 500)], [capsule])
    assert dose.pieces == {"OIL": 3}
    assert dose.unmet[0].short_by == 200


def test_an_elephant_seal_s_salt_is_weighed_out_at_once() -> None:
    # 3 g per kg of fish (trade reference 7.1) for 60 kg, in steps of 0.1 g
    dose = choose_pieces([Need("NACL", 180.04)], [weighed("SALT", {"NACL": 1.0})])
    assert dose.pieces == {"SALT": 1801}
    assert dose.totals["NACL"] == pytest.approx(180.1)


@pytest.mark.parametrize(
    ("needs", "offers", "message"),
    [
        ([Need("A", float("nan"))], [], "amounts"),
        ([Need("A", inf)], [], "amounts"),
        ([Need("A", 1, float("nan"))], [], "rooms"),
        ([Need("A", 1)], [Offer("P", {"A": -1.0})], "contents and cost of P"),
        ([Need("A", 1)], [Offer("P", {"A": float("nan")})], "contents and cost of P"),
        ([Need("A", 1)], [Offer("P", {"A": 1.0}, cost=-1.0)], "contents and cost of P"),
    ],
)
def test_what_is_no_amount_is_refused_by_name(
    needs: list[Need], offers: list[Offer], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        choose_pieces(needs, offers)
