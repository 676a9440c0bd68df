"""Whether a lot may be used, in what order, and what its code is made of."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decisions import Finding, Outcome
from service.lots.rules import (
    LotFacts,
    age_findings,
    check_holds,
    hold_findings,
    may_use,
    numbered_code,
)
from service.site.rules import Policy, UseOrder, default_policy

CAUGHT = date(2031, 2, 1)


def a_lot(
    *,
    caught: date | None = CAUGHT,
    frozen: date | None = None,
    received: date = date(2031, 3, 1),
    fat_group: str = "fatty",
    held: bool = False,
    rejected: bool = False,
) -> LotFacts:
    return LotFacts(
        code="L1",
        species="HER",
        part="whole",
        size_grade=None,
        fat_group=fat_group,
        caught_from=caught,
        frozen_on=frozen,
        received_on=received,
        held=held,
        rejected=rejected,
    )


def age(lot: LotFacts, days: int, policy: Policy | None = None) -> Finding:
    (found,) = age_findings(lot, policy or default_policy(), CAUGHT + timedelta(days=days))
    return found


@pytest.mark.parametrize(
    ("fat_group", "last_day"),
    # months × 30.4375 days, inclusive: 6 → 182.625, 9 → 273.9375, 12 → 365.25.
    # 6 and 12: Field 2022 [read]; 9 between the published ones, our default
    [("fatty", 182), ("medium", 273), ("lean", 365)],
)
def test_fish_may_be_used_on_the_last_day_of_its_age_limit_and_not_on_the_next(
    fat_group: str, last_day: int
) -> None:
    lot = a_lot(fat_group=fat_group)
    assert age(lot, last_day).outcome is Outcome.PASS
    assert age(lot, last_day + 1).outcome is Outcome.BLOCK


def test_a_limit_that_falls_on_a_whole_day_includes_it() -> None:
    # 16 months are exactly 487 days
    policy = default_policy().model_copy(update={"age_limit_fatty_months": 16.0})
    assert age(a_lot(), 487, policy).outcome is Outcome.PASS
    assert age(a_lot(), 488, policy).outcome is Outcome.BLOCK


def test_the_finding_says_how_old_the_fish_is_and_what_is_allowed() -> None:
    found = age(a_lot(), 200)
    assert found.rule == "past-age-limit"
    assert found.numbers == {
        "age_days": 200.0,
        "limit_days": 182.6,
        "counted_from": "2031-02-01",
    }
    assert "200 days old" in found.because and found.may_override == ("vet",)


def test_age_counts_from_the_catch_even_where_the_fish_was_frozen_later() -> None:
    lot = a_lot(frozen=CAUGHT + timedelta(days=20))
    assert lot.age_days(CAUGHT + timedelta(days=30)) == 30


def test_without_a_catch_date_age_counts_from_freezing() -> None:
    lot = a_lot(caught=None, frozen=CAUGHT)
    assert lot.age_days(CAUGHT + timedelta(days=30)) == 30
    assert age(lot, 183).outcome is Outcome.BLOCK


def test_fish_of_unknown_age_is_not_judged_by_age() -> None:
    lot = a_lot(caught=None)
    assert lot.age_days(CAUGHT) is None
    assert list(age_findings(lot, default_policy(), CAUGHT)) == []


@given(st.integers(0, 1000), st.integers(0, 1000), st.sampled_from(["fatty", "medium", "lean"]))
def test_waiting_never_makes_old_fish_young_enough(days: int, more: int, fat_group: str) -> None:
    lot = a_lot(fat_group=fat_group)
    if age(lot, days).outcome is Outcome.BLOCK:
        assert age(lot, days + more).outcome is Outcome.BLOCK


def test_a_held_lot_blocks_and_nobody_may_override_it() -> None:
    (found,) = hold_findings(a_lot(held=True))
    assert (found.rule, found.outcome) == ("lot-on-hold", Outcome.BLOCK)
    assert found.may_override == ()
    assert "on hold" in found.because


def test_a_rejected_lot_blocks_even_after_its_hold_was_released() -> None:
    (found,) = hold_findings(a_lot(rejected=True))
    assert (found.rule, found.outcome) == ("lot-on-hold", Outcome.BLOCK)
    assert "rejected" in found.because


def test_a_lot_that_is_both_held_and_rejected_is_said_to_be_rejected_once() -> None:
    (found,) = hold_findings(a_lot(held=True, rejected=True))
    assert "rejected" in found.because


def test_a_lot_in_order_has_no_hold_to_report() -> None:
    assert list(hold_findings(a_lot())) == []


def test_all_findings_come_at_once_and_not_only_the_first() -> None:
    found = list(may_use(a_lot(held=True), default_policy(), CAUGHT + timedelta(days=400)))
    assert [f.rule for f in found] == ["lot-on-hold", "past-age-limit"]
    assert all(f.outcome is Outcome.BLOCK for f in found)


# --- the order of use


def test_the_older_catch_is_used_first_whenever_it_was_received() -> None:
    older = a_lot(caught=date(2031, 1, 1), received=date(2031, 4, 1))
    newer = a_lot(caught=date(2031, 2, 1), received=date(2031, 3, 1))
    order = UseOrder.OLDEST_CATCH
    assert older.use_key(order) < newer.use_key(order)


def test_a_site_may_use_what_came_first_instead() -> None:
    older = a_lot(caught=date(2031, 1, 1), received=date(2031, 4, 1))
    newer = a_lot(caught=date(2031, 2, 1), received=date(2031, 3, 1))
    order = UseOrder.FIRST_RECEIVED
    assert newer.use_key(order) < older.use_key(order)


def test_lots_of_the_same_catch_date_never_stand_before_each_other() -> None:
    one = a_lot(received=date(2031, 3, 1))
    other = a_lot(received=date(2031, 4, 1))
    assert one.use_key(UseOrder.OLDEST_CATCH) == other.use_key(UseOrder.OLDEST_CATCH)


def test_freezing_stands_in_for_an_unknown_catch_and_no_date_at_all_comes_last() -> None:
    frozen = a_lot(caught=None, frozen=date(2031, 1, 15))
    caught = a_lot(caught=date(2031, 2, 1))
    unknown = a_lot(caught=None)
    keys = [lot.use_key(UseOrder.OLDEST_CATCH) for lot in (frozen, caught, unknown)]
    assert keys == sorted(keys) and len(set(keys)) == 3


# --- codes


def test_codes_count_up_without_the_letters_that_look_like_digits() -> None:
    codes = [numbered_code("L", n, 2) for n in range(24 * 24)]
    assert len(set(codes)) == 24 * 24
    assert codes[0].startswith("LAA") and codes[-1].startswith("LZZ")
    assert not any(set("IO") & set(code[1:3]) for code in codes)
    assert all(check_holds(code) for code in codes)


def test_when_the_letters_are_used_up_no_code_is_made_twice() -> None:
    with pytest.raises(ValueError, match="no code is left"):
        numbered_code("L", 24 * 24, 2)
    with pytest.raises(ValueError, match="no code is left"):
        numbered_code("L", -1, 2)


@pytest.mark.parametrize("code", ["", "M", "lower", "A-1", "A 1"])
def test_what_is_no_code_does_not_check(code: str) -> None:
    assert not check_holds(code)
