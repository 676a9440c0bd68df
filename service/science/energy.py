"""Energy of fish and energy needs of animals."""

from collections.abc import Mapping
from math import exp, hypot, inf

from service.science.estimate import Z10, Estimate

KJ_PER_KCAL = 4.184
# kcal/g: the fish factors of the USDA food description file [read]; carbohydrate
# matters in squid only. Conservative: 4 and 9 (Ridgway et al. [read]).
PROTEIN_KCAL_G, FAT_KCAL_G, CARBOHYDRATE_KCAL_G = 4.27, 9.02, 4.11
# kJ/g, heat of combustion [memory, high].
GROSS_PROTEIN_KJ_G, GROSS_FAT_KJ_G, GROSS_CARBOHYDRATE_KJ_G = 23.64, 39.54, 17.15
KLEIBER_KCAL = 70.0
# Logarithmic spreads [science reference 7; memory, medium]: fat of herring runs from
# 2 to 20 % over a year.
NEED_LN_SD, SEASON_LN_SD, ASSAYED_LN_SD = 0.15, 0.20, 0.05


def metabolisable_kcal_per_100g(
    protein_g: float, fat_g: float, carbohydrate_g: float = 0.0
) -> float:
    """Metabolisable energy of fish as fed, from g/100 g of its proximates.

    Raises ValueError for negative amounts. Leaves out digestion by the species
    that eats it.

    >>> round(metabolisable_kcal_per_100g(17.96, 9.04), 2)
    158.23
    """
    _not_negative(protein_g, fat_g, carbohydrate_g)
    return PROTEIN_KCAL_G * protein_g + FAT_KCAL_G * fat_g + CARBOHYDRATE_KCAL_G * carbohydrate_g


def gross_kj_per_100g(protein_g: float, fat_g: float, carbohydrate_g: float = 0.0) -> float:
    """Heat of combustion of fish as fed, from g/100 g of its proximates.

    >>> round(gross_kj_per_100g(17.96, 9.04), 2)
    782.02
    """
    _not_negative(protein_g, fat_g, carbohydrate_g)
    return (
        GROSS_PROTEIN_KJ_G * protein_g
        + GROSS_FAT_KJ_G * fat_g
        + GROSS_CARBOHYDRATE_KJ_G * carbohydrate_g
    )


def _not_negative(*amounts: float) -> None:
    if any(not 0 <= amount < inf for amount in amounts):
        raise ValueError("protein, fat and carbohydrate must be 0 or more")


def basal_kcal_per_day(body_mass_kg: float) -> float:
    """Kleiber's basal rate, 70 M^0.75 kcal/day [read].

    Raises ValueError for a mass that is not more than zero.

    >>> round(basal_kcal_per_day(200), 2)
    3722.81
    """
    if not 0 < body_mass_kg < inf:
        raise ValueError("body_mass_kg must be more than zero")
    return float(KLEIBER_KCAL * body_mass_kg**0.75)


def food_kg_per_day(
    energy_kcal: float,
    shares: Mapping[str, float],
    kcal_per_kg: Mapping[str, float],
    *,
    need_ln_sd: float = NEED_LN_SD,
    content_ln_sd: float = SEASON_LN_SD,
) -> Estimate:
    """Kilograms a day of a mixture of fish that carry an amount of energy, with their range.

    shares : mass share of each species, summing to 1. need_ln_sd, content_ln_sd :
    spread of the animal's need and of the fish's energy, which is taken to be rich
    or poor in all species at once, the wide side; an assay narrows it to 0.05.

    Raises ValueError if shares are negative or do not sum to 1, if the energy needed
    is negative, or an energy is missing or not more than zero.

    >>> need = 2.5 * basal_kcal_per_day(150)
    >>> ration = food_kg_per_day(need, {"HER": 1.0}, {"HER": 1582 * 0.88})
    >>> round(ration.low, 1), round(ration.value, 3), round(ration.high, 1)
    (3.9, 5.388, 7.4)
    """
    if not 0 <= energy_kcal < inf:
        raise ValueError("energy_kcal must be 0 or more")
    if (
        any(not share >= 0 for share in shares.values())
        or not abs(sum(shares.values()) - 1) <= 1e-9
    ):
        raise ValueError("shares must be 0 or more and sum to 1")
    if any(not 0 < kcal_per_kg.get(species, 0) < inf for species in shares):
        raise ValueError("kcal_per_kg must be more than zero for each species")
    per_kg = sum(share * kcal_per_kg[s] for s, share in shares.items())
    return Estimate.log_normal(
        energy_kcal / per_kg,
        hypot(need_ln_sd, content_ln_sd),
        unit="kg",
        steps=[
            f"{energy_kcal:.0f} kcal a day, 10-90 % × ÷ {exp(Z10 * need_ln_sd):.2f}",
            f"fish of {per_kg:.0f} kcal/kg, 10-90 % × ÷ {exp(Z10 * content_ln_sd):.2f}",
        ],
        sources=["spread of need and of season: our own figures [M-m]"],
    )


def equal_energy_kg(mass_kg: float, kcal_per_kg: float, other_kcal_per_kg: float) -> float:
    """Kilograms of another fish with the same energy.

    Raises ValueError for a negative mass or an energy that is not more than zero.

    >>> round(equal_energy_kg(8.3, 1445, 857), 1)
    14.0
    """
    if not (0 <= mass_kg < inf and 0 < kcal_per_kg < inf and 0 < other_kcal_per_kg < inf):
        raise ValueError("mass_kg must be 0 or more, the energies more than zero")
    return mass_kg * kcal_per_kg / other_kcal_per_kg
