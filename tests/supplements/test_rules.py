"""Which requirements apply to an animal and what is to be added: plain facts, by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from math import inf
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.animals.rules import Water
from service.catalogue.rules import Basis, Thiaminase, nutrients, species_facts
from service.quality.rules.content import Held
from service.science.residual import Start
from service.supplements.rules import LimitOn, Mode, Per, Scope
from service.supplements.rules.limits import above_published, binding_limit, with_published
from service.supplements.rules.needs import Food, Line, has_thiaminase, lines, required_amount
from service.supplements.rules.placement import Giving, Meal, givings, split
from service.supplements.rules.requirements import (
    EqualRank,
    Wanted,
    catalogue_wanted,
    in_force,
)
from service.supplements.rules.suggestions import suggestions

# The usual answers of thiaminase [science of the catalogue, each row with its source]:
# herring carries it, whiting does not, capelin is mixed.
HERRING, WHITING, CAPELIN = "HER", "WHG", "CAP"


def wanted(nutrient: str = "VITA", amount: float = 100.0, **more: object) -> Wanted:
    """A requirement of a site, in the nutrient's unit per kg of food as fed, added."""
    plain = Wanted(
        nutrient=nutrient,
        amount=amount,
        basis=Basis.AS_FED,
        mode=Mode.ADDED,
        per=Per.KG_FOOD,
        scope=Scope.SITE,
        source="the site's vet",
    )
    return replace(plain, **more)  # type: ignore[arg-type]


def held(nutrient: str, low: float, high: float, *, why_no_credit: str | None = None) -> Held:
    """A content of which all may count, or nothing for a reason."""
    middle = (low + high) / 2
    return Held(
        nutrient=nutrient,
        unit=nutrients()[nutrient].unit,
        low=low,
        value=middle,
        high=high,
        source="invented",
        share_left=(1.0, 1.0, 1.0),
        credited=(0.0, 0.0) if why_no_credit else (low, high),
        why_no_credit=why_no_credit,
        start=Start(middle, 0.0),
    )


def food(
    species: str = HERRING,
    grams: int = 5000,
    water: float = 0.72,
    thiaminase: Thiaminase | None = None,
    **content: tuple[float, float],
) -> Food:
    known = {nutrient: held(nutrient, *bounds) for nutrient, bounds in content.items()}
    return Food(species, grams, water, known, thiaminase=thiaminase)


def line(need: Wanted, *foods: Food, body_mass_g: int | None = None) -> Line:
    (found,) = lines([need], list(foods), body_mass_g)
    return found


def amounts_in_force(*set_here: Wanted, group: str = "pinniped") -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for each in in_force(set_here, group):
        found.setdefault(each.nutrient, []).append(each.amount)
    return found


# --- which requirement applies


def test_the_animal_s_own_requirement_beats_its_group_s_the_site_s_and_the_catalogue_s() -> None:
    scopes = {Scope.SITE: 30.0, Scope.GROUP: 40.0, Scope.ANIMAL: 50.0}
    all_set = [wanted("THIA", amount, scope=scope) for scope, amount in scopes.items()]
    for order in permutations(all_set):
        assert amounts_in_force(*order)["THIA"] == [50.0]
    assert amounts_in_force(*all_set[:2])["THIA"] == [40.0]
    assert amounts_in_force(all_set[0])["THIA"] == [30.0]
    # Geraci 1972 [read]
    assert amounts_in_force()["THIA"] == [25.0]


def test_two_of_equal_rank_are_an_error_that_names_both() -> None:
    older, newer = wanted("THIA", 30.0, number=1), wanted("THIA", 35.0, number=2)
    for order in permutations([older, newer]):
        with pytest.raises(
            EqualRank, match=r"requirement 1 and requirement 2 of THIA .* 30 and 35"
        ):
            in_force(order, "pinniped")


