"""Which requirements apply to an animal and what is to be added: plain facts, by hand."""

from dataclasses import replace
from itertools import permutations
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import Basis, Thiaminase, species_facts
from service.supplements.rules import (
    Food,
    LimitOn,
    Line,
    Mode,
    Per,
    Scope,
    Wanted,
    catalogue_wanted,
    has_thiaminase,
    in_force,
    lines,
    placement,
    required_amount,
)

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


def food(
    species: str = HERRING,
    grams: int = 5000,
    water: float = 0.72,
    **content: tuple[float, float],
) -> Food:
    return Food(species, grams, water, content)


def line(need: Wanted, *foods: Food, body_mass_g: int | None = None, credit: bool = False) -> Line:
    (found,) = lines([need], list(foods), body_mass_g, credit_thiamine_and_vitamin_e=credit)
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


def test_a_younger_requirement_of_the_same_scope_replaces_the_older() -> None:
    older = wanted("THIA", 30.0, number=1)
    newer = wanted("THIA", 35.0, number=2)
    assert amounts_in_force(newer, older)["THIA"] == [35.0]


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
    assert line(wanted(mode=Mode.TOTAL), food(), food(VITA=(30.0, 30.0))).credit == 150.0


@pytest.mark.parametrize("nutrient", ["THIA", "VITE"])
def test_thiamine_and_vitamin_e_are_credited_only_where_the_site_says_so(nutrient: str) -> None:
    need = wanted(nutrient, mode=Mode.TOTAL)
    fish = Food(WHITING, 5000, 0.8, {nutrient: (2.0, 3.0)})
    assert line(need, fish).credit == 0.0
    assert line(need, fish, credit=True).credit == 10.0


def test_thiaminase_in_any_fish_of_the_day_takes_the_credit_for_thiamine_of_all() -> None:
    need = wanted("THIA", mode=Mode.TOTAL)
    free = food(WHITING, THIA=(2.0, 3.0))
    assert line(need, free, credit=True).credit == 10.0
    for carrier in (HERRING, CAPELIN):
        assert line(need, free, food(carrier, 100), credit=True).credit == 0.0


def test_thiaminase_does_not_touch_the_credit_for_other_nutrients() -> None:
    need = wanted("VITE", mode=Mode.TOTAL)
    assert line(need, food(HERRING, VITE=(2.0, 3.0)), credit=True).credit == 10.0


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
        (found,) = lines(order, [food()], None, credit_thiamine_and_vitamin_e=False)
        assert (found.add, found.room, found.limit) == (125.0, 150.0, 150.0)
        assert found.source == "per food"


def test_every_nutrient_has_one_line() -> None:
    needs = [wanted("THIA"), wanted("VITE"), wanted("THIA", per=Per.ANIMAL_DAY)]
    found = lines(needs, [food()], None, credit_thiamine_and_vitamin_e=False)
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


# --- where the pieces go


def test_the_pieces_go_into_a_fish_without_thiaminase_where_there_is_one() -> None:
    said = placement([HERRING, WHITING])
    assert species_facts()[WHITING].name in said and "gill" in said


def test_where_all_fish_may_destroy_thiamine_the_pieces_are_given_2_h_before() -> None:
    # Geraci 1972 [read]: apart from the fish, 2 h before
    assert "2 h before" in placement([HERRING, CAPELIN])
