"""Energy of a fish: a laboratory's word, else what diets by energy go by."""

from dataclasses import replace

from service.catalogue.rules import nutrients
from service.diets.rules.energy import usual_energy
from service.quality.rules import Held
from service.science.energy import SEASON_LN_SD, metabolisable_kcal_per_100g
from service.science.residual import Start
from service.supplements.rules.needs import Food

FROM_PROXIMATES = "4.27 · protein + 9.02 · fat + 4.11 · carbohydrate of the assay"


def with_energy(food: Food) -> Food:
    """A fish whose energy is as assayed, else of its assayed proximates, else as usual.

    As usual: measured whole fish before muscle tables, as diets by energy have it.
    """
    held = food.content.get("ENERC")
    if held is not None and held.assay_id is not None:
        return food
    return replace(food, content={**food.content, "ENERC": _of_proximates(food) or _usual(food)})


def kcal_per_kg(food: Food) -> float:
    """Energy of a fish as fed, by `with_energy`."""
    return 10 * with_energy(food).content["ENERC"].value


def _of_proximates(food: Food) -> Held | None:
    protein, fat = food.content.get("PROCNT"), food.content.get("FAT")
    carbohydrate = food.content.get("CHOCDF")
    if protein is None or fat is None or None in (protein.assay_id, fat.assay_id):
        return None
    low, value, high = (
        metabolisable_kcal_per_100g(
            getattr(protein, bound),
            getattr(fat, bound),
            getattr(carbohydrate, bound) if carbohydrate else 0.0,
        )
        for bound in ("low", "value", "high")
    )
    return replace(
        protein,
        nutrient="ENERC",
        unit=nutrients()["ENERC"].unit,
        low=low,
        value=value,
        high=high,
        credited=(low, high),
        source=FROM_PROXIMATES,
        start=Start(value),
    )


def _usual(food: Food) -> Held:
    usual = usual_energy(food.species)
    start = Start(usual.kcal_per_kg / 10, SEASON_LN_SD)
    low, high = start.range
    return Held(
        nutrient="ENERC",
        unit=nutrients()["ENERC"].unit,
        low=low,
        value=start.value,
        high=high,
        source=usual.source,
        share_left=(1.0, 1.0, 1.0),
        credited=(low, high),
        why_no_credit=None,
        start=start,
    )