def test_what_is_required_of_one_fish_replaces_what_is_required_of_all_for_that_fish() -> None:
    """Herring 33 mg/kg, all other fish 25: 3 kg and 2 kg are 99 + 50 mg."""
    of_all = wanted("THIA", 25.0)
    of_herring = wanted("THIA", 33.0, species=HERRING)
    for order in permutations([of_all, of_herring]):
        found = in_force(order, "pinniped")
        day = [food(HERRING, 3000), food(CAPELIN, 2000)]
        thiamine = [w for w in found if w.nutrient == "THIA"]
        (only,) = lines(thiamine, day, None)
        assert only.required == pytest.approx(149.0)


def test_a_wider_scope_that_names_the_fish_does_not_beat_a_narrower_one_that_does_not() -> None:
    own = wanted("THIA", 10.0, scope=Scope.ANIMAL)
    of_herring = wanted("THIA", 33.0, species=HERRING)
    assert amounts_in_force(own, of_herring)["THIA"] == [10.0]


def test_what_is_set_for_one_fish_leaves_the_catalogue_s_requirement_to_the_others() -> None:
    found = in_force([wanted("THIA", 33.0, species=HERRING)], "pinniped")
    thiamine = [w for w in found if w.nutrient == "THIA"]
    (only,) = lines(thiamine, [food(HERRING, 3000), food(CAPELIN, 2000)], None)
    assert only.required == pytest.approx(33 * 3 + 25 * 2)


def test_a_newer_requirement_of_the_site_does_not_beat_an_older_one_of_the_animal() -> None:
    own = wanted("THIA", 50.0, scope=Scope.ANIMAL, number=1)
    assert amounts_in_force(own, wanted("THIA", 30.0, number=9))["THIA"] == [50.0]


def test_requirements_of_another_kind_stand_beside_each_other() -> None:
    per_food = wanted("THIA", 25.0)
    per_day = wanted("THIA", 35.0, per=Per.ANIMAL_DAY)
    total = wanted("THIA", 60.0, mode=Mode.TOTAL)
    assert sorted(amounts_in_force(per_food, per_day, total)["THIA"]) == [25.0, 35.0, 60.0]


def test_whatever_a_site_sets_for_a_nutrient_removes_the_catalogue_s_rows_of_it_only() -> None:
    found = amounts_in_force(wanted("THIA", 10.0, per=Per.ANIMAL_DAY))
    assert found["THIA"] == [10.0]
    # Engelhardt & Geraci 1978 [read]
    assert found["VITE"] == [100.0]


def test_a_group_s_own_row_of_the_catalogue_beats_the_row_for_all() -> None:
    sources = {w.nutrient: w.source for w in catalogue_wanted("pinniped")}
    assert sources["THIA"].startswith("Geraci 1972")
    others = {w.nutrient: w.source for w in catalogue_wanted("penguin")}
    assert not others["THIA"].startswith("Geraci 1972")
    assert sources["VITE"] == others["VITE"]


def test_what_is_required_in_another_way_for_one_fish_takes_nothing_from_the_others() -> None:
    """5 kg herring, 5 kg capelin: the catalogue's 100 IU/kg added are 1 000; 150 IU/kg in all
    for herring, of which nothing is credited, are 750: the larger holds."""
    of_herring = wanted("VITE", 150.0, mode=Mode.TOTAL, species=HERRING)
    found = [w for w in in_force([of_herring], "pinniped") if w.nutrient == "VITE"]
    (only,) = lines(found, [food(HERRING, 5000), food(CAPELIN, 5000)], None)
    assert only.add == 1000


def test_a_limit_alone_leaves_what_is_required_as_it_was() -> None:
    limit = wanted("THIA", 0.0, limit=500.0, limit_on=LimitOn.ADDED)
    found = [w for w in in_force([limit], "pinniped") if w.nutrient == "THIA"]
    (only,) = lines(found, [food(grams=5000)], None)
    assert (only.required, only.add, only.room, only.limit) == (125, 125, 500, 500)
    own = wanted("THIA", 30.0, scope=Scope.ANIMAL)
    found = [w for w in in_force([limit, own], "pinniped") if w.nutrient == "THIA"]
    (only,) = lines(found, [food(grams=5000)], None)
    assert (only.add, only.room) == (150, 500)


