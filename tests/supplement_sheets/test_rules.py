"""Portions of an order over a day: what is placed, due and done never exceeds what is ordered."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.supplement_sheets.rules import (
    Due,
    Paper,
    breakable,
    chosen_paper,
    left_of,
    still_due,
    time_of,
)

halves = st.integers(1, 12).map(lambda n: n / 2)
portions = st.lists(halves, max_size=5).map(
    lambda counts: [Due(c, "by hand", n, None, None) for n, c in enumerate(counts, start=1)]
)


@given(portions, st.integers(0, 60).map(lambda n: n / 2))
def test_what_is_placed_and_what_is_still_due_are_the_order(due: list[Due], placed: float) -> None:
    rest = sum(each.count for each in still_due(due, placed))
    ordered = sum(each.count for each in due)
    assert rest == max(0.0, ordered - placed)
    assert all(each.count > 0 for each in still_due(due, placed))


@given(st.lists(halves, max_size=6), st.integers(0, 80))
def test_what_waits_is_what_was_ordered_less_what_was_recorded_the_earliest_first(
    counts: list[float], recorded_halves: int
) -> None:
    recorded = recorded_halves / 2
    left = left_of(counts, recorded)
    assert sum(left) == max(0.0, sum(counts) - recorded)
    assert all(0 <= rest <= count for rest, count in zip(left, counts, strict=True))
    begun = [n for n, rest in enumerate(left) if rest]
    assert not begun or left[begun[0] + 1 :] == counts[begun[0] + 1 :]


@given(st.text(max_size=200))
def test_places_to_break_change_nothing_that_is_read(words: str) -> None:
    plain = words.replace("\u200b", "")
    assert breakable(plain).replace("\u200b", "") == plain
    assert all(len(part) <= 20 for part in breakable(plain).replace(" ", "\u200b").split("\u200b"))


def test_pieces_apart_keep_their_hour_when_clocks_are_put_back() -> None:
    """Berlin, 25 October 2026: summer time ends; 06:00 stays 06:00 on the wall."""
    zone = ZoneInfo("Europe/Berlin")
    apart = Due(2, "by hand", None, datetime(2026, 10, 20, 4, 0, tzinfo=UTC), None)
    before = time_of(apart, {}, date(2026, 10, 24), zone)
    after = time_of(apart, {}, date(2026, 10, 26), zone)
    assert before is not None and before.astimezone(UTC).hour == 4
    assert after is not None and after.astimezone(UTC).hour == 5
    assert (before.hour, after.hour) == (6, 6)


def test_a_feed_that_is_not_there_any_more_gives_way_to_the_last_of_the_day() -> None:
    feeds = {1: datetime(2026, 11, 25, 8, tzinfo=UTC), 2: datetime(2026, 11, 25, 16, tzinfo=UTC)}
    gone = Due(1, "by hand", 3, datetime(2026, 11, 20, 18, tzinfo=UTC), "CAP")
    assert time_of(gone, feeds, date(2026, 11, 25), UTC) == feeds[2]
    assert time_of(gone, {}, date(2026, 11, 25), UTC) is None


@pytest.mark.parametrize(
    ("accept", "paper"),
    [
        ("", Paper.JSON),
        ("*/*", Paper.JSON),
        ("application/pdf", Paper.PDF),
        ("text/csv, application/json", Paper.CSV),
        ("text/html, application/pdf;q=0.5", Paper.PDF),
    ],
)
def test_the_first_kind_that_is_there_is_answered(accept: str, paper: Paper) -> None:
    assert chosen_paper(accept) is paper
