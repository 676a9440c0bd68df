"""Supplements and international units against published doses and conversions.

Thiamine 25 mg per kg of fish: Geraci 1972, Can J Zool 50:179 [read]. Vitamin E
100 IU per kg of fish: Engelhardt & Geraci 1978 [read]. Vitamin A of northern
fur seals: Mazzaro et al. 1995, Can J Zool 73:10 [read]. International units:
pharmacopoeial definitions [memory, high].
"""

from math import inf

import pytest

from service.catalogue.rules import default_content, in_service_unit
from service.science.dosing import Need, Offer, choose_pieces
from service.supplements.rules import Mode
from service.supplements.rules.needs import Food, lines
from service.supplements.rules.requirements import catalogue_wanted, in_force

HERRING_5_KG = [Food("HER", 5000, 0.7205, {})]


def test_the_catalogue_asks_25_mg_thiamine_and_100_iu_vitamin_e_per_kilogram_of_fish() -> None:
    found = lines(catalogue_wanted("pinniped"), HERRING_5_KG, None)
    assert {line.nutrient: line.add for line in found} == {"THIA": 125.0, "VITE": 500.0}


@pytest.mark.parametrize("group", ["pinniped", "cetacean", "penguin", "otter", "seabird", "other"])
def test_every_group_of_fish_eaters_gets_thiamine_and_vitamin_e(group: str) -> None:
    wanted = {w.nutrient: w for w in in_force([], group)}
    assert wanted["THIA"].amount == 25
    assert wanted["VITE"].amount == 100
    assert all("[R]" in w.source and w.mode is Mode.ADDED for w in wanted.values())


def test_fresh_herring_holds_16_iu_vitamin_e_per_kilogram() -> None:
    # USDA SR Legacy: 1.07 mg/100 g RRR-α-tocopherol; 1 mg = 1.49 IU → 15.94 IU/kg
    content = default_content("HER")["VITE"]
    assert content == pytest.approx(1.07 * 10 * 1.49, abs=0.01)


@pytest.mark.parametrize(
    ("tag", "amount", "unit", "expected"),
    [
        ("VITA", 0.3, "ug", 1.0),  # 1 IU = 0.3 µg retinol
        ("VITA", 1833.28, "ug", 6111),  # 6.4 µmol × 286.45 g/mol, Mazzaro et al. 1995
        ("VITA", 1241 * 0.3, "ug", 1241),  # 1.3 µmol, same source
        ("VITD", 0.025, "ug", 1.0),  # 1 IU = 0.025 µg
        ("VITD", 4.2, "ug/100g", 1680),  # herring, USDA SR Legacy
        ("VITE", 1.0, "mg", 1.49),  # RRR-α-tocopherol
        ("VITE", 1.07, "mg/100g", 15.943),
        ("VITE", 400, "IU", 400),
        ("THIA", 0.092, "mg/100g", 0.92),  # herring, USDA SR Legacy
        ("THIA", 100, "mg", 100),
        ("THIA", 1, "g", 1000),
        ("SE", 36.5, "ug/100g", 365),  # herring, USDA SR Legacy
        ("ENERC", 418.4, "kJ/100g", 100),  # 1 kcal = 4.184 kJ
    ],
)
def test_units_convert_by_their_definitions(
    tag: str, amount: float, unit: str, expected: float
) -> None:
    assert in_service_unit(tag, amount, unit) == pytest.approx(expected, rel=1e-4)


def cupboard(pieces_per_tablet: int) -> list[Offer]:
    """Two strengths of thiamine, two of vitamin E, and a tablet with both and vitamin A."""
    tablets = {
        "B1-250": {"THIA": 250.0},
        "B1-100": {"THIA": 100.0},
        "E-400": {"VITE": 400.0},
        "E-100": {"VITE": 100.0},
        "MULTI": {"THIA": 50.0, "VITE": 200.0, "VITA": 2500.0},
    }
    return [
        Offer(name, {n: a / pieces_per_tablet for n, a in contents.items()}, pieces_per_tablet)
        for name, contents in tablets.items()
    ]


NEEDS = [Need("THIA", 137.5, 275), Need("VITE", 500, 750), Need("VITA", 0, 2600)]


def test_half_tablets_meet_the_worked_example_with_four_pieces() -> None:
    # our worked example, checked against a solver: ½ × 250 mg, 1 × 400 IU, ½ multi
    dose = choose_pieces(NEEDS, cupboard(2))
    assert dose.pieces == {"B1-250": 1, "E-400": 2, "MULTI": 1}
    assert dose.unmet == ()


def test_whole_tablets_meet_the_worked_example_with_five() -> None:
    dose = choose_pieces(NEEDS, cupboard(1))
    assert dose.pieces == {"B1-100": 1, "E-100": 3, "MULTI": 1}
    assert dose.unmet == ()


def test_without_a_limit_of_vitamin_a_the_example_has_the_same_least_excess() -> None:
    free = [Need("THIA", 137.5, 275), Need("VITE", 500, 750), Need("VITA", 0, inf)]
    assert choose_pieces(free, cupboard(2)).excess <= choose_pieces(NEEDS, cupboard(2)).excess
