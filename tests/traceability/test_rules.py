"""Which codes match, and that what was taken back leaves nothing."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.ledger.rules import Account, MovementKind
from service.traceability.rules import Flow, Match, Moved, matches, moves, whereabouts


@pytest.mark.parametrize(
    ("asked", "written", "match"),
    [
        ("A77", "a-77", Match.EXACT),
        ("A77", "A077", Match.LOOK_ALIKE),
        ("AO7", "A07", Match.LOOK_ALIKE),
        ("L-12", "112", Match.LOOK_ALIKE),
        ("A77", "A78", None),
    ],
)
def test_a_lot_is_the_one_or_looks_like_it_or_is_another(
    asked: str, written: str, match: Match | None
) -> None:
    assert matches(asked, [written]) == [match]
    assert matches(written, [asked]) == [match]


NOWHERE = Flow(1, "", False, None, None, None, None, 0)


def a_flow(kind: str, grams: int, **ends: Any) -> Flow:
    return replace(NOWHERE, kind=kind, grams=grams, **ends)


def test_condemned_and_returned_fish_is_told_apart_from_discarded() -> None:
    flows = [
        a_flow("received", 100, from_account="supplier"),
        a_flow("discarded", 7, to_account="discarded"),
        a_flow("condemned", 20, to_account="discarded"),
        a_flow("returned_to_supplier", 30, to_account="supplier"),
        a_flow("counted", 3, to_account="count_difference"),
    ]
    found = whereabouts(flows, on_hand=40)
    assert (found.discarded, found.condemned, found.returned) == (7, 20, 30)
    assert (found.received, found.missing, found.unaccounted) == (100, 3, 0)


def test_a_move_that_was_taken_back_moved_nothing() -> None:
    there = a_flow("moved", 10, from_place_id=1, to_place_id=2)
    back = a_flow("moved", 10, taken_back=True, from_place_id=2, to_place_id=1)
    assert moves([there, back]) == []
    assert moves([there]) == [Moved("moved", 1, 2, 10)]


kinds = st.sampled_from([k for k in MovementKind if k is not MovementKind.REVERSED])


@given(st.lists(st.tuples(kinds, st.sampled_from(Account), st.booleans(), st.integers(1, 99))))
def test_no_gram_is_unaccounted_for_whatever_kind_of_event_carried_it(
    events: list[tuple[MovementKind, Account, bool, int]],
) -> None:
    flows = [
        a_flow(kind, grams, **{"to_account" if out else "from_account": account})
        for kind, account, out, grams in events
    ]
    on_hand = sum(-grams if out else grams for _, _, out, grams in events)
    assert whereabouts(flows, on_hand).unaccounted == 0
