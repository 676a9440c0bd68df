"""Rations against published intake, energy and trials; ids are those of the trade reference."""

from datetime import date

import pytest

from service.animals.rules import Group, Sex, Stage
from service.catalogue.rules import default_content
from service.decisions import Outcome
from service.diets.rules import AmountBy, AmountsFor
from service.diets.rules.amounts import Eaters, Line, Prescription, day_grams
from service.diets.rules.energy import assayed_energy, usual_energy
from service.diets.rules.substituting import Wish, swaps_for
from service.diets.rules.usual_intake import KG_PER_LB, Ration, intake_findings
from service.science.energy import basal_kcal_per_day, gross_kj_per_100g

TODAY = date(2026, 11, 25)
ADULT, YOUNG = date(2010, 6, 1), date(2025, 6, 1)


def of_one(by: AmountBy, amount: float, mass_kg: float, kcal_per_kg: float = 1000.0) -> int:
    """Grams a day of an animal on one fish."""
    diet = Prescription([Line("HER", by, amount)])
    eaters = Eaters(1, (round(mass_kg * 1000),))
    return day_grams(diet, eaters, factor=1.0, kcal_per_kg={"HER": kcal_per_kg})["HER"]


@pytest.mark.parametrize(
    ("mass_kg", "kcal"),
    # T01 Ridgway et al. print 3 722 for 200 kg; T02 by Kleiber's formula.
    [(200, 3722.8), (100, 2213.6), (4, 198.0)],
)
def test_one_times_the_basal_rate_is_kleibers(mass_kg: float, kcal: float) -> None:
    assert basal_kcal_per_day(mass_kg) == pytest.approx(kcal, abs=0.1)
    # Fish of 1 kcal/g: as many grams as kilocalories.
    assert of_one(AmountBy.BASAL, 1, mass_kg) == pytest.approx(kcal, abs=0.6)


def test_two_and_a_half_times_the_basal_rate_of_150_kg() -> None:
    # T03: 7 500.8 kcal a day.
    assert of_one(AmountBy.BASAL, 2.5, 150) == pytest.approx(7500.8, abs=0.6)


def test_the_energy_of_herring_by_fours_and_nines_and_by_the_fish_factors() -> None:
    content = default_content("HER")
    # T08: 4 and 9 kcal/g of its default content give 1 532 kcal/kg; USDA prints 158 kcal/100 g.
    assert 10 * (4 * content["PROCNT"] + 9 * content["FAT"]) == pytest.approx(1532, abs=1)
    assert usual_energy("HER").kcal_per_kg == pytest.approx(1580, abs=10)
    by_assay = assayed_energy("HER", {"PROCNT": 17.96, "FAT": 9.04})
    assert by_assay == pytest.approx(1582, abs=1)


def test_gross_and_digestible_energy_of_herring() -> None:
    # T09: 7.82 kJ/g gross; 95.4 % is digested [Rosen & Trites 2000].
    gross = gross_kj_per_100g(17.96, 9.04) / 100
    assert gross == pytest.approx(7.82, abs=0.01)
    assert 0.954 * gross == pytest.approx(7.46, abs=0.01)


def test_measured_whole_fish_goes_before_tables_of_muscle() -> None:
    # Ridgway et al.: capelin 912, Pacific mackerel is another species than Atlantic.
    assert usual_energy("CAP").kcal_per_kg == 912
    assert "Ridgway" in usual_energy("CAP").source


@pytest.mark.parametrize(
    ("herring_kg", "herring", "capelin", "capelin_kg"),
    [
        # T55, by arithmetic from USDA and Ridgway et al.
        (5, 1582, 912, 8.67),
        (5, 1445, 912, 7.92),
    ],
)
def test_herring_is_replaced_by_capelin_of_the_same_energy(
    herring_kg: float, herring: float, capelin: float, capelin_kg: float
) -> None:
    wish = Wish((1, None), "HER", round(herring_kg * 1000), ("CAP",))
    swaps, unmet = swaps_for(
        {"HER": wish.grams}, [wish], {"CAP": 10**6}, {"HER": herring, "CAP": capelin}
    )
    assert unmet == {}
    assert swaps[0].substitute_g / 1000 == pytest.approx(capelin_kg, abs=0.01)


def test_the_swap_of_the_trial_with_young_sea_lions_is_met_within_six_per_cent() -> None:
    # T54: 8.3 kg of herring were as much as 14.0 kg of capelin [Rosen & Trites 2004];
    # by the energies of Ridgway et al. it would be 8.3 x 1445 / 912 = 13.15 kg.
    wish = Wish((1, None), "HER", 8300, ("CAP",))
    (swap,), _ = swaps_for({"HER": 8300}, [wish], {"CAP": 10**6}, {"HER": 1445, "CAP": 912})
    assert swap.substitute_g / 14_000 == pytest.approx(1, abs=0.065)


