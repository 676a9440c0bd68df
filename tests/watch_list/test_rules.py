"""When somebody is looked at, and when it is over: laws, and cases worked out by hand."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assays.rules.limits import units
from service.figures import table
from service.site.rules import default_policy
from service.watch_list.rules.hazards import (
    Hazard,
    Sign,
    Span,
    hazard_of_test,
    hazards,
    signs_of,
    span_of,
)
from service.watch_list.rules.rounds import (
    Fed,
    Look,
    RoundState,
    Schedule,
    due_times,
    is_over,
    is_watched,
    rounds_of,
    until,
)

OPENED = datetime(2026, 11, 26, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def schedule(hours: float = 72, round_h: float = 4, look_back_days: float = 7) -> Schedule:
    return Schedule(OPENED, hours, round_h, look_back_days)


def fed(before_h: float, known_before_h: float | None = None) -> Fed:
    last = OPENED - before_h * HOUR
    known = last if known_before_h is None else OPENED - known_before_h * HOUR
    return Fed(last - 24 * HOUR, last, known)


def test_the_first_look_is_at_once_and_the_last_72_h_after_the_last_feed() -> None:
    # Fed at 22:00 the evening before, so 64 h are left: looks 0, 4, … 60 h, and 64 h.
    due = due_times(schedule(), fed(8))
    assert due[0] == OPENED and due[-1] == OPENED + 64 * HOUR
    assert due == tuple(OPENED + 4 * i * HOUR for i in range(17))


def test_whoever_ate_of_it_longer_than_72_h_ago_is_looked_at_once() -> None:
    assert due_times(schedule(), fed(100)) == (OPENED,)
    assert until(schedule(), fed(100)) == OPENED


def test_whoever_ate_of_it_a_week_and_a_second_ago_is_listed_and_not_watched() -> None:
    assert is_watched(schedule(), fed(7 * 24))
    assert not is_watched(schedule(), fed(7 * 24 + 1 / 3600))
    assert rounds_of(schedule(), fed(7 * 24 + 1), [], at=OPENED) == ()


def test_a_hazard_of_two_weeks_is_watched_for_two_weeks_whatever_the_days_looked_back() -> None:
    assert is_watched(schedule(hours=336), fed(10 * 24))
    assert until(schedule(hours=336), fed(10 * 24)) == OPENED + 96 * HOUR


def test_where_no_watch_shows_anything_nobody_is_looked_at() -> None:
    assert not is_watched(schedule(hours=0), fed(1))


def test_rounds_that_nobody_could_know_of_are_not_asked_for() -> None:
    # Fed before the watch was opened, recorded 10 h after that.
    due = due_times(schedule(), fed(2, known_before_h=-10))
    assert due[0] == OPENED + 10 * HOUR and due[-1] == OPENED + 70 * HOUR


def test_a_look_counts_for_the_round_that_is_nearest() -> None:
    looks = [Look(OPENED + h * HOUR) for h in (0.5, 5.9, 6.1)]
    found = rounds_of(schedule(), fed(0), looks, at=OPENED + 6.2 * HOUR)
    assert [r.state for r in found[:4]] == [
        RoundState.DONE,
        RoundState.DONE,
        RoundState.DONE,
        RoundState.COMING,
    ]
    assert [r.look for r in found[:3]] == [0, 1, 2]


@pytest.mark.parametrize(
    ("after_h", "state"),
    [
        (3.99, RoundState.COMING),
        (4, RoundState.DUE),
        (5, RoundState.DUE),
        (5.01, RoundState.OVERDUE),
        (5.99, RoundState.OVERDUE),
        (6, RoundState.MISSED),
    ],
)
def test_a_look_is_due_then_overdue_after_an_hour_then_missed(
    after_h: float, state: RoundState
) -> None:
    found = rounds_of(schedule(), fed(0), [], at=OPENED + after_h * HOUR)
    assert found[1].state is state


def test_the_last_look_is_never_missed_only_overdue() -> None:
    found = rounds_of(schedule(), fed(0), [], at=OPENED + 1000 * HOUR)
    assert {r.state for r in found[:-1]} == {RoundState.MISSED}
    assert found[-1].state is RoundState.OVERDUE


def test_it_is_over_after_the_last_look_unless_something_was_seen_then() -> None:
    end = OPENED + 72 * HOUR
    for look, at, over in (
        (Look(end), end, True),
        (Look(end - HOUR), end - HOUR, False),
        (Look(end - HOUR), end, True),
        (Look(end, noticed=True), end + 99 * HOUR, False),
    ):
        found = rounds_of(schedule(), fed(0), [look], at=at)
        assert is_over(found, [look], at=at) is over
    assert not is_over(rounds_of(schedule(), fed(0), [], at=end + HOUR), [], at=end + HOUR)


schedules = st.builds(
    Schedule,
    st.just(OPENED),
    st.floats(0.5, 400),
    st.floats(1, 24),
    st.floats(3, 60),
)
feds = st.tuples(st.floats(0, 400), st.floats(-100, 400)).map(
    lambda each: Fed(OPENED - 500 * HOUR, OPENED - each[0] * HOUR, OPENED - min(each) * HOUR)
)
look_lists = st.lists(
    st.builds(Look, st.floats(-50, 500).map(lambda h: OPENED + h * HOUR), st.booleans()),
    max_size=12,
).map(lambda looks: sorted(looks, key=lambda look: look.at))
instants = st.floats(-10, 600).map(lambda h: OPENED + h * HOUR)


@given(schedules, feds)
def test_looks_follow_one_another_no_further_apart_than_a_round(plan: Schedule, ate: Fed) -> None:
    due = due_times(plan, ate)
    assert all(timedelta(0) < b - a <= plan.between for a, b in pairwise(due))
    assert due[0] >= plan.from_at and due[-1] >= ate.last_at + plan.window


@given(schedules, feds, look_lists, instants)
def test_every_look_counts_once_and_only_what_was_looked_at_is_done(
    plan: Schedule, ate: Fed, looks: list[Look], at: datetime
) -> None:
    found = rounds_of(plan, ate, looks, at=at)
    counted = [r.look for r in found if r.look is not None]
    assert len(counted) == len(set(counted)) <= len(looks)
    assert all((r.state is RoundState.DONE) == (r.look is not None) for r in found)
    for round_ in found:
        if round_.look is not None and round_ is not found[-1]:
            assert abs(looks[round_.look].at - round_.due_at) <= plan.between / 2


@given(schedules, feds, look_lists, instants, st.floats(0, 200))
def test_waiting_never_makes_a_look_less_late(
    plan: Schedule, ate: Fed, looks: list[Look], at: datetime, later_h: float
) -> None:
    order = [
        RoundState.COMING,
        RoundState.DUE,
        RoundState.OVERDUE,
        RoundState.MISSED,
    ]
    before = rounds_of(plan, ate, looks, at=at)
    after = rounds_of(plan, ate, looks, at=at + later_h * HOUR)
    for one, other in zip(before, after, strict=True):
        if one.state is not RoundState.DONE:
            assert order.index(other.state) >= order.index(one.state)


@given(schedules, feds, st.floats(0, 300))
def test_a_later_feed_never_ends_a_watch_sooner(plan: Schedule, ate: Fed, later_h: float) -> None:
    again = Fed(ate.first_at, ate.last_at + later_h * HOUR, ate.known_at)
    assert until(plan, again) >= until(plan, ate)
    assert is_watched(plan, again) or not is_watched(plan, ate)


@given(schedules, feds, look_lists, instants)
def test_it_is_never_over_without_a_look_that_saw_nothing(
    plan: Schedule, ate: Fed, looks: list[Look], at: datetime
) -> None:
    found = rounds_of(plan, ate, looks, at=at)
    if found and is_over(found, looks, at=at):
        assert looks and not looks[-1].noticed and at >= until(plan, ate)


def test_every_test_that_can_hold_a_lot_points_at_a_hazard() -> None:
    assert [t for t in units() if hazard_of_test(t) is Hazard.UNKNOWN] == []
    named = [test for facts in hazards().values() for test in facts.tests]
    assert len(named) == len(set(named)) and set(named) <= set(units())


def test_every_hazard_has_signs_and_every_row_its_source_and_flag() -> None:
    assert set(hazards()) == set(Hazard)
    assert {each.hazard for each in signs_of(Hazard)} == set(Hazard)
    assert {each.sign for each in signs_of(Hazard)} == set(Sign)
    for row in (*table("watch_hazards"), *table("watch_signs")):
        assert row["source"] and row["flag"] in {"R", "R2", "M-h", "M-m", "M-l", "D"}


def test_how_long_and_how_often_is_the_sites_unless_the_hazard_has_its_own() -> None:
    policy = default_policy()
    assert span_of([Hazard.HISTAMINE], policy) == Span(72, 4)
    assert span_of([Hazard.THIAMINE], policy) == Span(336, 24)
    assert span_of([Hazard.RESIDUE], policy).hours == 0
    assert span_of([Hazard.RESIDUE, Hazard.HISTAMINE], policy) == Span(72, 4)
    assert span_of([Hazard.THIAMINE, Hazard.HISTAMINE], policy) == Span(336, 4)
