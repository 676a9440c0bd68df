"""The tables of the trade hang together, and names and units lead to one meaning."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import (
    GROUP_PROXIMATES,
    ICE_LIFE_D,
    Thiaminase,
    content_source,
    default_content,
    in_service_unit,
    life_profile,
    life_profiles,
    nutrient_tag,
    nutrients,
    species_facts,
)
from service.figures import number, table
from service.site.rules import default_policy

TABLES = (
    "species",
    "composition",
    "storage_life",
    "nutrients",
    "handling_rules",
    "supplement_targets",
    "nutrient_limits",
    "thiaminase",
)


# --- the tables


@pytest.mark.parametrize("name", TABLES)
def test_every_row_of_a_table_names_its_source_and_how_sure_it_is(name: str) -> None:
    rows = table(name)
    assert rows
    for row in rows:
        assert row["source"].strip()
        # R and R2 read, M from memory (high, medium, low), D derived or our default
        assert row["flag"].split("/")[0].split("-")[0] in {"R", "R2", "M", "D"}, row


def test_every_species_leads_to_a_life_table_an_age_limit_and_proximates() -> None:
    policy = default_policy()
    for facts in species_facts().values():
        assert facts.life_profile in life_profiles()
        assert policy.age_limit_days(facts.fat_group) > 0
        assert facts.thermal_group in GROUP_PROXIMATES
        assert facts.thermal_group in ICE_LIFE_D


def test_species_are_known_by_their_code_once() -> None:
    rows = table("species")
    assert len({row["asfis_code"] for row in rows}) == len(rows)
    assert all(len(code) == 3 and code.isupper() for code in species_facts())


@pytest.mark.parametrize(
    ("code", "scientific_name", "fat_group", "thiaminase"),
    [
        # FAO ASFIS codes; thiaminase of herring: Geraci 1972 [read]
        ("HER", "Clupea harengus", "fatty", Thiaminase.PRESENT),
        ("SPR", "Sprattus sprattus", "fatty", Thiaminase.PRESENT),
        ("CAP", "Mallotus villosus", "medium", Thiaminase.MIXED),
        ("WHG", "Merlangius merlangus", "lean", Thiaminase.ABSENT),
    ],
)
def test_feed_fish_are_what_the_trade_knows_them_as(
    code: str, scientific_name: str, fat_group: str, thiaminase: Thiaminase
) -> None:
    facts = species_facts()[code]
    assert facts.scientific_name == scientific_name
    assert facts.fat_group == fat_group
    assert facts.thiaminase is thiaminase


def test_proximates_of_a_group_are_parts_of_a_hundred_grams() -> None:
    # water, protein, fat and ash are analysed apart: Atlantic mackerel (USDA SR) adds up to 97.4
    for proximates in GROUP_PROXIMATES.values():
        assert 97 <= sum(proximates.values()) <= 101
        assert min(proximates.values()) >= 0


def test_months_of_storage_life_never_grow_with_temperature() -> None:
    for profile in life_profiles():
        assert list(profile.months) == sorted(profile.months, reverse=True)


def test_a_table_of_storage_life_that_does_not_exist_is_not_made_up() -> None:
    with pytest.raises(KeyError):
        life_profile("no such table", 8.0)


# --- what a fish contains


def test_herring_contains_what_the_usda_table_says() -> None:
    # USDA SR Release 17 and SR Legacy, 15039, raw Atlantic herring
    content = default_content("HER")
    assert content["WATER"] == 72.05
    assert content["PROCNT"] == 17.96
    assert content["FAT"] == 9.04
    assert content["ENERC"] == 158
    assert content["THIA"] == pytest.approx(0.92)
    assert content["SE"] == pytest.approx(365)
    assert "USDA" in content_source("HER")


def test_a_fish_without_a_row_has_its_group_s_proximates_and_no_vitamins_made_up() -> None:
    with_rows = {
        row["asfis_code"] for row in table("composition") if row["service_default"] == "yes"
    }
    without = [code for code in species_facts() if code not in with_rows]
    assert without
    for code in without:
        group = species_facts()[code].thermal_group
        assert dict(default_content(code)) == dict(GROUP_PROXIMATES[group])
        assert "group default" in content_source(code)


def test_an_empty_cell_is_unknown_and_a_zero_is_a_zero() -> None:
    assert number("") is None
    assert number("0") == 0.0
    row = next(r for r in table("composition") if r["asfis_code"] == "HER")
    assert row["vitamin_e_mg_per_100g"]
    for r in table("composition"):
        if r["service_default"] == "yes" and not r["vitamin_e_mg_per_100g"]:
            assert "VITE" not in default_content(r["asfis_code"])


# --- names


@pytest.mark.parametrize(
    ("said", "tag"),
    [
        ("THIA", "THIA"),
        ("thia", "THIA"),
        (" Thiamine ", "THIA"),
        ("thiamin", "THIA"),
        ("Vitamin B1", "THIA"),
        ("vitamin_b1", "THIA"),
        ("vitamin E", "VITE"),
        ("TOCPHA", "VITE"),
        ("EPA", "F20D5N3"),
        ("salt", "NACL"),
    ],
)
def test_a_nutrient_is_found_by_its_tag_and_by_what_people_call_it(said: str, tag: str) -> None:
    assert nutrient_tag(said) == tag


def test_no_name_leads_to_two_nutrients() -> None:
    names = [
        name.lower().replace(" ", "_")
        for row in table("nutrients")
        for name in {row["tag"], row["name"], *row["also_called"].split(";")}
        if name
    ]
    by_tag = {name: nutrient_tag(name) for name in names}
    for row in table("nutrients"):
        for name in (row["tag"], row["name"], *row["also_called"].split(";")):
            if name:
                assert by_tag[name.lower().replace(" ", "_")] == row["tag"]


@pytest.mark.parametrize("said", ["", "vitamin", "THIAMINE HCL", "B12?"])
def test_an_unknown_nutrient_is_said_to_be_unknown(said: str) -> None:
    with pytest.raises(ValueError, match="no nutrient is called"):
        nutrient_tag(said)


# --- units; conversions by definition are checked among the published figures


@given(st.sampled_from(sorted(nutrients())), st.floats(0, 1e6))
def test_an_amount_in_the_service_s_own_unit_stays_as_it_is(tag: str, amount: float) -> None:
    nutrient = nutrients()[tag]
    for unit in (nutrient.unit, nutrient.amount_unit):
        assert in_service_unit(tag, amount, unit) == pytest.approx(amount)


@given(st.sampled_from(["THIA", "CA", "NACL", "SE", "F20D5N3"]), st.floats(0, 1e6))
def test_the_same_mass_in_any_unit_is_the_same_amount(tag: str, grams: float) -> None:
    said = [(grams, "g"), (grams * 1e3, "mg"), (grams * 1e6, "ug"), (grams * 1e6, "µg")]
    first, *others = (in_service_unit(tag, amount, unit) for amount, unit in said)
    assert others == pytest.approx([first] * 3)


@given(st.sampled_from(["THIA", "VITE", "F20D5N3"]), st.floats(0, 1e6))
def test_per_100_g_is_ten_times_per_kilogram(tag: str, amount: float) -> None:
    assert in_service_unit(tag, amount, "mg/100g") == pytest.approx(
        in_service_unit(tag, amount * 10, "mg/kg")
    )
    assert in_service_unit(tag, amount, "mg/g") == pytest.approx(
        in_service_unit(tag, amount * 1000, "mg / kg")
    )


@pytest.mark.parametrize(
    ("tag", "unit"),
    [
        ("THIA", "IU"),  # thiamine has no unit of that name in use
        ("THIA", "tablet"),
        ("THIA", "mg/lb"),
        ("THIA", "mg/"),
        ("THIA", "kcal"),
        ("ENERC", "mg"),
        ("VITE", "kJ"),
        ("CA", ""),
    ],
)
def test_a_unit_that_does_not_fit_the_nutrient_is_refused_by_name(tag: str, unit: str) -> None:
    with pytest.raises(ValueError, match=f"{tag} is counted in"):
        in_service_unit(tag, 1.0, unit)