@pytest.mark.parametrize(
    ("percent", "mass_kg", "kg"),
    [
        (5.2, 167.3, 8.7),  # T56 dolphin pregnant [Cheal & Gales 1991]
        (8, 165.0, 13.2),  # T56 dolphin lactating
        (12, 60, 7.2),  # T59 common dolphin [Kastelein et al.]
        (6, 100, 6.0),  # T59
    ],
)
def test_percent_of_body_mass(percent: float, mass_kg: float, kg: float) -> None:
    assert of_one(AmountBy.PERCENT, percent, mass_kg) / 1000 == pytest.approx(kg, abs=0.01)


@pytest.mark.parametrize(
    ("mass_lb", "eats_lb"),
    # Common practice, no source: two times the basal rate at 1.6 kcal/g.
    [(250, 6.7), (700, 14.5)],
)
def test_two_times_the_basal_rate_of_sea_lions_is_what_keepers_give(
    mass_lb: float, eats_lb: float
) -> None:
    grams = of_one(AmountBy.BASAL, 2, mass_lb * KG_PER_LB, 1600)
    assert grams / 1000 / KG_PER_LB == pytest.approx(eats_lb, abs=0.05)


def ration(kg: float, mass_kg: float | None, **more: object) -> Ration:
    facts: dict[str, object] = {
        "group": Group.PINNIPED,
        "taxon": "Zalophus californianus",
        "sex": Sex.FEMALE,
        "born_on": ADULT,
        "stages": (),
        "kcal": None,
    }
    return Ration(kg=kg, body_mass_kg=mass_kg, **(facts | more))  # type: ignore[arg-type]


def said_of(one: Ration) -> list[tuple[str, Outcome]]:
    return [(f.rule, f.outcome) for f in intake_findings(one, TODAY)]


USUAL, UNUSUAL = [("usual-intake", Outcome.PASS)], [("usual-intake", Outcome.WARN)]


@pytest.mark.parametrize(
    "one",
    [
        # T57, Kastelein et al. 2000: 4 000 kg a year (male), 1 800 and 1 400 (females).
        ration(10.96, 280, sex=Sex.MALE),
        ration(4.93, 90),
        ration(3.84, 90),
        # Common practice, no source: 6-35 lb a day above 700 lb, in autumn more.
        ration(14.5 * KG_PER_LB, 700 * KG_PER_LB, sex=Sex.MALE),
        ration(35 * KG_PER_LB, 750 * KG_PER_LB, sex=Sex.MALE),
        # Kastelein et al. 2005: harbour seals 1 000-1 200 kg a year.
        ration(1100 / 365, 85, taxon="Phoca vitulina"),
        # T58: dolphin, 1 900 kg and 133e5 kJ a year; 30-60 kcal/kg a day [Ridgway et al.].
        ration(
            5.21,
            190,
            group=Group.CETACEAN,
            taxon="Tursiops truncatus",
            kcal=133e5 / 365 / 4.184,
        ),
        # T56 dolphins, pregnant and lactating [Cheal & Gales 1991].
        ration(
            8.7, 167.3, group=Group.CETACEAN, taxon="Tursiops aduncus", stages=(Stage.PREGNANT,)
        ),
        ration(
            13.2, 165, group=Group.CETACEAN, taxon="Tursiops aduncus", stages=(Stage.LACTATING,)
        ),
        # Young Steller sea lions: ceiling 14-16 % a day [Rosen & Trites 2004].
        ration(15, 100, taxon="Eumetopias jubatus", born_on=YOUNG),
        # T60: royal penguin 83.3 g a day in 36 days of rearing is far below, moulting: not judged.
        # Sea otter 20-25 % a day, quoted.
        ration(5.5, 25, group=Group.OTTER, taxon="Enhydra lutris"),
    ],
)
def test_what_was_published_as_eaten_is_usual(one: Ration) -> None:
    assert said_of(one) == USUAL


@pytest.mark.parametrize(
    "one",
    [
        ration(50, 90),  # pounds taken for kilograms, twice
        ration(0.5, 90),
        ration(5, 25, group=Group.PENGUIN, taxon="Aptenodytes patagonicus"),
        ration(1, 25, group=Group.OTTER, taxon="Enhydra lutris"),
    ],
)
def test_a_ration_far_outside_of_what_was_published_is_pointed_out(one: Ration) -> None:
    assert said_of(one) == UNUSUAL


def test_a_moulting_penguin_is_not_held_against_anything() -> None:
    # Magellanic penguins in moult: about 50 g a day for 21 days [poster of 2012, n 55].
    bird = ration(0.05, 4, group=Group.PENGUIN, taxon="Spheniscus", stages=(Stage.MOULTING,))
    assert said_of(bird) == []


def test_a_royal_penguin_on_its_ration_eats_three_kilograms_in_36_days() -> None:
    # T60: 83.3 g a day.
    eaters, diet = Eaters(1), Prescription([Line("CAP", AmountBy.MASS, 83.3)], AmountsFor.ANIMAL)
    day = day_grams(diet, eaters, factor=1.0, kcal_per_kg={})["CAP"]
    assert 36 * day / 1000 == pytest.approx(3.0, abs=0.02)
