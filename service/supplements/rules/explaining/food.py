"""What the fish of a planned day weighs and holds, as it was stored."""

from collections.abc import Mapping
from typing import Any

from service.catalogue.rules import nutrients
from service.supplements.rules.steps import How, Step, fish, in_words, said

Written = Mapping[str, Any]
"""A part of a plan as it was stored."""

ABOUT = "about"


def held(food: Written, nutrient: str, content: float, words: str) -> Step:
    """What one fish of the day holds: content times mass."""
    unit, per_day = nutrients()[nutrient].unit, nutrients()[nutrient].amount_unit
    mass = _hundreds(food) if unit.endswith("/100g") else kilograms(food)
    amount = content * mass.value
    return Step(
        f"{fish(food['species'])}{_lot(food)} holds {words} {said(content)} {unit} "
        f"× {said(mass.value)} {mass.unit} = {said(amount)} {per_day}",
        amount,
        per_day,
        How.TIMES,
        (_content(food, nutrient, content, words), mass),
    )


def _content(food: Written, nutrient: str, content: float, words: str) -> Step:
    """The content of a fish; the estimate itself from what there was at the start."""
    held, unit = food["content"][nutrient], nutrients()[nutrient].unit
    source, flag = in_words(held["source"])
    start, share = held.get("start"), held.get("share_left")
    stated = f"{words} {said(content)} {unit}"
    notes = tuple(held["steps"])
    if words != ABOUT or start is None or share is None:
        return Step(stated, content, unit, source=source, flag=flag, notes=notes)
    of = (
        Step(f"at the start {said(start)} {unit}", start, unit, source=source, flag=flag),
        Step(f"{said(100 * share)} % of it is left", share, "", notes=notes[1:]),
    )
    return Step(stated, content, unit, How.TIMES, of, notes=notes)


def speaks_of(r: Written, food: Written) -> bool:
    """Whether a requirement counts a fish."""
    if r["species"] is not None:
        return bool(food["species"] == r["species"])
    return food["species"] not in r.get("but_for", ())


def _lot(food: Written) -> str:
    return f", lot {food['lot']}," if food["lot"] else ", none in stock,"


def kilograms(food: Written) -> Step:
    """Its mass."""
    kg = food["grams"] / 1000
    return Step(f"{said(kg)} kg of {fish(food['species'])}", kg, "kg")


def _hundreds(food: Written) -> Step:
    count = food["grams"] / 100
    return Step(f"{food['grams']} g of {fish(food['species'])}", count, "× 100 g")


def dry_matter(food: Written) -> Step:
    """Its mass without its water."""
    share = 1 - food["water_share"]
    whole = kilograms(food)
    dry = whole.value * share
    return Step(
        f"{said(whole.value)} kg of {fish(food['species'])} × {said(share)} = {said(dry)} kg dry",
        dry,
        "kg",
        How.TIMES,
        (whole, Step(f"{said(100 * share)} % of it is dry matter", share, "")),
    )
