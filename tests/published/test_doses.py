"""Doses and contents that were published, in units of each other.

Thiamine: Geraci 1972, Can J Zool 50:179 [read]. Vitamin A of northern fur seals: Mazzaro
et al. 1995, Can J Zool 73:10 [read]. Penguin tablets: Gulland 1988 [read]. Mackerel: USDA
SR Legacy [read]. Worked figures: trade reference 16 (T10-T13, T47-T53) and science
reference 8, derived there. International units: pharmacopoeial definitions [memory, high].
"""

from dataclasses import replace
from math import exp

import pytest

from service.catalogue.rules import Basis, default_content
from service.science.dosing import Need, Offer, amount_needed, choose_pieces, tablets, weighed
from service.science.vitamins import (
    RETINOL,
    RRR_TOCOPHEROL,
    iu_from_mg,
    mg_from_umol,
    umol_from_mg,
)
from service.supplements.rules import Mode, Per, Scope
from service.supplements.rules.needs import Food, required_amount
from service.supplements.rules.requirements import Wanted

HERRING_WATER = 0.7205  # USDA
HERRING_5_KG = [Food("HER", 5000, HERRING_WATER, {})]
PER_KG_FISH = Wanted("THIA", 25, Basis.AS_FED, Mode.ADDED, Per.KG_FOOD, Scope.SITE, "Geraci 1972")


def test_seals_on_5_kg_of_herring_get_125_to_165_mg_thiamine_or_35_mg_flat() -> None:
    # T10, S99
    low, high = PER_KG_FISH, replace(PER_KG_FISH, amount=33)
    flat = replace(PER_KG_FISH, amount=35, per=Per.ANIMAL_DAY)
    asked = [required_amount(w, HERRING_5_KG, None) for w in (low, high, flat)]
    assert asked == [125, 165, 35]
    assert [amount_needed(a, 0) for a in asked] == asked


def test_they_get_500_iu_of_vitamin_e() -> None:
    # T11; Engelhardt & Geraci 1978 [read]
    wanted = replace(PER_KG_FISH, nutrient="VITE", amount=100)
    assert required_amount(wanted, HERRING_5_KG, None) == 500


def test_fresh_herring_leaves_84_of_100_iu_to_add_and_after_180_days_97_and_a_half() -> None:
    # T12, T13, S100: 1.07 mg/100 g; mean of three measured rates 0.010199 a day
    fresh = float(iu_from_mg(RRR_TOCOPHEROL, 10.7))
    assert fresh == pytest.approx(15.9, abs=0.1)
    assert amount_needed(100, fresh) == pytest.approx(84.1, abs=0.1)
    stored = fresh * exp(-180 * 0.010199)
    assert stored == pytest.approx(2.5, abs=0.1)
    assert amount_needed(100, stored) == pytest.approx(97.5, abs=0.1)


@pytest.mark.parametrize(
    ("umol", "iu"),
    [(1.3, 1241), (6.4, 6111), (0.32, 306), (0.64, 611)],  # T47, S101; T48
)
def test_vitamin_a_of_fur_seals_in_units_and_back(umol: float, iu: float) -> None:
    mg = mg_from_umol(RETINOL, umol)
    assert float(iu_from_mg(RETINOL, mg)) == pytest.approx(iu, abs=1)
    assert float(umol_from_mg(RETINOL, mg)) == pytest.approx(umol, rel=1e-12)


def test_a_kilogram_of_mackerel_has_1667_iu_vitamin_a_and_6440_iu_vitamin_d() -> None:
    # T49, T50: 50 µg/100 g, 16.1 µg/100 g; 3.67 kg bring a fur seal to 6 111 IU
    held = default_content("MAC")
    assert held["VITA"] == pytest.approx(1667, abs=1)
    assert held["VITD"] == pytest.approx(6440, abs=1)
    assert 6111 / held["VITA"] == pytest.approx(3.67, abs=0.01)


def test_a_penguin_s_tablet_in_340_g_of_fish_is_811_iu_per_kilogram() -> None:
    # T51: 185 mg α-tocopherol
    per_kg = 185 / 0.340
    assert per_kg == pytest.approx(544, abs=1)
    assert float(iu_from_mg(RRR_TOCOPHEROL, per_kg)) == pytest.approx(811, abs=1)


def test_2_mg_of_retinol_equivalents_are_6800_iu() -> None:
    assert float(iu_from_mg(RETINOL, 2.04)) == pytest.approx(6800, abs=1)  # T52


def test_per_dry_matter_and_as_fed_are_different_figures() -> None:
    # T53: 100 IU/kg as fed are 357.8 IU/kg of dry matter; 400 of dry matter are 111.8 as fed
    kilogram = [Food("HER", 1000, HERRING_WATER, {})]
    dry = replace(PER_KG_FISH, nutrient="VITE", basis=Basis.DRY_MATTER)
    asked = [required_amount(replace(dry, amount=a), kilogram, None) for a in (357.8, 400)]
    assert asked == pytest.approx([100.0, 111.8], abs=0.05)


# --- the worked example of tablets, solved there by enumeration and by an integer program

TABLETS = {
    "B1-250": {"THIA": 250.0},
    "B1-100": {"THIA": 100.0},
    "E-400": {"VITE": 400.0},
    "E-100": {"VITE": 100.0},
    "MULTI": {"THIA": 50.0, "VITE": 200.0, "VITA": 2500.0},
}
NEEDS = [Need("THIA", 137.5, 275), Need("VITE", 500, 750), Need("VITA", 0, 2600)]


def four_at_most(halves: int) -> list[Offer]:
    return [
        replace(tablets(name, held, pieces_per_tablet=halves), most=4 * halves)
        for name, held in TABLETS.items()
    ]


@pytest.mark.parametrize(("halves", "pieces"), [(2, 4), (1, 5)])  # S102, S103
def test_the_least_excess_is_an_eleventh_in_four_halves_or_five_tablets(
    halves: int, pieces: int
) -> None:
    dose = choose_pieces(NEEDS, four_at_most(halves))
    assert dose.excess == pytest.approx(0.0909, abs=1e-4)
    assert sum(dose.pieces.values()) == pieces
    assert dose.totals["THIA"] == 150
    assert dose.totals["VITE"] == 500
    assert dose.totals["VITA"] == 1250 * (2 if halves == 1 else 1)
    assert dose.exact


def test_powder_is_rounded_up_to_a_tenth_of_a_gram_and_the_limit_checked_again() -> None:
    # science reference 8: never under the need or over the limit; if both fail, reported
    powder = [weighed("E-POWDER", {"VITE": 500.0})]
    assert choose_pieces([Need("VITE", 501, 560)], powder).pieces == {"E-POWDER": 11}
    narrow = choose_pieces([Need("VITE", 501, 540)], powder)
    assert narrow.pieces == {"E-POWDER": 10}
    assert [(u.nutrient, u.short_by) for u in narrow.unmet] == [("VITE", 1)]
