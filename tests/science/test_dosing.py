"""Laws of choosing supplements, and the optimum against trying everything."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import product
from math import inf, prod
from operator import mul

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science import dose_search as dosing
from service.science.dosing import (
    MAX_PIECES,
    Dose,
    Need,
    Offer,
    amount_needed,
    choose_pieces,
)

NUTRIENTS = ("THIA", "VITE", "VITA")
SLACK = 1e-6


def totals(dose: Dose, offers: Sequence[Offer]) -> Mapping[str, float]:
    return {
        n: sum(o.contents.get(n, 0.0) * dose.pieces.get(o.product, 0) for o in offers)
        for n in {n for o in offers for n in o.contents}
    }


def relative_shortage(dose: Dose, needs: Sequence[Need]) -> float:
    amounts = {n.nutrient: n.amount for n in needs}
    return sum(u.short_by / amounts[u.nutrient] for u in dose.unmet)


# --- against trying everything, in whole numbers

small = st.integers(0, 8)
small_needs = st.lists(
    st.builds(
        Need,
        nutrient=st.sampled_from(NUTRIENTS),
        amount=small.map(float),
        room=st.one_of(st.just(inf), st.integers(0, 12).map(float)),
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda n: n.nutrient,
)
small_contents = st.dictionaries(
    st.sampled_from(NUTRIENTS), st.integers(1, 6).map(float), min_size=1, max_size=3
)
small_cupboards = st.lists(small_contents, max_size=3).map(
    lambda all_of_them: [Offer(f"P{i}", contents) for i, contents in enumerate(all_of_them)]
)

Score = tuple[int, int, int, tuple[int, ...]]


def best_by_trying_everything(
    needs: Sequence[Need], offers: Sequence[Offer]
) -> tuple[float, float, int, tuple[int, ...]]:
    """(shortage, excess, pieces, counts) of the least there is, in exact whole numbers.

    Nine pieces of one product are more than any need of 8 can use. Shortage and
    excess are counted in parts of the product of all amounts.
    """
    wanted = [n for n in needs if n.amount > 0 and any(n.nutrient in o.contents for o in offers)]
    parts = prod(int(n.amount) for n in wanted)
    rows = {n.nutrient: [int(o.contents.get(n.nutrient, 0)) for o in offers] for n in needs}
    found: list[Score] = []
    for counts in product(range(10), repeat=len(offers)):
        dose = {n: sum(map(mul, row, counts)) for n, row in rows.items()}
        if any(dose[n.nutrient] > n.room for n in needs):
            continue
        over = [(dose[n.nutrient] - int(n.amount)) * (parts // int(n.amount)) for n in wanted]
        found.append(
            (
                sum(-o for o in over if o < 0),
                sum(o for o in over if o > 0),
                sum(counts),
                tuple(-c for c in counts),
            )
        )
    shortage, excess, pieces, fewest = min(found)
    return shortage / parts, excess / parts, pieces, tuple(-c for c in fewest)


@contextmanager
def at_once(rows: int) -> Iterator[None]:
    """At most so many counts tried at once: with 1 all is done by branches and bounds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dosing, "MOST_ROWS", rows)
        dosing.shelf_of.cache_clear()
        yield
    dosing.shelf_of.cache_clear()


@pytest.mark.parametrize("rows", [1, 20, dosing.MOST_ROWS])
@given(needs=small_needs, offers=small_cupboards)
def test_no_other_pieces_meet_the_needs_better(
    rows: int, needs: list[Need], offers: list[Offer]
) -> None:
    with at_once(rows):
        dose = choose_pieces(needs, offers)
    shortage, excess, pieces, counts = best_by_trying_everything(needs, offers)
    contained = {n for o in offers for n in o.contents}
    short = sum(
        u.short_by / n.amount
        for u in dose.unmet
        for n in needs
        if n.nutrient == u.nutrient and n.nutrient in contained
    )
    assert short == pytest.approx(shortage, abs=1e-9)
    assert dose.excess == pytest.approx(excess, abs=1e-9)
    assert sum(dose.pieces.values()) == pieces
    assert tuple(dose.pieces.get(o.product, 0) for o in offers) == counts


