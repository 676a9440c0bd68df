"""When to pull, which fish, and whether it may go back: plain facts, hand arithmetic."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import Form
from service.decisions import Finding, Outcome
from service.ledger.rules import FreezerParcel, Holding
from service.lots.rules import LotFacts
from service.site.rules import PlaceKind, Policy, default_policy
from service.thawing.rules.choosing import choose, may_plan
from service.thawing.rules.clocks import put_back_finding, stayed_refrigerated
from service.thawing.rules.times import (
    Method,
    Pack,
    ThawTime,
    Way,
    medium_of,
    thaw_time,
    ways,
)
from service.thawing.rules.windows import (
    Alternative,
    Window,
    alternatives,
    pull_window,
    window_findings,
)

FIRST = datetime(2031, 3, 10, 8, 0, tzinfo=UTC)
LAST = datetime(2031, 3, 10, 16, 0, tzinfo=UTC)
COOL, ROOM, TANK, ICE, KITCHEN = (
    PlaceKind.REFRIGERATOR,
    PlaceKind.THAW_ROOM,
    PlaceKind.THAW_TANK,
    PlaceKind.ICE,
    PlaceKind.KITCHEN,
)
LONG_AGO = FIRST - timedelta(days=30)


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2031, 3, day, hour, minute, tzinfo=UTC)


def thaw(form: str, kind: PlaceKind) -> ThawTime:
    """A product that does not say its size: the policy's figure."""
    return thaw_time(pack(form), medium_of(kind, default_policy()), default_policy())


def pack(form: str) -> Pack:
    return Pack(Form(form), "fatty")


def window(form: str, kind: PlaceKind) -> Window:
    return pull_window(thaw(form, kind), kind, default_policy(), first_feed=FIRST, last_feed=LAST)


def problems(form: str, kind: PlaceKind, now: datetime = LONG_AGO) -> list[Finding]:
    time = thaw(form, kind)
    return list(
        window_findings(window(form, kind), time, kind, default_policy(), form=form, now=now)
    )


# --- the window


@pytest.mark.parametrize(
    ("form", "kind", "hours"),
    # our defaults; ice as a refrigerator × 2, a kitchen as a thaw room
    [
        ("block", COOL, 60),
        ("block", ROOM, 30),
        ("block", TANK, 13),
        ("block", KITCHEN, 30),
        ("block", ICE, 120),
        ("iqf", COOL, 18),
        ("iqf", ICE, 36),
        ("shatter_pack", TANK, 3),
    ],
)
def test_a_thaw_takes_the_hours_of_the_policy_from_seven_tenths_to_fourteen_tenths(
    form: str, kind: PlaceKind, hours: float
) -> None:
    time = thaw(form, kind)
    assert (time.value, time.method) == (hours, Method.POLICY)
    assert (time.low, time.high) == pytest.approx((0.7 * hours, 1.4 * hours))


@pytest.mark.parametrize(
    ("form", "kind", "not_before", "not_after"),
    [
        # water: 16:00 - 24 h; 08:00 - 30 min - 1.4 × 2 h
        ("iqf", TANK, at(9, 16), at(10, 4, 42)),
        # refrigerator: 16:00 - 24 h - 0.7 × 18 h; 08:00 - 30 min - 1.4 × 18 h
        ("iqf", COOL, at(9, 3, 24), at(9, 6, 18)),
        # ice is staged, not refrigerated: 16:00 - 24 h; 08:00 - 30 min - 1.4 × 36 h
        ("iqf", ICE, at(9, 16), at(8, 5, 6)),
    ],
)
def test_fish_is_pulled_between_the_clock_of_the_last_feed_and_the_thaw_before_the_first(
    form: str, kind: PlaceKind, not_before: datetime, not_after: datetime
) -> None:
    found = window(form, kind)
    assert abs(found.not_before - not_before) < timedelta(seconds=1)
    assert abs(found.not_after - not_after) < timedelta(seconds=1)


