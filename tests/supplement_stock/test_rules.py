"""Batches: which is used next, what may be given, how the books add up."""

from datetime import UTC, date, datetime, timedelta
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import DoseForm
from service.decisions import Outcome
from service.site.rules import default_policy
from service.supplement_stock.rules import (
    Balance,
    Batch,
    Entry,
    State,
    balance,
    daily_use,
    days_of_stock,
    expiry,
    in_milli,
    key_of,
    next_to_use,
    no_such_batch,
    runs_out,
    same_strength,
    state_of,
    stock_milli,
    unlike_product,
    usable,
)

DAY = date(2031, 5, 1)
NOON = datetime(2031, 5, 1, 12, tzinfo=UTC)
POLICY = default_policy()


def jar(number: int = 1, expires: date = DAY, left: float = 10.0, **contents: float) -> Batch:
    return Batch(number, 1, 1, f"LOT-{number}", expires, contents or {"THIA": 100.0}, left)


def test_a_batch_may_be_given_on_the_day_printed_on_it_and_not_on_the_next() -> None:
    batch = jar(expires=DAY)
    assert not list(usable(batch, DAY))
    (found,) = usable(batch, DAY + timedelta(days=1))
    assert (found.rule, found.outcome, found.may_override) == (
        "supplement-expired",
        Outcome.BLOCK,
        ("vet",),
    )


@given(st.integers(-400, 400))
def test_waiting_never_makes_an_expired_batch_usable(days: int) -> None:
    batch, on = jar(), DAY + timedelta(days=days)
    if list(usable(batch, on)):
        assert list(usable(batch, on + timedelta(days=1)))


@pytest.mark.parametrize(
    ("days_before", "state", "outcome"),
    [
        (61, State.USABLE, None),
        (60, State.EXPIRES_SOON, Outcome.WARN),
        (0, State.EXPIRES_SOON, Outcome.WARN),
        (-1, State.EXPIRED, Outcome.BLOCK),
    ],
)
def test_sixty_days_before_a_batch_expires_it_is_said(
    days_before: int, state: State, outcome: Outcome | None
) -> None:
    on = DAY - timedelta(days=days_before)
    assert state_of(jar(), on, POLICY) is state
    assert [f.outcome for f in expiry(jar(), on, POLICY)] == ([outcome] if outcome else [])
    assert state_of(jar(left=0), on, POLICY) is State.USED_UP


def test_another_strength_than_planned_stops_and_nobody_overrides_it() -> None:
    batch = jar(THIA=110.0)
    (found,) = same_strength(batch, {"THIA": 100.0})
    assert (found.rule, found.outcome, found.may_override) == (
        "strength-differs",
        Outcome.BLOCK,
        (),
    )
    assert found.numbers == {"batch": 110.0, "planned": 100.0, "nutrient": "THIA"}
    assert not list(same_strength(batch, {"THIA": 110.0}))
    assert not list(same_strength(jar(THIA=0.1 + 0.2), {"THIA": 0.3})), "written otherwise"
    assert [f.outcome for f in unlike_product(batch, {"THIA": 100.0})] == [Outcome.WARN]


def test_a_nutrient_that_only_one_of_them_names_differs() -> None:
    assert len(list(same_strength(jar(THIA=100.0), {"THIA": 100.0, "VITE": 5.0}))) == 1
    assert len(list(same_strength(jar(THIA=100.0, VITE=5.0), {"THIA": 100.0}))) == 1


def test_a_batch_of_ten_times_the_strength_is_another_product() -> None:
    product = {"THIA": 100.0, "VITE": 50.0}
    assert no_such_batch({"THIA": 95.0, "VITE": 60.0, "RIBF": 1.0}, product) is None
    assert no_such_batch({"THIA": 1000.0, "VITE": 50.0}, product) is None
    assert "slip" in (no_such_batch({"THIA": 1001.0, "VITE": 50.0}, product) or "")
    assert "slip" in (no_such_batch({"THIA": 9.0, "VITE": 50.0}, product) or "")
    assert "VITE" in (no_such_batch({"THIA": 100.0}, product) or "")


def test_the_first_to_expire_is_used_first_and_nothing_past_its_date() -> None:
    late, soon = jar(1, DAY + timedelta(days=90)), jar(2, DAY + timedelta(days=30))
    past, empty = jar(3, DAY - timedelta(days=1)), jar(4, DAY, left=0)
    assert next_to_use([late, past, soon, empty], DAY) == soon
    assert next_to_use([past, empty], DAY) is None
    twin = jar(5, soon.expires_on)
    assert next_to_use([twin, soon], DAY) == soon, "of equal dates the one that came first"