# --- laws, with amounts as they stand on labels

amounts = st.just(0.0) | st.floats(1e-6, 1000)
usual_contents = st.dictionaries(
    st.sampled_from(NUTRIENTS), st.floats(10, 500), min_size=1, max_size=3
)
usual_needs = st.lists(
    st.builds(
        Need,
        nutrient=st.sampled_from(NUTRIENTS),
        amount=amounts,
        room=st.one_of(st.just(inf), amounts),
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda n: n.nutrient,
)
usual_cupboards = st.lists(st.tuples(usual_contents, st.sampled_from([1, 2])), max_size=3).map(
    lambda all_of_them: [
        Offer(f"P{i}", contents, pieces) for i, (contents, pieces) in enumerate(all_of_them)
    ]
)


@given(usual_needs, usual_cupboards)
def test_no_dose_crosses_a_limit_or_the_most_pieces(needs: list[Need], offers: list[Offer]) -> None:
    dose = choose_pieces(needs, offers)
    given_ = totals(dose, offers)
    for need in needs:
        assert given_.get(need.nutrient, 0.0) <= need.room * (1 + SLACK)
    for offer in offers:
        assert 0 <= dose.pieces.get(offer.product, 0) <= MAX_PIECES * offer.pieces_per_unit


@given(usual_needs, usual_cupboards)
def test_a_need_is_met_or_said_to_be_short_by_what_is_missing(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    given_ = totals(dose, offers)
    short = {u.nutrient: u.short_by for u in dose.unmet}
    for need in needs:
        missing = need.amount - given_.get(need.nutrient, 0.0)
        if need.nutrient in short:
            assert short[need.nutrient] == pytest.approx(missing)
            assert missing > 0
        else:
            assert missing <= need.amount * SLACK


@given(usual_needs, usual_cupboards)
def test_every_shortage_is_explained_and_the_explanation_is_true(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    given_ = totals(dose, offers)
    by_name = {n.nutrient: n for n in needs}
    for unmet in dose.unmet:
        need = by_name[unmet.nutrient]
        carriers = [o for o in offers if o.contents.get(unmet.nutrient, 0) > 0]
        if not carriers:
            assert unmet.why == "no product contains it"
        elif need.room < need.amount:
            assert unmet.why == f"the limit of {need.nutrient} leaves room for {need.room:g}"
        elif "would pass the limit of" in unmet.why:
            for named in unmet.why.partition("limit of ")[2].split(", "):
                one_more = [
                    given_[named] + o.contents[named] for o in carriers if named in o.contents
                ]
                assert max(one_more) > by_name[named].room
        else:
            assert unmet.why == "it would take more than 24 pieces of one product"
            assert all(
                dose.pieces.get(o.product, 0) == MAX_PIECES * o.pieces_per_unit for o in carriers
            )


@given(usual_needs, usual_cupboards, usual_contents)
def test_another_product_in_the_cupboard_never_worsens_the_shortage(
    needs: list[Need], offers: list[Offer], contents: dict[str, float]
) -> None:
    before = choose_pieces(needs, offers)
    after = choose_pieces(needs, [*offers, Offer("NEW", contents)])
    assert relative_shortage(after, needs) <= relative_shortage(before, needs) + SLACK


@given(usual_needs, usual_cupboards, st.floats(1, 3))
def test_a_looser_limit_never_worsens_the_shortage(
    needs: list[Need], offers: list[Offer], looser: float
) -> None:
    before = choose_pieces(needs, offers)
    after = choose_pieces([replace(n, room=n.room * looser) for n in needs], offers)
    assert relative_shortage(after, needs) <= relative_shortage(before, needs) + SLACK


@given(usual_needs, usual_cupboards)
def test_the_excess_is_what_the_pieces_give_beyond_the_needs(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    given_ = totals(dose, offers)
    over = sum(max(0.0, given_.get(n.nutrient, 0.0) / n.amount - 1) for n in needs if n.amount > 0)
    assert dose.excess == pytest.approx(over, rel=1e-6, abs=1e-6)


# --- cases


@pytest.mark.parametrize("rows", [1, dosing.MOST_ROWS])
@pytest.mark.parametrize("contents", [{"THIA": 100.0}, {"THIA": 100.0, "VITE": 50.0}])
def test_of_two_equal_products_the_preferred_one_is_taken(
    rows: int, contents: dict[str, float]
) -> None:
    twins = [Offer("FIRST", contents), Offer("SECOND", contents)]
    needs = [Need("THIA", 125), Need("VITE", 60)]
    with at_once(rows):
        assert choose_pieces(needs, twins).pieces == {"FIRST": 2}
        assert choose_pieces(needs, twins[::-1]).pieces == {"SECOND": 2}


def test_a_need_that_no_product_contains_stops_nothing_else() -> None:
    dose = choose_pieces([Need("THIA", 125), Need("VITE", 500)], [Offer("B1", {"THIA": 100.0})])
    assert dose.pieces == {"B1": 2}
    (unmet,) = dose.unmet
    assert (unmet.nutrient, unmet.short_by) == ("VITE", 500)


def test_where_a_limit_stands_in_the_way_the_most_under_it_is_given() -> None:
    multi = [Offer("MULTI", {"VITE": 100.0, "VITA": 1000.0})]
    dose = choose_pieces([Need("VITE", 500), Need("VITA", 0, 3500)], multi)
    assert dose.pieces == {"MULTI": 3}
    (unmet,) = dose.unmet
    assert unmet.why == "the products that contain it would pass the limit of VITA"


def test_a_need_beyond_24_tablets_says_so_even_where_a_distant_limit_exists() -> None:
    dose = choose_pieces([Need("VITE", 5000, 9000)], [Offer("E-100", {"VITE": 100.0})])
    assert dose.pieces == {"E-100": 24}
    (unmet,) = dose.unmet
    assert (unmet.short_by, unmet.why) == (
        2600,
        "it would take more than 24 pieces of one product",
    )


def test_of_halves_twice_as_many_pieces_may_be_given() -> None:
    dose = choose_pieces([Need("VITE", 5000)], [Offer("E-100", {"VITE": 50.0}, 2)])
    assert dose.pieces == {"E-100": 48}


def test_nothing_needed_is_nothing_given() -> None:
    dose = choose_pieces([Need("THIA", 0), Need("VITA", 0, 10)], [Offer("B1", {"THIA": 100.0})])
    assert (dose.pieces, dose.excess, dose.unmet) == ({}, 0.0, ())


def test_an_unreachable_need_with_a_full_cupboard_is_answered_without_trying_everything() -> None:
    # six products of up to 24 pieces are 25**6 combinations: only a bound ends this
    cupboard = [Offer(f"P{i}", {"VITE": 1.0 + i}) for i in range(6)]
    dose = choose_pieces([Need("VITE", 1000)], cupboard)
    assert set(dose.pieces.values()) == {24}
    assert dose.unmet[0].short_by == pytest.approx(1000 - 24 * 21)


@pytest.mark.parametrize(
    ("needs", "message"),
    [
        ([Need("THIA", 1), Need("THIA", 2)], "once"),
        ([Need("THIA", -1)], "negative"),
        ([Need("THIA", 1, -1)], "negative"),
    ],
)
def test_contradictory_and_negative_needs_are_refused(needs: list[Need], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        choose_pieces(needs, [])


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_what_is_added_and_credited_covers_the_requirement_and_is_never_negative(
    required: float, credit: float
) -> None:
    add = amount_needed(required, credit)
    assert add >= 0
    assert add + credit >= required * (1 - 1e-12)
    assert add == 0 or add + credit == pytest.approx(required)


def test_a_negative_requirement_or_credit_is_refused() -> None:
    for pair in ((-1.0, 0.0), (0.0, -1.0)):
        with pytest.raises(ValueError, match="negative"):
            amount_needed(*pair)