def test_a_block_in_a_tank_cannot_serve_a_whole_feeding_day_and_is_2_7_h_short() -> None:
    # not before 16:00 the day before; not after 08:00 - 30 min - 18.2 h = 13:18
    found = window("block", TANK)
    assert found.short_by == timedelta(hours=2, minutes=42)
    (finding,) = problems("block", TANK)
    assert (finding.rule, finding.outcome) == ("clock-from-freezer", Outcome.BLOCK)
    assert finding.numbers["short_by_h"] == 2.7


def test_a_block_in_a_refrigerator_fails_the_other_clock_and_takes_too_long() -> None:
    # not before 16:00 - 24 h - 42 h; not after 08:00 - 30 min - 84 h: 26.5 h short
    clock, slow = problems("block", COOL)
    assert (clock.rule, clock.numbers["short_by_h"]) == ("clock-from-thawed", 26.5)
    assert (slow.rule, slow.outcome) == ("thaw-too-long", Outcome.WARN)
    assert slow.numbers == {"thaw_high_h": 84.0, "limit_h": 72.0}


def test_single_fish_in_a_tank_have_nothing_against_them() -> None:
    assert window("iqf", TANK).short_by == timedelta(0)
    assert problems("iqf", TANK, now=at(10, 4)) == []


def test_a_pull_that_should_have_been_warns_by_how_much() -> None:
    assert problems("iqf", TANK, now=at(10, 4, 42)) == []
    (late,) = problems("iqf", TANK, now=at(10, 5, 42))
    assert (late.rule, late.outcome) == ("thaw-in-time", Outcome.WARN)
    assert late.numbers["late_by_h"] == 1.0


hours = st.floats(0.1, 200)


@given(hours, st.sampled_from([COOL, ROOM, TANK]), st.floats(0, 48), st.floats(0, 1))
def test_a_pull_in_the_window_meets_both_clocks_and_thaws_in_time(
    thaw_h: float, kind: PlaceKind, day_h: float, share: float
) -> None:
    policy = default_policy()
    time = ThawTime(thaw_h, 0.7 * thaw_h, 1.4 * thaw_h, "h")
    last = FIRST + timedelta(hours=day_h)
    found = pull_window(time, kind, policy, first_feed=FIRST, last_feed=last)
    if found.short_by:
        return
    pulled = found.not_before + (found.not_after - found.not_before) * share
    second = timedelta(seconds=1)
    assert pulled + timedelta(hours=time.high, minutes=30) <= FIRST + second
    clock_from = pulled + (timedelta(hours=time.low) if kind is COOL else timedelta(0))
    assert last <= clock_from + timedelta(hours=24) + second


# --- other ways


def others(form: str, now: datetime) -> list[Alternative]:
    found: list[Way] = ways(pack(form), default_policy())
    return alternatives(found, TANK, default_policy(), first_feed=FIRST, last_feed=LAST, now=now)


def test_the_ways_that_meet_the_clock_come_first_and_the_chosen_one_only_in_several_pulls() -> None:
    found = others("block", LONG_AGO)
    assert [way.feasible for way in found] == sorted((w.feasible for w in found), reverse=True)
    assert {each.way.kind for each in found} == {COOL, ROOM, TANK}
    (tank,) = [each for each in found if each.way.kind is TANK]
    # in two pulls the first serves until noon: 24 h before is 12:00, and 13:18 is later
    assert (tank.pulls, tank.feasible, tank.short_by_h) == (2, True, 0)
    assert tank.method == "in a thaw tank, in 2 pulls over the day"


def test_a_way_for_which_it_is_too_late_is_not_called_feasible() -> None:
    found = others("block", at(10, 7))
    assert not any(way.feasible for way in found)
    # 07:00 - 13:18 the day before
    assert min(way.short_by_h for way in found) == 17.7


@given(st.sampled_from(["block", "iqf", "shatter_pack"]), st.integers(0, 100))
def test_no_alternative_breaks_a_clock_while_it_is_called_feasible(form: str, early: int) -> None:
    policy = default_policy()
    now = FIRST - timedelta(hours=early)
    found = others(form, now)
    for each in found:
        ends = FIRST + (LAST - FIRST) / each.pulls
        kind = each.way.kind
        first = pull_window(each.way.time, kind, policy, first_feed=FIRST, last_feed=ends)
        meets = first.not_before <= first.not_after and now <= first.not_after
        assert each.feasible == meets
    assert all(a.short_by_h <= b.short_by_h for a, b in pairwise(found))