def test_a_site_may_say_that_nothing_is_required() -> None:
    found = in_force([wanted("VITE", 0.0)], "pinniped")
    assert [w.amount for w in found if w.nutrient == "VITE"] == [0.0]


# --- how much it is


def test_per_kilogram_of_food_counts_all_species_of_the_day() -> None:
    foods = [food(HERRING, 3000), food(CAPELIN, 2000)]
    assert required_amount(wanted(amount=25.0), foods, None) == 125.0


def test_per_animal_and_day_does_not_depend_on_the_food() -> None:
    need = wanted(amount=35.0, per=Per.ANIMAL_DAY)
    assert required_amount(need, [], None) == 35.0
    assert required_amount(need, [food(grams=9000)], None) == 35.0


def test_per_kilogram_of_body_mass_takes_the_last_weighing() -> None:
    need = wanted(amount=2.0, per=Per.KG_BODY_MASS)
    assert required_amount(need, [], 87_500) == 175.0


def test_per_kilogram_of_body_mass_without_a_weighing_asks_to_weigh_first() -> None:
    need = wanted("THIA", per=Per.KG_BODY_MASS)
    with pytest.raises(ValueError, match="THIA is per kg of body mass: weigh the animal first"):
        required_amount(need, [], None)


def test_on_dry_matter_the_water_of_each_fish_does_not_count() -> None:
    # 3 kg × 0.28 + 2 kg × 0.20 = 1.24 kg of dry matter
    foods = [food(HERRING, 3000, 0.72), food(CAPELIN, 2000, 0.80)]
    need = wanted(amount=100.0, basis=Basis.DRY_MATTER)
    assert required_amount(need, foods, None) == pytest.approx(124.0)


def test_a_cap_per_day_keeps_holiday_food_from_doubling_the_tablets() -> None:
    need = wanted(amount=25.0, cap_per_day=150.0)
    assert required_amount(need, [food(grams=5000)], None) == 125.0
    assert required_amount(need, [food(grams=6000)], None) == 150.0
    assert required_amount(need, [food(grams=12_000)], None) == 150.0


def test_requirements_of_different_fish_share_the_smallest_cap_of_the_day() -> None:
    of_all = wanted(amount=100.0, cap_per_day=600.0)
    of_herring = wanted(amount=100.0, cap_per_day=500.0, species=HERRING)
    found = [w for w in in_force([of_all, of_herring], "pinniped") if w.nutrient == "VITA"]
    (only,) = lines(found, [food(HERRING, 5000), food(CAPELIN, 6000)], None)
    assert only.required == only.add == sum(p.required for p in only.parts) == 500


def test_without_food_nothing_is_required_per_kilogram_of_food() -> None:
    assert required_amount(wanted(amount=25.0), [], None) == 0.0


# --- what the fish is credited with


def test_an_added_requirement_credits_the_fish_with_nothing() -> None:
    found = line(wanted(), food(VITA=(1000.0, 2000.0)))
    assert (found.required, found.credit, found.add) == (500.0, 0.0, 500.0)


def test_a_total_requirement_credits_the_low_bound_and_shows_the_range() -> None:
    # per kg: 100 required, 30 … 45 in the fish; 5 kg of it
    found = line(wanted(mode=Mode.TOTAL), food(VITA=(30.0, 45.0)))
    assert (found.required, found.credit, found.add) == (500.0, 150.0, 350.0)
    assert (found.low, found.high) == (275.0, 350.0)


def test_fish_with_more_than_enough_needs_nothing_and_not_less_than_nothing() -> None:
    found = line(wanted(mode=Mode.TOTAL), food(VITA=(300.0, 450.0)))
    assert (found.add, found.low, found.high) == (0.0, 0.0, 0.0)


def test_a_content_given_per_100_g_counts_ten_times_per_kilogram() -> None:
    # EPA is counted in g/100 g: 0.7 g/100 g in 5 kg are 35 g
    found = line(wanted("F20D5N3", 10.0, mode=Mode.TOTAL), food(F20D5N3=(0.7, 0.7)))
    assert found.credit == pytest.approx(35.0)


