"""Other mixes of fish and longer storage: laws."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import nutrients
from service.quality.rules import usual_contents
from service.supplements.rules.needs import Food
from service.supplements.rules.placement import Meal
from service.what_if.rules.mixes import of_masses, of_shares, swapped, totals
from service.what_if.rules.storage import kept_on

AT = datetime(2027, 1, 1, tzinfo=UTC)
SPECIES = st.sampled_from(["HER", "CAP", "MAC", "SPR"])
meals = st.lists(
    st.dictionaries(SPECIES, st.integers(1, 20_000), min_size=1, max_size=3),
    min_size=1,
    max_size=5,
).map(lambda feeds: [Meal(n, AT, grams) for n, grams in enumerate(feeds)])
mixes = st.dictionaries(SPECIES, st.integers(0, 50_000), min_size=1, max_size=4).filter(
    lambda mix: any(mix.values())
)


@given(meals, mixes)
def test_another_mix_is_dealt_out_to_the_gram(feeds: list[Meal], mix: dict[str, int]) -> None:
    dealt = of_masses(feeds, mix)
    assert totals(dealt) == {s: g for s, g in mix.items() if g}
    assert [(m.number, m.at) for m in dealt] == [(m.number, m.at) for m in feeds]


def test_feeds_keep_their_sizes_among_each_other() -> None:
    """By hand: feeds of 3 and 1 kg; 2 kg of another fish are 1.5 and 0.5 kg."""
    feeds = [Meal(1, AT, {"HER": 3000}), Meal(2, AT, {"HER": 1000})]
    dealt = of_masses(feeds, {"CAP": 2000})
    assert [dict(m.grams) for m in dealt] == [{"CAP": 1500}, {"CAP": 500}]


@given(meals, mixes)
def test_shares_keep_the_mass(feeds: list[Meal], shares: dict[str, int]) -> None:
    before = sum(totals(feeds).values())
    after = sum(totals(of_shares(feeds, shares)).values())
    assert after == pytest.approx(before, abs=len(shares)), "half a gram a species"


def test_shares_that_come_to_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="nothing"):
        of_shares([Meal(1, AT, {"HER": 1000})], {"HER": 0})


def test_a_swap_keeps_the_energy_by_published_figures() -> None:
    """trade.md T55: 5 kg of herring at 1 582 kcal/kg are 8.67 kg of capelin at 912, and 7.92 kg
    by whole herring at 1 445 (USDA SR; Ridgway et al.)."""
    feeds = [Meal(1, AT, {"HER": 5000})]
    for herring, kilograms in ((1582, 8.67), (1445, 7.92)):
        found = totals(swapped(feeds, {"HER": "CAP"}, {"HER": herring / 912}))
        assert found == {"CAP": pytest.approx(1000 * kilograms, abs=10)}


def test_a_swap_into_a_fish_that_is_there_is_added_to_it() -> None:
    feeds = [Meal(1, AT, {"HER": 1000, "CAP": 500})]
    assert totals(swapped(feeds, {"HER": "CAP"}, {"HER": 2.0})) == {"CAP": 2500}


def fish() -> Food:
    content = usual_contents("HER", may_credit=True)
    return Food("HER", 1000, content["WATER"].value / 100, content)


@given(st.integers(0, 900), st.integers(0, 900), st.floats(-60, -1), st.floats(-60, -1))
def test_longer_and_warmer_never_leaves_more(
    days: int, other_days: int, at_c: float, other_c: float
) -> None:
    shorter, longer = sorted((days, other_days))
    colder, warmer = sorted((at_c, other_c))
    before, after = kept_on(fish(), shorter, colder), kept_on(fish(), longer, warmer)
    for tag in before.content.keys() & nutrients().keys():
        one, other = before.content[tag], after.content[tag]
        assert other.low <= one.low * (1 + 1e-12)
        assert other.value <= one.value * (1 + 1e-12)
        assert other.high <= one.high * (1 + 1e-12)
        assert other.low <= other.value <= other.high


def test_ninety_days_at_minus_18_leave_what_the_reference_works_out() -> None:
    """Science reference 6.2: of vitamin E 0.399 after 90 days (rates of Arslan et al. 1997)."""
    before = fish().content["VITE"]
    after = kept_on(fish(), 90, -18.0).content["VITE"]
    assert after.value / before.value == pytest.approx(0.3993, abs=1e-4)


def test_no_days_change_nothing() -> None:
    for tag, held in fish().content.items():
        kept = kept_on(fish(), 0, -18.0).content[tag]
        assert (kept.low, kept.value, kept.high) == pytest.approx((held.low, held.value, held.high))