# --- which fish


def a_lot(code: str, *, caught: date = date(2031, 2, 1), **state: bool) -> LotFacts:
    return LotFacts(
        code=code,
        species="HER",
        part="whole",
        size_grade=None,
        fat_group="fatty",
        caught_from=caught,
        frozen_on=None,
        received_on=date(2031, 3, 1),
        held=state.get("held", False),
        rejected=state.get("rejected", False),
    )


def a_parcel(
    number: int, grams: int, lot: LotFacts | None = None, *, cartons: int | None = None
) -> FreezerParcel:
    facts = lot or a_lot(f"L{number}")
    form = "block" if cartons else "iqf"
    return FreezerParcel(facts, number, form, "FZ1", Holding(number, grams, grams, cartons))


TODAY = date(2031, 3, 9)


def chosen(stock: Sequence[FreezerParcel], grams: int) -> tuple[list[tuple[int, int]], int]:
    takes, short = choose(stock, grams, default_policy(), TODAY)
    return [(c.take.parcel_id, c.take.grams) for c in takes], short


def test_two_requests_empty_the_older_lot_before_the_newer() -> None:
    # 30 and 50 kg, older first; requests of 20 and of 45 kg take 20 + 0 and 10 + 35
    assert chosen([a_parcel(1, 30_000), a_parcel(2, 50_000)], 20_000) == ([(1, 20_000)], 0)
    left = [a_parcel(1, 10_000), a_parcel(2, 50_000)]
    assert chosen(left, 45_000) == ([(1, 10_000), (2, 35_000)], 0)


def test_blocks_come_as_whole_cartons_and_the_surplus_is_named() -> None:
    takes, short = choose(
        [a_parcel(1, 30_000, cartons=3), a_parcel(2, 100_000, cartons=10)],
        55_000,
        default_policy(),
        TODAY,
    )
    assert [(c.take.grams, c.take.cartons, c.surplus_g) for c in takes] == [
        (30_000, 3, 0),
        (30_000, 3, 5_000),
    ]
    assert short == 0


def test_what_is_not_there_is_said_to_be_short() -> None:
    assert chosen([a_parcel(1, 30_000)], 45_000) == ([(1, 30_000)], 15_000)
    assert chosen([], 45_000) == ([], 45_000)


def test_nothing_wanted_takes_nothing() -> None:
    assert chosen([a_parcel(1, 30_000)], 0) == ([], 0)


def test_held_rejected_and_overaged_lots_are_passed_over() -> None:
    stock = [
        a_parcel(1, 50_000, a_lot("HELD", held=True)),
        a_parcel(2, 50_000, a_lot("REJECTED", rejected=True)),
        a_parcel(3, 50_000, a_lot("OLD", caught=date(2030, 9, 7))),
        a_parcel(4, 50_000, a_lot("GOOD", caught=date(2030, 9, 8))),
    ]
    # 6 months × 30.4375 = 182.625 days: 2030-09-08 is 182 days before, 2030-09-07 is 183
    assert chosen(stock, 10_000) == ([(4, 10_000)], 0)


def test_a_lot_may_be_planned_on_the_last_day_of_its_age_limit() -> None:
    # 16 months × 30.4375 are exactly 487 days
    policy = default_policy().model_copy(update={"age_limit_fatty_months": 16.0})
    lot = a_lot("L1", caught=TODAY - timedelta(days=487))
    assert may_plan(lot, policy, TODAY)
    assert not may_plan(lot, policy, TODAY + timedelta(days=1))


def test_a_lot_of_unknown_age_may_be_planned_once_its_hold_is_released() -> None:
    unknown = LotFacts("L1", "HER", "whole", None, "fatty", None, None, TODAY, False, False)
    assert may_plan(unknown, default_policy(), TODAY)