def test_a_content_that_nobody_knows_is_credited_with_nothing() -> None:
    found = line(wanted(mode=Mode.TOTAL), food(CAPELIN), food(VITA=(30.0, 30.0)))
    assert (found.credit, found.unknown) == (150.0, (CAPELIN,))
    nothing_known = line(wanted(mode=Mode.TOTAL), food())
    assert (nothing_known.fish, nothing_known.add) == (None, 500.0)


@pytest.mark.parametrize("nutrient", ["THIA", "VITE", "VITA"])
def test_what_the_policy_gives_no_credit_for_is_shown_beside_it(nutrient: str) -> None:
    need = wanted(nutrient, mode=Mode.TOTAL)
    doubted = held(nutrient, 2.0, 3.0, why_no_credit="evidence is weak")
    found = line(need, Food(WHITING, 5000, 0.8, {nutrient: doubted}))
    assert (found.credit, found.why_no_credit) == (0.0, "evidence is weak")
    assert found.fish is not None and (found.fish.low, found.fish.high) == (10.0, 15.0)
    assert line(need, food(WHITING, **{nutrient: (2.0, 3.0)})).credit == 10.0  # type: ignore[arg-type]


def test_thiaminase_in_any_fish_of_the_day_takes_the_credit_for_thiamine_of_all() -> None:
    need = wanted("THIA", mode=Mode.TOTAL)
    free = food(WHITING, THIA=(2.0, 3.0))
    assert line(need, free).credit == 10.0
    for carrier in (HERRING, CAPELIN):
        found = line(need, free, food(carrier, 100))
        assert found.credit == 0.0 and carrier in str(found.why_no_credit)
    tested = food(HERRING, 100, thiaminase=Thiaminase.ABSENT)
    assert line(need, free, tested).credit == 10.0
    assert line(need, food(WHITING, thiaminase=Thiaminase.PRESENT, THIA=(2.0, 3.0))).credit == 0


def test_thiaminase_does_not_touch_the_credit_for_other_nutrients() -> None:
    need = wanted("VITE", mode=Mode.TOTAL)
    assert line(need, food(HERRING, VITE=(2.0, 3.0))).credit == 10.0


def test_a_fish_counts_as_destroying_thiamine_unless_it_is_known_not_to() -> None:
    for code, facts in species_facts().items():
        assert has_thiaminase(code) == (facts.thiaminase is not Thiaminase.ABSENT)
    states = {facts.thiaminase for facts in species_facts().values()}
    assert states >= {Thiaminase.PRESENT, Thiaminase.MIXED, Thiaminase.ABSENT}


# --- limits


def test_a_limit_of_the_total_leaves_what_the_richest_fish_would_leave() -> None:
    # limit 500; 5 kg of fish with up to 45 per kg
    need = wanted(amount=100.0, limit=500.0, limit_on=LimitOn.TOTAL)
    assert line(need, food(VITA=(30.0, 45.0))).room == 275.0


def test_a_limit_of_what_is_added_does_not_count_the_fish() -> None:
    need = wanted(amount=100.0, limit=500.0, limit_on=LimitOn.ADDED)
    assert line(need, food(VITA=(30.0, 45.0))).room == 500.0


def test_fish_that_is_over_the_limit_by_itself_leaves_no_room_and_not_less() -> None:
    need = wanted(amount=100.0, limit=200.0)
    assert line(need, food(VITA=(30.0, 45.0))).room == 0.0


def test_without_a_limit_there_is_room_for_anything() -> None:
    found = line(wanted(), food())
    assert (found.room, found.limit) == (inf, None)


def test_of_several_requirements_the_largest_addition_meets_the_tightest_limit() -> None:
    needs = [
        wanted("THIA", 25.0, limit=400.0, limit_on=LimitOn.ADDED, source="per food"),
        wanted("THIA", 35.0, per=Per.ANIMAL_DAY, limit=150.0, limit_on=LimitOn.ADDED),
    ]
    for order in permutations(needs):
        (found,) = lines(order, [food()], None)
        assert (found.add, found.room, found.limit) == (125.0, 150.0, 150.0)
        assert found.source == "per food"


