"""A day's food and supplements in all: plain facts and laws."""

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import nutrients, species_facts
from service.nutrition.rules import (
    Row,
    Total,
    balance_of,
    dry_matter_g,
    ratios,
    rows,
)
from service.quality.rules import usual_contents
from service.supplements.rules.energy import with_energy
from service.supplements.rules.needs import Food


def fish(species: str, grams: int) -> Food:
    content = usual_contents(species, may_credit=False)
    return with_energy(Food(species, grams, content["WATER"].value / 100, content))


FISH = [*sorted(species_facts())[:12], "HER", "CAP", "MAC"]
foods = st.builds(fish, st.sampled_from(FISH), st.integers(1, 50_000))


def found(*food: Food, **supplements: float) -> dict[str, Row]:
    made = rows(food, supplements, [], 100_000, group="pinniped")
    return {row.nutrient: row for row in made}


def as_fed(row: Row) -> float | None:
    return row.as_fed.value if row.as_fed else None


@given(st.lists(foods, min_size=1, max_size=4))
def test_a_mix_never_holds_more_or_less_per_kilogram_than_what_it_is_mixed_of(
    mix: list[Food],
) -> None:
    whole = found(*mix)
    for tag in nutrients():
        parts = [as_fed(found(each)[tag]) for each in mix]
        known = [part for part in parts if part is not None]
        if len(known) < len(parts):
            continue
        mixed = as_fed(whole[tag])
        assert mixed is not None
        assert min(known) * (1 - 1e-9) <= mixed <= max(known) * (1 + 1e-9)


@given(st.lists(foods, min_size=1, max_size=4))
def test_what_is_missing_in_one_fish_is_told_and_makes_the_total_at_least(mix: list[Food]) -> None:
    for tag, row in found(*mix, VITC=5.0).items():
        lacking = {f.species for f in mix if tag not in f.content}
        assert set(row.missing_in) == lacking
        if row.total is not None:
            assert (row.total.high is None) == bool(lacking)
        if all(tag not in f.content for f in mix):
            assert row.fish is None, "missing is not zero"
            assert (row.total is None) == (tag != "VITC")


@given(st.lists(foods, min_size=2, max_size=4))
def test_the_order_of_foods_does_not_matter(mix: list[Food]) -> None:
    first = found(*mix)
    for other in permutations(mix):
        for tag, row in found(*other).items():
            assert as_fed(row) == pytest.approx(as_fed(first[tag]))
            assert set(row.missing_in) == set(first[tag].missing_in)


@given(st.lists(foods, min_size=1, max_size=4), st.floats(0, 1e4))
def test_as_fed_is_dry_matter_without_the_water(mix: list[Food], added: float) -> None:
    water = 1 - dry_matter_g(mix) / sum(f.grams for f in mix)
    for row in found(*mix, VITE=added).values():
        if row.dry is not None and row.as_fed is not None:
            assert row.as_fed.value == pytest.approx(row.dry.value * (1 - water))
            assert row.as_fed.low == pytest.approx(row.dry.low * (1 - water))


@given(st.lists(foods, min_size=1, max_size=3), st.floats(0.1, 1e4))
def test_more_in_the_cupboard_never_means_less_in_the_animal(mix: list[Food], added: float) -> None:
    without, with_it = found(*mix)["VITE"], found(*mix, VITE=added)["VITE"]
    assert with_it.total is not None
    assert with_it.total.value >= (without.total or Total(0, 0, 0)).value


def test_vitamin_e_of_100_iu_as_fed_is_358_of_dry_matter() -> None:
    """trade.md T53: 100 IU/kg as fed at 72.05 % water (USDA SR herring) → 357.8 IU/kg."""
    herring = replace(fish("HER", 5000), content={})
    row = found(herring, VITE=500.0)["VITE"]
    assert row.as_fed is not None and row.dry is not None
    assert row.as_fed.value == 100
    assert row.dry.value == pytest.approx(357.8, abs=0.1)


@pytest.mark.parametrize(
    ("species", "grams_in_100"), [("HER", 100.51), ("HEP", 104.16), ("MAC", 97.39)]
)
def test_proximates_add_up_to_what_the_tables_print(species: str, grams_in_100: float) -> None:
    """trade.md T66 (USDA SR); mackerel by hand 63.55 + 18.60 + 13.89 + 1.35."""
    balance = balance_of(fish(species, 1000))
    assert balance == pytest.approx(grams_in_100, abs=0.01)


def test_energy_shares_are_by_the_factors_of_fish_and_add_up_to_all_of_it() -> None:
    """Herring 17.96 g protein, 9.04 g fat (USDA SR): 4.27 × 17.96 = 76.69, 9.02 × 9.04 = 81.54
    of 158.23 kcal: 48.5 and 51.5 %."""
    shares = {r.name: r.value for r in ratios(list(found(fish("HER", 1000)).values()))}
    assert shares["protein of energy"] == pytest.approx(48.47, abs=0.01)
    assert shares["fat of energy"] == pytest.approx(51.53, abs=0.01)


def test_a_ratio_of_which_a_part_is_unknown_is_unknown() -> None:
    herring, capelin = fish("HER", 1000), fish("CAP", 1000)
    assert "CA" not in capelin.content, "capelin has no row of minerals"
    alone = {r.name: r for r in ratios(list(found(herring).values()))}
    mixed = {r.name: r for r in ratios(list(found(herring, capelin).values()))}
    assert alone["calcium to phosphorus"].value == pytest.approx(57 / 236), "USDA SR, muscle"
    assert mixed["calcium to phosphorus"].value is None
    assert mixed["calcium to phosphorus"].missing == "nobody knows CA in CAP or P in CAP"


def test_energy_is_as_measured_of_whole_fish_before_tables_of_muscle() -> None:
    """Whole capelin 912 kcal/kg (Ridgway et al.); herring's table prints 158 kcal/100 g."""
    assert fish("CAP", 1000).content["ENERC"].value == pytest.approx(91.2)
    assert fish("HER", 1000).content["ENERC"].value == pytest.approx(158)


def test_nothing_eaten_has_no_content_per_kilogram() -> None:
    row = found(VITE=400.0)["VITE"]
    assert row.as_fed is None and row.dry is None
    assert row.total is not None and row.total.value == 400