@given(
    st.lists(st.tuples(st.integers(1, 10**6), st.booleans()), max_size=8),
    st.integers(0, 4 * 10**6),
)
def test_what_is_taken_and_what_is_short_cover_the_wish_and_only_whole_cartons_exceed_it(
    sizes: list[tuple[int, bool]], wanted: int
) -> None:
    stock = [
        a_parcel(i, grams, cartons=4 if counted and grams >= 4 else None)
        for i, (grams, counted) in enumerate(sizes)
    ]
    takes, short = choose(stock, wanted, default_policy(), TODAY)
    taken = sum(c.take.grams for c in takes)
    assert taken + short >= wanted
    assert short == max(0, wanted - taken)
    assert all(c.take.grams <= c.parcel.holding.available for c in takes)
    if taken > wanted:
        assert takes[-1].take.cartons is not None
        assert takes[-1].surplus_g == taken - wanted
    # no later parcel is touched while an earlier one is left untaken
    order = [c.parcel.lot_id for c in takes]
    assert order == sorted(order) == list(range(len(order)))


# --- how it thawed


@pytest.mark.parametrize(
    ("stays", "thawed_at", "refrigerated"),
    [
        ([(COOL, at(7, 6))], None, True),
        ([(COOL, at(7, 6))], at(9, 6), True),
        ([(COOL, at(7, 6)), (COOL, at(8, 6))], None, True),
        # leaving the refrigerator before it is recorded as thawed is staged
        ([(COOL, at(7, 6)), (TANK, at(8, 6))], None, False),
        ([(COOL, at(7, 6)), (KITCHEN, at(8, 6))], at(9, 6), False),
        ([(COOL, at(7, 6)), (KITCHEN, at(9, 5, 59))], at(9, 6), False),
        # at the instant it is thawed, or after, it may go anywhere
        ([(COOL, at(7, 6)), (KITCHEN, at(9, 6))], at(9, 6), True),
        ([(COOL, at(7, 6)), (KITCHEN, at(9, 7))], at(9, 6), True),
        # any start but a refrigerator is staged, whatever follows; ice too
        ([(TANK, at(7, 6)), (COOL, at(7, 8))], None, False),
        ([(ICE, at(7, 6))], None, False),
        ([(TANK, at(9, 7))], at(9, 6), False),
        ([], None, False),
    ],
)
def test_fish_thawed_under_refrigeration_never_left_it_before_it_was_thawed(
    stays: list[tuple[PlaceKind, datetime]], thawed_at: datetime | None, refrigerated: bool
) -> None:
    assert stayed_refrigerated(stays, thawed_at) is refrigerated


# --- back into the freezer


def put_back(minutes: float, core_c: float | None, policy: Policy | None = None) -> Finding:
    return put_back_finding(
        at(9, 6), at(9, 6) + timedelta(minutes=minutes), core_c, policy or default_policy()
    )


@pytest.mark.parametrize(
    ("minutes", "core_c", "outcome"),
    # 60 min and -12 °C: our defaults, both inclusive
    [
        (0, -20.0, Outcome.PASS),
        (60, -12.0, Outcome.PASS),
        (60 + 1 / 60, -12.0, Outcome.BLOCK),
        (60, -11.9, Outcome.BLOCK),
        (5, None, Outcome.BLOCK),
        (600, -25.0, Outcome.BLOCK),
    ],
)
def test_only_hard_frozen_fish_goes_back_and_only_within_the_hour(
    minutes: float, core_c: float | None, outcome: Outcome
) -> None:
    found = put_back(minutes, core_c)
    assert (found.rule, found.outcome) == ("no-refreeze", outcome)
    assert found.may_override == ()


def test_the_refusal_says_which_of_the_two_it_was() -> None:
    assert "61 min" in put_back(61, -20.0).because
    assert "-5.0 °C" in put_back(10, -5.0).because
    assert "not measured" in put_back(10, None).because


@given(st.floats(0, 600), st.floats(0, 600), st.floats(-40, 5), st.floats(0, 40))
def test_longer_out_or_warmer_never_opens_the_freezer_again(
    minutes: float, longer: float, core_c: float, warmer: float
) -> None:
    if put_back(minutes, core_c).outcome is Outcome.BLOCK:
        assert put_back(minutes + longer, core_c + warmer).outcome is Outcome.BLOCK