def test_every_nutrient_has_one_line() -> None:
    needs = [wanted("THIA"), wanted("VITE"), wanted("THIA", per=Per.ANIMAL_DAY)]
    found = lines(needs, [food()], None)
    assert [each.nutrient for each in found] == ["THIA", "VITE"]


contents = st.lists(st.floats(0, 1000), min_size=2, max_size=2).map(sorted)


@given(
    st.floats(0.1, 1000),
    st.sampled_from(Mode),
    st.sampled_from(LimitOn),
    st.integers(0, 20_000),
    contents,
    st.floats(0, 1e5),
)
def test_richer_fish_never_needs_more_nor_leaves_more_room(
    amount: float,
    mode: Mode,
    limit_on: LimitOn,
    grams: int,
    content: list[float],
    limit: float,
) -> None:
    need = wanted(amount=amount, mode=mode, limit=limit, limit_on=limit_on)
    poor = line(need, food(grams=grams, VITA=(content[0], content[0])))
    rich = line(need, food(grams=grams, VITA=(content[1], content[1])))
    assert rich.add <= poor.add
    assert rich.room <= poor.room
    assert 0 <= poor.low <= poor.add <= poor.high


# --- published limits


def test_the_one_limit_that_is_true_of_a_species_binds_it() -> None:
    # Mazzaro et al. 1995 [read]: 6.4 µmol/day of retinol, 6 111 IU
    limit = binding_limit("VITA", "Callorhinus ursinus")
    assert limit is not None and limit.amount == 6111
    assert binding_limit("VITA", "Zalophus californianus") is None
    (own,) = with_published([], "Callorhinus ursinus")
    assert line(own, food(grams=3000, VITA=(500.0, 1000.0))).room == 3111
    set_here = wanted("VITA", 0.0, limit=5000.0)
    assert with_published([set_here], "Callorhinus ursinus") == [set_here]


def test_limits_of_other_animals_only_warn() -> None:
    """Vitamin D 3 000 IU per kg of dry matter of dogs [AAFCO 2014, quoted]: 1.4 kg, 4 200 IU."""
    (found,) = above_published("VITD", 4201, 1400, group="pinniped")
    assert (found.rule, found.outcome) == ("above-published", "warn")
    assert "AAFCO" in found.source
    assert not list(above_published("VITD", 4199, 1400, group="pinniped"))


def test_salt_is_suggested_for_an_animal_in_fresh_water_and_never_added_by_itself() -> None:
    (found,) = suggestions("pinniped", Water.FRESH, [])
    assert "3 g of salt per kg of food" in found.words and "vet" in found.words
    assert not list(suggestions("pinniped", Water.SEA, []))
    assert not list(suggestions("pinniped", None, []))
    assert not list(suggestions("pinniped", Water.FRESH, [wanted("NACL", 3.0)]))
    # Merck Veterinary Manual [read]: 0.5-1 g a bird and day
    (penguins,) = suggestions("penguin", Water.FRESH, [])
    assert "0.5-1 g of salt per animal and day" in penguins.words
    assert "NACL" not in {w.nutrient for w in catalogue_wanted("pinniped")}


# --- where the pieces go

NINE = datetime(2026, 11, 25, 9, tzinfo=UTC)
THREE = datetime(2026, 11, 25, 15, tzinfo=UTC)


def given_at(
    contents: set[str], count: float, *meals: Meal, form: str = "tablet", smallest: float = 1.0
) -> list[Giving]:
    eaten = [food(species) for species in dict.fromkeys(s for m in meals for s in m.grams)]
    return givings(contents, form, count, smallest, meals, eaten)


def test_thiamine_goes_into_a_fish_without_thiaminase_where_there_is_one() -> None:
    meals = [Meal(1, NINE, {HERRING: 2000}), Meal(2, THREE, {HERRING: 500, WHITING: 500})]
    (only,) = given_at({"THIA"}, 2, *meals)
    assert (only.feed, only.fish, only.at) == (2, WHITING, THREE)
    assert species_facts()[WHITING].name in only.how and "gill" in only.how