def test_stock_lasts_as_long_as_what_is_used_before_it_expires() -> None:
    """By hand: 2 a day; 10 pieces good for 3 days give 3; 8 more that keep give 4."""
    soon, late = jar(1, DAY + timedelta(days=2), 10), jar(2, DAY + timedelta(days=300), 8)
    assert days_of_stock([late, soon], 2, DAY) == 7
    assert days_of_stock([], 2, DAY) == 0
    assert days_of_stock([soon], 0, DAY) == inf
    assert runs_out(14, POLICY) and not runs_out(14.1, POLICY)


@given(st.lists(st.tuples(st.integers(-5, 100), st.integers(0, 50)), max_size=5))
def test_stock_never_lasts_longer_than_its_pieces_or_its_last_day(
    jars: list[tuple[int, int]],
) -> None:
    batches = [
        jar(n, DAY + timedelta(days=days), pieces)
        for n, (days, pieces) in enumerate(jars)
        if days >= 0
    ]
    days = days_of_stock(batches, 3, DAY)
    assert days <= sum(b.left for b in batches) / 3 + 1e-9
    assert days <= max([(b.expires_on - DAY).days + 1 for b in batches], default=0)


def test_what_is_used_in_a_day_counts_from_the_first_day_of_use() -> None:
    assert daily_use(28, DAY - timedelta(days=13), DAY) == 2
    assert daily_use(28, DAY - timedelta(days=6), DAY) == 4
    assert daily_use(5, DAY, DAY) == 5
    assert daily_use(0, None, DAY) == 0


def test_stock_is_counted_in_thousandths_and_tablets_in_halves() -> None:
    assert in_milli(0.1 + 0.2) == 300
    assert stock_milli(DoseForm.POWDER, 999.999) == 999_999
    assert stock_milli(DoseForm.TABLET, 2.5) == 2500
    for form, count in ((DoseForm.TABLET, 0.3), (DoseForm.CAPSULE, 0.5), (DoseForm.LIQUID, 1e-4)):
        with pytest.raises(ValueError, match=r"counted|three decimals"):
            stock_milli(form, count)
    assert key_of("lot 12-A") == key_of("LOT12-a ") != key_of("LOT12A")


ENTRIES = st.lists(
    st.tuples(st.integers(0, 20), st.integers(-50, 50), st.one_of(st.none(), st.integers(0, 60))),
    max_size=12,
)


def as_entries(rows: list[tuple[int, int, int | None]]) -> list[Entry]:
    return [
        Entry(NOON + timedelta(hours=hour), number, milli, counted)
        for number, (hour, milli, counted) in enumerate(rows)
    ]


@given(ENTRIES, st.randoms(use_true_random=False))
def test_the_order_in_which_things_are_told_changes_no_balance(rows, random) -> None:  # type: ignore[no-untyped-def]
    entries = as_entries(rows)
    shuffled = list(entries)
    random.shuffle(shuffled)
    assert balance(shuffled) == balance(entries)
    assert balance(entries).milli >= 0


@given(ENTRIES, ENTRIES)
def test_a_balance_can_be_carried_forward(before, after) -> None:  # type: ignore[no-untyped-def]
    """What the books of now say is enough for whatever comes later: posting relies on it."""
    first = as_entries(before)
    later = [
        Entry(e.occurred_at + timedelta(days=2), 100 + e.number, e.milli, e.counted_milli)
        for e in as_entries(after)
    ]
    carried = Entry(NOON + timedelta(days=1), 99, balance(first).milli)
    assert balance([carried, *later]).milli == balance([*first, *later]).milli


def test_a_count_holds_whatever_the_books_said() -> None:
    hour = timedelta(hours=1)
    entries = [Entry(NOON, 1, 100), Entry(NOON + 2 * hour, 2, counted_milli=90)]
    assert balance(entries) == Balance(90)
    assert balance([*entries, Entry(NOON + hour, 3, -10)]) == Balance(90), "told late"
    assert balance([*entries, Entry(NOON + 3 * hour, 3, -10)]) == Balance(80)
    assert balance([*entries, Entry(NOON + 3 * hour, 3, -95)]) == Balance(0, 5)
