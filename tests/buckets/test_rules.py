"""What the rules of buckets promise, whatever the fish."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from service.buckets.rules.pieces import (
    Filled,
    Ordered,
    Part,
    PieceKind,
    Put,
    Waits,
    free_of_thiaminase,
    left_of,
    moved,
    not_again,
    put_in,
)
from service.buckets.rules.sharing import (
    Thawed,
    Wanted,
    in_proportion,
    share_out,
    steps_of,
)
from service.buckets.rules.states import (
    BucketState,
    EventKind,
    Happened,
    cold_findings,
    feed_by,
    out_of_cold,
    state_of,
)
from service.decisions import Outcome
from service.site.rules import default_policy

NOON = datetime(2031, 5, 1, 12, tzinfo=UTC)
POLICY = default_policy()


def hours(number: float) -> timedelta:
    return timedelta(hours=number)


def stood(*places: tuple[str, float]) -> list[Happened]:
    """Where a bucket stood, from how many hours after noon."""
    return [Happened(EventKind(kind), NOON + hours(at), n) for n, (kind, at) in enumerate(places)]


def outcome(events: list[Happened], at: float) -> Outcome:
    (found,) = cold_findings(events, NOON + hours(at), POLICY, bucket="B")
    return found.outcome


# --- time out of the cold


def test_an_hour_out_of_the_cold_is_allowed_and_a_second_more_is_not() -> None:
    events = stood(("out", 0))
    assert outcome(events, 1) is Outcome.PASS
    assert outcome(events, 1 + 1 / 3600) is Outcome.BLOCK


def test_under_ice_it_may_stand_for_four_hours() -> None:
    events = stood(("iced", 0))
    assert outcome(events, 4) is Outcome.PASS
    assert outcome(events, 4 + 1 / 3600) is Outcome.BLOCK


def test_time_with_and_without_ice_counts_together_and_the_cold_takes_none_of_it_back() -> None:
    # Half of one hour, and half of four.
    events = stood(("out", 0), ("cold", 0.5), ("iced", 10.5))
    assert outcome(events, 12.5) is Outcome.PASS
    assert outcome(events, 12.51) is Outcome.BLOCK


def test_a_bucket_of_which_nobody_said_where_it_stood_is_warned_of() -> None:
    assert outcome([], 1) is Outcome.WARN


def test_until_when_it_may_stay_is_when_it_would_first_be_refused() -> None:
    events = stood(("iced", 0), ("out", 2))
    until = feed_by(events, NOON + hours(2.25), POLICY)
    assert until == NOON + hours(2.5)
    assert outcome(events, 2.5) is Outcome.PASS
    assert feed_by(stood(("cold", 0)), NOON + hours(3), POLICY) is None


@given(
    st.lists(st.tuples(st.sampled_from(["out", "iced", "cold"]), st.integers(0, 600)), max_size=8),
    st.integers(0, 700),
    st.integers(0, 300),
)
def test_waiting_never_makes_a_bucket_colder(
    places: list[tuple[str, int]], at: int, longer: int
) -> None:
    events = stood(*((kind, minute / 60) for kind, minute in places))
    now, later = (out_of_cold(events, NOON + timedelta(minutes=m)) for m in (at, at + longer))
    assert later.out >= now.out and later.iced >= now.iced
    assert now.out + now.iced <= timedelta(minutes=at)


def test_what_was_recorded_last_says_how_far_a_bucket_is() -> None:
    fed = [Happened(EventKind.WEIGHED_OUT, NOON, 1), Happened(EventKind.FED, NOON, 2)]
    assert state_of([]) is BucketState.PLANNED
    assert state_of(fed[:1]) is BucketState.WEIGHED_OUT
    assert state_of(fed) is BucketState.FED


# --- sharing out


def a_batch(number: int, grams: int, until: float, species: str = "HER") -> Thawed:
    return Thawed(number, species, grams, NOON + hours(until))


def test_what_must_be_fed_first_goes_into_the_first_buckets() -> None:
    shared = share_out(
        [Wanted(1, "HER", 300, NOON + hours(4)), Wanted(0, "HER", 300, NOON)],
        [a_batch(7, 400, 20), a_batch(5, 200, 5)],
    )
    assert [(s.key, s.batch_id, s.grams) for s in shared.shares] == [
        (0, 5, 200),
        (0, 7, 100),
        (1, 7, 300),
    ]
    assert shared.short == ()


def test_no_bucket_gets_fish_whose_clock_ends_before_its_feed() -> None:
    shared = share_out([Wanted(0, "HER", 300, NOON + hours(6))], [a_batch(5, 400, 5.99)])
    assert shared.shares == ()
    assert shared.short[0].grams == 300


fish = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 5)), min_size=1, max_size=5)


@given(fish, fish)
def test_no_other_sharing_feeds_more(
    wanted: list[tuple[int, int]], thawed: list[tuple[int, int]]
) -> None:
    """Against the linear program of the same transport, solved by SciPy (HiGHS)."""
    needs = [Wanted(n, "HER", g, NOON + hours(h)) for n, (g, h) in enumerate(wanted)]
    batches = [a_batch(n, g, h) for n, (g, h) in enumerate(thawed)]
    shared = share_out(needs, batches)
    served = sum(s.grams for s in shared.shares)

    rows, most = [], []
    for axis, amounts in ((0, wanted), (1, thawed)):
        for n, (grams, _) in enumerate(amounts):
            one = np.zeros((len(needs), len(batches)))
            one[(n, slice(None)) if axis == 0 else (slice(None), n)] = 1
            rows.append(one.ravel())
            most.append(grams)
    reaches = [b.discard_after >= w.feed_at for w in needs for b in batches]
    best = linprog(
        [-1] * len(reaches),
        A_ub=np.array(rows),
        b_ub=most,
        bounds=[(0, None if may else 0) for may in reaches],
    )
    assert served == round(-best.fun)
    assert served + sum(s.grams for s in shared.short) == sum(g for g, _ in wanted)
    for batch in batches:
        assert sum(s.grams for s in shared.shares if s.batch_id == batch.batch_id) <= batch.grams


@given(st.lists(st.integers(0, 10_000), min_size=1, max_size=8), st.data())
def test_what_is_left_is_shared_to_the_gram_and_never_more_than_was_offered(
    weights: list[int], data: st.DataObject
) -> None:
    left = data.draw(st.integers(0, sum(weights)))
    parts = in_proportion(left, weights)
    assert sum(parts) == left
    assert all(0 <= part <= weight for part, weight in zip(parts, weights, strict=True))


def test_a_scale_that_shows_less_than_before_is_not_believed() -> None:
    assert steps_of([900, 1500, 1500], 400) == [500, 600, 0]
    with pytest.raises(ValueError, match="less than before"):
        steps_of([900, 899], 400)
    with pytest.raises(ValueError, match="less than before"):
        steps_of([399], 400)


# --- pieces

TABLET = Ordered(PieceKind.MEDICATION, 3, 1, "Tablet", 1.0, feeds=2)
VITAMIN = Ordered(PieceKind.SUPPLEMENT, 8, 1, "B1-100", 2.0)
FEEDS = [Filled(n, frozenset({1, 2}), ("HER", "WHG")) for n in range(4)]


def test_a_supplement_goes_into_the_first_feed_in_fish_without_thiaminase() -> None:
    # Whiting has none, herring has: thiaminase.csv, Geraci 1972 and others.
    (there,) = put([VITAMIN], FEEDS, {})
    assert (there.bucket, there.fish) == (0, "WHG")


def test_a_medicine_goes_into_as_many_feeds_as_ordered_and_only_the_fish_ordered() -> None:
    assert [each.bucket for each in put([TABLET], FEEDS, {})] == [0, 1]
    in_capelin = Ordered(PieceKind.MEDICATION, 3, 1, "Tablet", 1.0, fish="CAP")
    assert list(put_in([in_capelin], FEEDS, {})) == []


def put(*args: Any, **more: Any) -> list[Put]:
    return [each for each in put_in(*args, **more) if isinstance(each, Put)]


def waits(*args: Any, **more: Any) -> list[Waits]:
    return [each for each in put_in(*args, **more) if isinstance(each, Waits)]


def test_nothing_goes_into_another_animals_fish() -> None:
    assert list(put_in([TABLET], [Filled(0, frozenset({2}), ("HER",))], {})) == []


@given(st.lists(st.integers(1, 4), min_size=1, max_size=6))
def test_however_often_buckets_are_made_a_day_holds_no_more_pieces_than_ordered(
    calls: list[int],
) -> None:
    before: dict[tuple[PieceKind, int, str], float] = {}
    for number in calls:
        for each in put([TABLET, VITAMIN], FEEDS[:number], before):
            used = each.ordered.used(each.count)
            before[each.ordered.key] = before.get(each.ordered.key, 0) + used
    assert before[TABLET.key] <= 2
    assert before[VITAMIN.key] == 2


def test_a_supplement_that_is_split_goes_into_the_feeds_and_fish_that_the_order_names() -> None:
    feeds = [Filled(n, frozenset({1}), ("HER", "WHG"), number=n + 1) for n in range(3)]
    parts = (Part(3.0, 1, "HER"), Part(2.0, 3, "WHG"))
    order = Ordered(PieceKind.SUPPLEMENT, 8, 1, "B1-100", 5.0, parts=parts)
    there = [(p.bucket, p.count, p.fish) for p in put([order], feeds, {})]
    assert there == [(0, 3.0, "HER"), (2, 2.0, "WHG")]
    # The third feed made alone has its own part; four put in by hand leave one.
    assert [p.count for p in put([order], feeds[2:], {})] == [2.0]
    assert [p.count for p in put([order], feeds, {order.key: 4.0})] == [1.0]


def thiamine(*parts: Part) -> Ordered:
    return Ordered(
        PieceKind.SUPPLEMENT,
        8,
        1,
        "B1-100",
        sum(p.count for p in parts) or 2.0,
        parts=parts,
        nutrients=frozenset({"THIA", "VITC"}),
    )


def a_feed(number: int, *species: str, free: frozenset[str] | None = None) -> Filled:
    return Filled(number, frozenset({1}), species, number=number, free=free)


@pytest.mark.parametrize("order", [thiamine(), thiamine(Part(2.0, 1, "WHG")), thiamine(Part(2.0))])
def test_thiamine_waits_rather_than_go_into_fish_that_may_destroy_it(order: Ordered) -> None:
    # Herring carries thiaminase, of capelin some tests do: thiaminase.csv, Geraci 1972, NRC 1982.
    feeds = [a_feed(1, "HER", "CAP")]
    assert put([order], feeds, {}) == []
    assert [w.count for w in waits([order], feeds, {})] == [2.0]


def test_thiamine_for_a_fish_that_is_not_there_goes_into_another_that_is_fit_for_it() -> None:
    order = thiamine(Part(2.0, 1, "WHG"))
    (there,) = put([order], [a_feed(1, "HER", "COD")], {})
    assert (there.fish, there.count) == ("COD", 2.0)
    # Ordered for any feed, from before feeds were named: the first that is fit.
    (there,) = put([thiamine()], [a_feed(1, "HER"), a_feed(2, "HER", "WHG")], {})
    assert (there.bucket, there.fish) == (2, "WHG")


def test_what_a_laboratory_found_in_the_lot_counts_for_more_than_the_species() -> None:
    order = thiamine(Part(2.0, 1, "WHG"))
    tested = a_feed(1, "HER", "WHG", free=free_of_thiaminase([("HER", False), ("WHG", True)]))
    (there,) = put([order], [tested], {})
    assert there.fish == "HER"


def test_what_was_ordered_apart_from_feeds_goes_into_none_whatever_the_fish() -> None:
    apart = Part(2.0, at=NOON, how="by hand, 2 h before the feed")
    # Plans from feeds do not know when: they only say how.
    for order in (thiamine(apart), thiamine(Part(2.0, how="by hand, 2 h before the feed"))):
        assert put([order], [a_feed(1, "WHG")], {}) == []
        assert [w.part for w in waits([order], [a_feed(1, "WHG")], {})] == list(order.parts)
        assert waits([order], [], {order.key: 2.0}) == []


def test_other_supplements_go_into_any_fish() -> None:
    (there,) = put([VITAMIN], [a_feed(1, "HER")], {})
    assert there.fish == "HER"


def test_a_part_for_a_feed_that_the_day_does_not_have_goes_into_its_last() -> None:
    parts = tuple(Part(1.0, feed, "WHG") for feed in (1, 2, 3))
    order = Ordered(PieceKind.SUPPLEMENT, 8, 1, "SALT", 3.0, parts=parts)
    feeds = [a_feed(1, "WHG"), a_feed(2, "WHG")]
    there = put([order], feeds, {}, {1: {1, 2}})
    assert [(p.bucket, p.count, p.meant) for p in there] == [(1, 1.0, None), (2, 2.0, 3)]
    assert [f.rule for p in there for f in moved(p, "BRINE")] == ["piece-in-another-feed"]
    # The first feed alone is not the last of the day; of a day with three feeds nothing moves.
    assert [p.count for p in put([order], feeds[:1], {}, {1: {1, 2}})] == [1.0]
    assert [p.count for p in put([order], feeds, {}, {1: {1, 2, 3}})] == [1.0, 1.0]


def test_a_part_for_a_feed_that_is_gone_still_goes_into_no_fish_that_destroys_it() -> None:
    order = thiamine(Part(1.0, 1, "WHG"), Part(1.0, 3, "WHG"))
    feeds = [a_feed(1, "WHG"), a_feed(2, "HER")]
    assert [p.bucket for p in put([order], feeds, {}, {1: {1, 2}})] == [1]
    assert [w.part.feed for w in waits([order], feeds, {}, {1: {1, 2}})] == [3]


amounts = st.integers(1, 8).map(lambda n: n / 2)
a_part = st.builds(
    Part,
    count=amounts,
    feed=st.sampled_from([None, 1, 2, 3, 4]),
    fish=st.sampled_from([None, "HER", "WHG"]),
)
some_feeds = st.lists(
    st.lists(st.sampled_from(["HER", "CAP", "WHG", "COD"]), min_size=1, max_size=3, unique=True),
    max_size=4,
)


@given(st.lists(a_part, min_size=1, max_size=4), some_feeds, st.integers(0, 12), st.booleans())
def test_every_piece_is_put_somewhere_or_waits_and_none_of_thiamine_is_destroyed(
    parts: list[Part], fish: list[list[str]], before: int, holds: bool
) -> None:
    order = replace(thiamine(*parts), nutrients=frozenset({"THIA"} if holds else {"VITE"}))
    feeds = [a_feed(n, *species) for n, species in enumerate(fish, start=1)]
    done = {order.key: float(before)}
    numbers = {1: {b.number for b in feeds}}
    there, rest = put([order], feeds, done, numbers), waits([order], feeds, done, numbers)
    so_far = sum(p.count for p in there)
    assert so_far + sum(w.count for w in rest) == max(0.0, order.count - before)
    assert len({(p.bucket, p.fish) for p in there}) == len(there)
    if holds:
        assert all(p.fish in {"WHG", "COD"} for p in there)


def test_more_than_is_left_of_a_day_is_not_put_in_again() -> None:
    order = Ordered(PieceKind.SUPPLEMENT, 8, 1, "E-400", 3.0)
    before = {order.key: 1.0}
    assert left_of(order, before) == 2.0
    assert list(not_again(order, 2.0, before, "BRINE", NOON.date())) == []
    (found,) = not_again(order, 2.5, before, "BRINE", NOON.date())
    assert (found.rule, found.numbers) == ("placed-before", {"before": 1.0, "ordered": 3.0})
    tenths = replace(order, count=0.3)
    assert list(not_again(tenths, 0.1, {order.key: 0.1 + 0.1}, "BRINE", NOON.date())) == []
