"""Each change that is named makes the need possible, and a smaller one of its kind does not."""

from collections.abc import Sequence
from dataclasses import replace
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.dose_changes import (
    Change,
    ChangeKind,
    conflicts,
    halved,
    smallest_changes,
)
from service.science.dosing import Dose, Need, Offer, choose_pieces, most_pieces

NUTRIENTS = ("THIA", "VITE", "VITA")

some_needs = st.lists(
    st.builds(
        Need,
        nutrient=st.sampled_from(NUTRIENTS),
        amount=st.integers(0, 60).map(float),
        room=st.one_of(st.just(inf), st.integers(0, 70).map(float)),
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda n: n.nutrient,
)
some_offers = st.lists(
    st.tuples(
        st.dictionaries(
            st.sampled_from(NUTRIENTS), st.integers(1, 12).map(float), min_size=1, max_size=3
        ),
        st.booleans(),
        st.sampled_from([2, None]),
    ),
    max_size=3,
).map(
    lambda made: [
        Offer(f"P{i}", contents, may_halve=halve, most=most)
        for i, (contents, halve, most) in enumerate(made)
    ]
)


def as_reached(needs: Sequence[Need], dose: Dose, asked: str) -> list[Need]:
    """Every need but one as far as the dose meets it."""
    return [
        n
        if n.nutrient == asked
        else replace(n, amount=min(n.amount, dose.totals.get(n.nutrient, 0.0)))
        for n in needs
    ]


def made(
    change: Change, needs: Sequence[Need], offers: Sequence[Offer], *, share: float = 1.0
) -> Dose:
    """The dose after a share of a change (more than 1: of a limit or requirement, too little)."""
    after = change.after
    if change.kind is ChangeKind.RAISE_LIMIT:
        needs = [
            replace(n, room=after[n.nutrient] * share) if n.nutrient in after else n for n in needs
        ]
    elif change.kind is ChangeKind.LOWER_REQUIREMENT:
        needs = [
            replace(n, amount=after[n.nutrient] * share) if n.nutrient in after else n
            for n in needs
        ]
    elif change.kind is ChangeKind.HALVE:
        offers = [halved(o) if o.product in after else o for o in offers]
    elif change.kind is ChangeKind.MORE_PIECES:
        offers = [
            replace(o, most=round(after[o.product] - (share != 1))) if o.product in after else o
            for o in offers
        ]
    return choose_pieces(needs, offers)


def with_another(
    needs: Sequence[Need], offers: Sequence[Offer], nutrient: str, content: float
) -> Dose:
    """The dose with one piece of one more product, of which one is to be given."""
    return choose_pieces(needs, [*offers, Offer("NEW", {nutrient: content}, most=1)])


@given(some_needs, some_offers)
def test_after_any_of_the_changes_the_need_is_met_and_no_other_is_worse(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    for change in smallest_changes(needs, offers, dose):
        reached = as_reached(needs, dose, change.nutrient)
        if change.kind is ChangeKind.ANOTHER_PRODUCT:
            for content in change.after.values():
                assert not with_another(reached, offers, change.nutrient, content).unmet
        else:
            assert not made(change, reached, offers).unmet


@given(some_needs, some_offers)
def test_a_smaller_change_of_the_same_kind_is_not_enough(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    for change in smallest_changes(needs, offers, dose):
        if not change.smallest:
            continue
        reached = as_reached(needs, dose, change.nutrient)
        if change.kind is ChangeKind.RAISE_LIMIT or change.kind is ChangeKind.MORE_PIECES:
            assert made(change, reached, offers, share=1 - 1e-6).unmet
        elif change.kind is ChangeKind.LOWER_REQUIREMENT and all(change.after.values()):
            assert made(change, reached, offers, share=1 + 1e-6).unmet
        elif change.kind is ChangeKind.ANOTHER_PRODUCT:
            reach = choose_pieces(reached, offers, yields=change.nutrient).totals
            (amount,) = (n.amount for n in reached if n.nutrient == change.nutrient)
            least = change.after["least"]
            if least + reach.get(change.nutrient, 0.0) == pytest.approx(amount):
                assert with_another(reached, offers, change.nutrient, least * (1 - 1e-6)).unmet
            if "most" in change.after:
                most = change.after["most"] * (1 + 1e-6)
                assert with_another(reached, offers, change.nutrient, most).unmet


@given(some_needs, some_offers)
def test_changes_are_named_for_unmet_needs_only_the_smallest_first(
    needs: list[Need], offers: list[Offer]
) -> None:
    dose = choose_pieces(needs, offers)
    changes = smallest_changes(needs, offers, dose)
    assert {c.nutrient for c in changes} <= {u.nutrient for u in dose.unmet}
    sizes = [inf if c.relative is None else c.relative for c in changes]
    assert sizes == sorted(sizes)
    for unmet in dose.unmet:  # what some product contains can always be lowered
        if any(unmet.nutrient in o.contents for o in offers):
            assert any(
                c.kind is ChangeKind.LOWER_REQUIREMENT and unmet.nutrient in c.after
                for c in changes
            )


@given(some_needs, some_offers)
def test_a_conflict_names_a_need_and_a_limit_that_alone_exclude_each_other(
    needs: list[Need], offers: list[Offer]
) -> None:
    by_name = {n.nutrient: n for n in needs}
    dose = choose_pieces(needs, offers)
    for conflict in conflicts(needs, offers, dose):
        need, limit = by_name[conflict.need], by_name[conflict.limit]
        only = {need.nutrient: Need(need.nutrient, need.amount)}
        only[limit.nutrient] = Need(
            limit.nutrient, need.amount if need is limit else 0.0, limit.room
        )
        alone = choose_pieces(list(only.values()), offers)
        assert alone.totals.get(need.nutrient, 0.0) == pytest.approx(conflict.reachable)
        assert conflict.reachable < need.amount


# --- cases

MULTI = Offer("MULTI", {"VITE": 100.0, "VITA": 1000.0})
LIMITED = [Need("VITE", 500, unit="IU"), Need("VITA", 0, 3500, unit="IU")]


def words(needs: Sequence[Need], offers: Sequence[Offer]) -> list[str]:
    return [c.words for c in smallest_changes(needs, offers, choose_pieces(needs, offers))]


def test_a_multivitamin_that_passes_a_limit_is_told_with_every_way_out() -> None:
    assert words(LIMITED, [MULTI]) == [
        "add 300 IU of VITE instead of 500 IU",
        "allow 5000 IU of VITA to be added instead of 3500 IU",
        "find a product with VITE alone, so that what is given of it contains at least 200 IU",
    ]


def test_halving_comes_first_where_it_is_enough() -> None:
    needs = [Need("VITE", 150, 160, unit="IU")]
    said = words(needs, [replace(MULTI, contents={"VITE": 100.0}, may_halve=True)])
    assert said[0] == "give MULTI in half tablets"
    assert "give MULTI in half tablets" not in words(needs, [replace(MULTI, may_halve=False)])


def test_more_tablets_than_24_are_asked_for_by_the_tablet() -> None:
    needs = [Need("VITE", 5000, unit="IU")]
    halves = Offer("E-100", {"VITE": 50.0}, pieces_per_unit=2)
    assert "allow 50 of E-100 in a day instead of 24" in words(needs, [halves])


def test_where_two_limits_stand_in_the_way_both_are_named_and_it_is_not_called_the_smallest() -> (
    None
):
    multi = Offer("MULTI", {"VITE": 100.0, "VITA": 1000.0, "VITD": 100.0})
    needs = [*LIMITED, Need("VITD", 0, 300, unit="IU")]
    (raised,) = (
        c
        for c in smallest_changes(needs, [multi], choose_pieces(needs, [multi]))
        if c.kind is ChangeKind.RAISE_LIMIT
    )
    assert raised.after == {"VITA": 5000.0, "VITD": 500.0}
    assert not raised.smallest
    assert raised.words.endswith("(less may be enough)")


def test_a_need_without_a_product_asks_for_one_and_for_nothing_else() -> None:
    needs = [Need("THIA", 125, 250, unit="mg"), *LIMITED]
    dose = choose_pieces(needs, [MULTI])
    changes = [c for c in smallest_changes(needs, [MULTI], dose) if c.nutrient == "THIA"]
    assert [c.kind for c in changes] == [ChangeKind.ANOTHER_PRODUCT]
    assert changes[0].after == {"least": 125, "most": 250}


def test_needs_that_only_together_pass_a_limit_are_no_conflict_of_one_with_it() -> None:
    offers = [
        Offer("B", {"THIA": 10.0, "VITA": 100.0}, may_halve=True),
        Offer("E", {"VITE": 10.0, "VITA": 100.0}, may_halve=True),
    ]
    needs = [Need("THIA", 10), Need("VITE", 10), Need("VITA", 0, 150)]
    dose = choose_pieces(needs, offers)
    assert len(dose.unmet) == 1
    assert conflicts(needs, offers, dose) == ()
    assert "allow 200 of VITA to be added instead of 150" in words(needs, offers)


def test_where_all_is_met_nothing_need_change() -> None:
    assert words([Need("VITE", 100)], [MULTI]) == []
    assert most_pieces(MULTI) == 24