def test_where_all_fish_may_destroy_thiamine_it_is_given_2_h_before_the_main_feed() -> None:
    # Geraci 1972 [read]: apart from the fish, 2 h before
    meals = [Meal(1, NINE, {CAPELIN: 500}), Meal(2, THREE, {HERRING: 2000})]
    (only,) = given_at({"THIA", "VITE"}, 2, *meals)
    assert (only.feed, only.at) == (None, THREE - timedelta(hours=2))
    assert "2 h before" in only.how
    (untimed,) = givings({"THIA"}, "tablet", 2, 1.0, [], [food(HERRING), food(CAPELIN)])
    assert "2 h before" in untimed.how


def test_a_laboratory_that_found_thiaminase_keeps_thiamine_out_of_that_fish() -> None:
    carrier = food(WHITING, thiaminase=Thiaminase.PRESENT)
    (only,) = givings({"THIA"}, "tablet", 1, 1.0, [Meal(1, NINE, {WHITING: 500})], [carrier])
    assert only.fish is None and "2 h before" in only.how


def test_vitamins_that_dissolve_in_fat_go_with_the_fattest_fish() -> None:
    (only,) = given_at({"VITE"}, 1, Meal(1, NINE, {WHITING: 900, HERRING: 100}))
    assert (only.fish, only.feed) == (HERRING, 1)


def test_salt_is_spread_over_the_feeds_and_many_tablets_too() -> None:
    meals = [Meal(1, NINE, {WHITING: 500}), Meal(2, THREE, {WHITING: 500})]
    salt = given_at({"NACL"}, 3.1, *meals, form="powder", smallest=0.1)
    assert [(g.feed, g.count) for g in salt] == [(1, 1.6), (2, 1.5)]
    assert "just before" in salt[0].how
    assert [g.count for g in given_at({"VITE"}, 4, *meals)] == [4]
    assert [g.count for g in given_at({"VITE"}, 5, *meals)] == [3, 2]


@given(st.integers(1, 400), st.sampled_from([0.1, 0.25, 0.5, 1.0]), st.integers(1, 12))
def test_split_pieces_add_up_in_whole_smallest_pieces(
    pieces: int, smallest: float, parts: int
) -> None:
    shares = split(pieces * smallest, smallest, parts)
    assert sum(shares) == pytest.approx(pieces * smallest)
    assert all(share > 0 and round(share / smallest, 3) % 1 == 0 for share in shares)
    assert len(shares) == min(pieces, parts)


kinds = st.tuples(st.sampled_from(Scope), st.sampled_from([None, HERRING, WHITING]))


@given(st.lists(kinds, unique=True, max_size=9), st.randoms(use_true_random=False))
def test_the_order_of_requirements_does_not_matter(
    kinds: list[tuple[Scope, str | None]], random: Random
) -> None:
    set_here = [
        wanted("THIA", 10.0 + n, scope=scope, species=species, number=n)
        for n, (scope, species) in enumerate(kinds)
        if scope is not Scope.CATALOGUE
    ]
    mixed = random.sample(set_here, len(set_here))
    day = [food(HERRING, 1000), food(WHITING, 700), food(CAPELIN, 300)]
    assert in_force(mixed, "pinniped") == in_force(set_here, "pinniped")
    assert lines(in_force(mixed, "pinniped"), day, None) == lines(
        in_force(set_here, "pinniped"), day, None
    )
    for fish in (HERRING, WHITING, CAPELIN):
        speaking = [
            w for w in in_force(set_here, "pinniped") if w.nutrient == "THIA" and w.speaks_of(fish)
        ]
        assert len(speaking) == 1, "one requirement of a kind speaks of each fish"


@given(st.floats(0.1, 1000), st.floats(1, 1000), st.integers(1, 20_000))
def test_doubling_the_food_never_passes_the_cap(amount: float, cap: float, grams: int) -> None:
    need = wanted(amount=amount, cap_per_day=cap)
    once = required_amount(need, [food(grams=grams)], None)
    assert once <= required_amount(need, [food(grams=2 * grams)], None) <= cap
