"""What is noticed of an animal, and what is nothing to notice: laws and edges."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.animals.rules import Group, Stage
from service.feeding.rules import Outcome
from service.notifications.rules import Urgency
from service.site.rules import RULE_BY_ID, default_policy
from service.welfare.rules import (
    APPETITE,
    DAILY,
    EATS_LESS,
    FASTS,
    RULE_OF,
    ConcernKind,
    DayEaten,
    FedOnce,
    MassChange,
    Meals,
    Reason,
    Weighed,
    appetite_limit,
    excepts,
    intake_low,
    last_ate,
    mass_against_intake,
    mass_change,
    off_food,
    unequal,
    urgency_of,
    what_to_do,
)

POLICY = default_policy()
DAY = timedelta(days=1)
ATE, REFUSED, NOT_OFFERED = Outcome.EATEN, Outcome.REFUSED, Outcome.NOT_OFFERED


def at(day: int, hour: float = 0) -> datetime:
    return datetime(2026, 11, day, tzinfo=UTC) + timedelta(hours=hour)


def found(
    fed: Sequence[FedOnce], now: datetime, *, due: Sequence[datetime] = (), penguin: bool = False
) -> Reason | None:
    limit = appetite_limit(Group.PENGUIN if penguin else Group.PINNIPED, POLICY)
    told = off_food(Meals(fed, due), limit, POLICY, now)
    return told[1] if told else None


def test_a_day_without_appetite_is_told_and_one_second_less_is_not() -> None:
    """9 CFR 3.105(c): lack of appetite for more than 24 hours."""
    fed = [FedOnce(at(24, 8), ATE), FedOnce(at(24, 16), REFUSED)]
    assert found(fed, at(25, 8)) is None
    assert found(fed, at(25, 8) + timedelta(seconds=1)) is Reason.REFUSED


def test_a_penguin_is_given_two_days() -> None:
    """Our default, `intake_zero_birds_days`."""
    fed = [FedOnce(at(23, 8), ATE), FedOnce(at(23, 16), REFUSED)]
    assert found(fed, at(25, 8), penguin=True) is None
    assert found(fed, at(25, 9), penguin=True) is Reason.REFUSED


def test_one_fish_eaten_ends_it() -> None:
    fed = [FedOnce(at(24, 8), REFUSED), FedOnce(at(25, 8), REFUSED), FedOnce(at(25, 10), ATE)]
    assert found(fed, at(26, 9)) is None


def test_refused_not_offered_and_not_recorded_are_told_apart() -> None:
    ate = FedOnce(at(24, 8), ATE)
    due = [at(24, 8), at(24, 16), at(25, 8)]
    assert found([ate, FedOnce(at(24, 16), REFUSED)], at(25, 9), due=due) is Reason.REFUSED
    assert found([ate, FedOnce(at(24, 16), NOT_OFFERED)], at(25, 9)) is Reason.NOT_OFFERED
    assert found([ate], at(25, 9), due=due) is Reason.NOT_RECORDED
    both = [ate, FedOnce(at(24, 10), NOT_OFFERED), FedOnce(at(24, 16), REFUSED)]
    assert found(both, at(25, 9)) is Reason.REFUSED, "the vet's business comes first"


def test_a_meal_of_this_morning_that_is_not_entered_yet_is_no_alarm() -> None:
    """Fed once a day at eight; tablets come back on line: policy `record_grace_h`, 4 h."""
    fed, due = [FedOnce(at(24, 8), ATE)], [at(24, 8), at(25, 8)]
    assert found(fed, at(25, 11.9), due=due) is None
    assert found(fed, at(25, 12), due=due) is Reason.NOT_RECORDED


def test_where_no_meal_was_due_nothing_is_missed() -> None:
    """Fed every other day: yesterday nothing was due."""
    assert found([FedOnce(at(23, 8), ATE)], at(25, 7), due=[at(23, 8), at(25, 8)]) is None


def test_an_animal_that_never_ate_counts_from_its_first_meal() -> None:
    due = [at(24, 8), at(24, 16), at(25, 8)]
    assert found([], at(25, 8), due=due) is None
    assert found([], at(25, 9), due=due) is Reason.NOT_RECORDED
    assert found([FedOnce(at(24, 8), REFUSED)], at(25, 9)) is Reason.REFUSED
    assert found([], at(25, 9)) is None


def test_after_a_fast_the_day_counts_from_its_end() -> None:
    limit = appetite_limit(Group.PINNIPED, POLICY)
    meals = Meals([FedOnce(at(3, 8), ATE), FedOnce(at(24, 9), REFUSED)], [], at(24))
    assert off_food(meals, limit, POLICY, at(25)) is None
    assert off_food(meals, limit, POLICY, at(25, 1)) == (at(24), Reason.REFUSED)


def test_a_part_of_a_groups_feed_proves_nothing_once_an_animal_was_seen_to_refuse() -> None:
    shared = FedOnce(at(24, 8), ATE, seen=False)
    refused = FedOnce(at(24, 12), REFUSED)
    later = FedOnce(at(24, 16), ATE, seen=False)
    assert last_ate([shared]) == at(24, 8)
    assert last_ate([shared, refused, later]) == at(24, 8)
    assert last_ate([shared, refused, later, FedOnce(at(24, 17), ATE), later]) == at(24, 16)
    assert found([shared, refused, later], at(25, 9)) is Reason.REFUSED


OUTCOMES = st.sampled_from([ATE, REFUSED, NOT_OFFERED])
FEEDS = st.lists(
    st.builds(FedOnce, st.integers(0, 95).map(lambda h: at(22, h)), OUTCOMES, st.booleans()),
    max_size=12,
).map(lambda feeds: sorted(feeds, key=lambda feed: feed.at))


@given(FEEDS, st.integers(0, 48))
def test_waiting_without_a_feed_never_ends_a_concern(feeds: list[FedOnce], hours: int) -> None:
    now = at(26, 0)
    if found(feeds, now) is not None:
        assert found(feeds, now + timedelta(hours=hours)) is found(feeds, now)


@given(FEEDS)
def test_who_was_seen_to_eat_within_the_day_is_never_off_its_food(feeds: list[FedOnce]) -> None:
    now = at(26, 0)
    ate = FedOnce(now - timedelta(hours=23), ATE)
    assert found([*(feed for feed in feeds if feed.at <= ate.at), ate], now) is None


def days(
    *shares: float, left: float = 0.0, feeds: int = 2, excepted: bool = False
) -> list[DayEaten]:
    return [
        DayEaten(
            date(2026, 11, 21 + n),
            10_000,
            int(10_000 * share),
            int(10_000 * left),
            feeds,
            2,
            excepted,
        )
        for n, share in enumerate(shares)
    ]


def test_eating_below_the_diet_for_three_days_is_told() -> None:
    """Our default: 80 % over 3 days (handling rules: intake_low_percent, intake_low_days)."""
    assert intake_low(days(0.7, 0.6, 0.79, left=0.3), 80) is Reason.REFUSED
    assert intake_low(days(0.7, 0.8, 0.7, left=0.3), 80) is None, "on one day it ate enough"
    assert intake_low(days(0.7, 0.6, 0.7, left=0.3, excepted=True), 80) is None
    assert intake_low([], 80) is None


def test_little_offered_and_little_recorded_are_not_little_appetite() -> None:
    assert intake_low(days(0.5, 0.5, 0.5), 80) is Reason.NOT_OFFERED
    assert intake_low(days(0.5, 0.5, 0.5, feeds=1), 80) is Reason.NOT_RECORDED


def test_an_animal_without_a_diet_eats_neither_too_much_nor_too_little() -> None:
    empty = [DayEaten(date(2026, 11, 21), 0, 0, 0, 0, 0)]
    assert intake_low(empty, 80) is None


def weighed(*kg_by_day: tuple[float, float]) -> list[Weighed]:
    return [Weighed(at(25) - timedelta(days=back), round(1000 * kg)) for back, kg in kg_by_day]


def test_mass_that_falls_while_the_diet_is_eaten_is_told() -> None:
    change = mass_change(weighed((40, 100), (3, 93)), at(25))
    assert change is not None and change.change == pytest.approx(-0.07)
    assert mass_against_intake(change, 0.97, POLICY) is ConcernKind.LOSING_MASS
    assert mass_against_intake(change, 0.6, POLICY) is None, "it eats little: that is told already"
    small = mass_change(weighed((40, 100), (3, 95)), at(25))
    assert small is not None and mass_against_intake(small, 0.97, POLICY) is None


def test_mass_that_rises_while_little_is_eaten_is_told() -> None:
    change = mass_change(weighed((40, 100), (3, 108)), at(25))
    assert change is not None
    assert mass_against_intake(change, 0.6, POLICY) is ConcernKind.GAINING_MASS
    assert mass_against_intake(change, 1.0, POLICY) is None, "it grows on what it eats"


def test_the_same_fall_as_last_year_is_the_season() -> None:
    """Steller sea lions are heaviest in March and April (Allen 2009), then fall every year."""
    year = [(405, 100.0), (368, 92.0)]
    change = mass_change(weighed(*year, (40, 104), (3, 96)), at(25))
    assert change is not None and change.year_before == pytest.approx(-0.08)
    assert mass_against_intake(change, 1.0, POLICY) is None
    worse = mass_change(weighed(*year, (40, 104), (3, 88)), at(25))
    assert worse is not None
    assert mass_against_intake(worse, 1.0, POLICY) is ConcernKind.LOSING_MASS


def test_a_gain_last_year_does_not_explain_a_loss_now() -> None:
    change = MassChange(Weighed(at(1), 100), Weighed(at(20), 93), -0.07, 0.08)
    assert change.unexpected == -0.07


def test_weighings_that_are_old_or_too_close_say_nothing() -> None:
    assert mass_change(weighed((80, 100), (40, 90)), at(25)) is None, "nobody weighed it lately"
    assert mass_change(weighed((8, 100), (3, 90)), at(25)) is None, "five days apart"
    assert mass_change(weighed((3, 90)), at(25)) is None
    assert mass_change([], at(25)) is None


@given(st.lists(st.floats(0.05, 3.0), min_size=3, max_size=8))
def test_equal_shares_are_never_told_and_nobody_above_the_median_is(shares: list[float]) -> None:
    assert not list(unequal(dict.fromkeys(range(len(shares)), shares[0]), 60))
    told = [who for who, _ in unequal(dict(enumerate(shares)), 60)]
    assert all(shares[who] < max(shares) for who in told)


def test_two_animals_are_not_compared() -> None:
    assert not list(unequal({1: 1.0, 2: 0.1}, 60))


def test_moult_rut_and_birth_explain_a_low_intake_and_do_not_for_ever() -> None:
    """Bulls eat less from May to August (Kastelein et al. 2000): 123 days."""
    begun = date(2026, 5, 1)
    assert excepts(Stage.RUTTING, begun, date(2026, 8, 31), EATS_LESS)
    assert not excepts(Stage.RUTTING, begun, date(2026, 9, 30), EATS_LESS)
    assert not excepts(Stage.PREGNANT, begun, date(2026, 5, 2), EATS_LESS)
    assert {Stage.MOULTING, Stage.RUTTING, Stage.BIRTHING} <= EATS_LESS
    assert Stage.MOULTING in FASTS and Stage.RUTTING not in FASTS


def test_what_the_vet_must_know_at_once_wakes_people() -> None:
    now = {
        (kind, reason)
        for kind in ConcernKind
        for reason in (None, *Reason)
        if urgency_of(kind, reason) is Urgency.NOW
    }
    assert (ConcernKind.OFF_FOOD, Reason.REFUSED) in now
    assert (ConcernKind.WEIGHT_FLOOR, None) in now
    assert (ConcernKind.OFF_FOOD, Reason.NOT_RECORDED) not in now
    assert not [kind for kind, _ in now if kind in DAILY]


def test_every_kind_has_a_rule_and_something_to_do() -> None:
    assert set(RULE_OF) == set(ConcernKind) == APPETITE | DAILY
    for kind in ConcernKind:
        assert RULE_OF[kind] in RULE_BY_ID
        assert all(what_to_do(kind, reason) for reason in (None, *Reason))
    assert what_to_do(ConcernKind.OFF_FOOD, Reason.REFUSED).startswith("tell the attending vet")
