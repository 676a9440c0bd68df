"""Which requirements apply to an animal, and what is to be added."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from service.catalogue.rules import (
    Basis,
    Thiaminase,
    in_service_unit,
    nutrients,
    species_facts,
)
from service.figures import table
from service.science.dosing import amount_needed


class Mode(StrEnum):
    """On top of the fish, or fish and supplement together."""

    ADDED = "added"
    TOTAL = "total"


class Per(StrEnum):
    """What a requirement is per."""

    KG_FOOD = "kg_food"
    ANIMAL_DAY = "animal_day"
    KG_BODY_MASS = "kg_body_mass"


class Scope(StrEnum):
    """Whom a requirement is for; the later the more specific."""

    CATALOGUE = "catalogue"
    SITE = "site"
    GROUP = "group"
    ANIMAL = "animal"


class LimitOn(StrEnum):
    """What a limit counts."""

    TOTAL = "total"
    ADDED = "added"


class PlanBasis(StrEnum):
    """Whether a plan is for what an animal is to get, or for what it ate."""

    DIET = "diet"
    FEEDS = "feeds"


class PlanStatus(StrEnum):
    """Where a plan stands."""

    PROPOSED = "proposed"
    SIGNED = "signed"


SCOPES = list(Scope)
NO_CREDIT_BY_DEFAULT = frozenset({"THIA", "VITE"})

CAUTIONS = (
    "The attending veterinarian decides; this calculates, a person signs.",
    "Give each piece by hand to the named animal and watch it swallowed; a spat piece is recorded "
    "as not given and never given again by itself.",
)


@dataclass(frozen=True)
class Wanted:
    """A requirement in the nutrient's own unit, without what it is per."""

    nutrient: str
    amount: float
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    source: str
    cap_per_day: float | None = None
    limit: float | None = None
    limit_on: LimitOn = LimitOn.TOTAL
    number: int = 0


@dataclass(frozen=True)
class Food:
    """Grams of one species in a day's food, and its content by tag as (low, high)."""

    species: str
    grams: int
    water_share: float
    content: Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Line:
    """What is required of a nutrient, what the fish is credited with, what to add."""

    nutrient: str
    required: float
    credit: float
    add: float
    low: float
    high: float
    room: float
    limit: float | None
    source: str


def catalogue_wanted(group: str) -> list[Wanted]:
    """The catalogue's requirements for a group of animals; a group's own row beats `all`."""
    rows = [r for r in table("supplement_targets") if r["service_default"] == "yes"]
    own = [r for r in rows if r["group"] == group]
    covered = {(r["tag"], r["mode"], r["per"]) for r in own}
    general = [
        r for r in rows if r["group"] == "all" and (r["tag"], r["mode"], r["per"]) not in covered
    ]
    return [
        Wanted(
            nutrient=r["tag"],
            basis=Basis(r["basis"]),
            mode=Mode(r["mode"]),
            per=Per(r["per"]),
            amount=in_service_unit(r["tag"], float(r["amount_default"]), r["unit"]),
            scope=Scope.CATALOGUE,
            source=f"{r['source']} [{r['flag']}]",
        )
        for r in own + general
    ]


def in_force(set_here: Sequence[Wanted], group: str) -> list[Wanted]:
    """What applies to one animal: the narrowest scope of each nutrient, mode and per.

    Any requirement that a site has set for a nutrient removes the catalogue's
    rows of that nutrient. Of two with the same scope the newer replaces.
    """
    chosen: dict[tuple[str, Mode, Per], Wanted] = {}
    for wanted in sorted(set_here, key=lambda w: (SCOPES.index(w.scope), w.number)):
        chosen[wanted.nutrient, wanted.mode, wanted.per] = wanted
    covered = {wanted.nutrient for wanted in chosen.values()}
    general = [w for w in catalogue_wanted(group) if w.nutrient not in covered]
    return sorted([*chosen.values(), *general], key=lambda w: (w.nutrient, w.mode, w.per))


def lines(
    wanted: Sequence[Wanted],
    food: Sequence[Food],
    body_mass_g: int | None,
    *,
    credit_thiamine_and_vitamin_e: bool,
) -> list[Line]:
    """One line a nutrient: the largest of its requirements against its smallest room."""
    by_nutrient: dict[str, list[Line]] = {}
    for each in wanted:
        line = _line(each, food, body_mass_g, credit_thiamine_and_vitamin_e)
        by_nutrient.setdefault(each.nutrient, []).append(line)
    return [_strictest(found) for found in by_nutrient.values()]


def _strictest(found: Sequence[Line]) -> Line:
    most = max(found, key=lambda line: line.add)
    tightest = min(found, key=lambda line: line.room)
    return Line(
        most.nutrient,
        most.required,
        most.credit,
        most.add,
        most.low,
        most.high,
        tightest.room,
        tightest.limit,
        most.source,
    )


def _line(wanted: Wanted, food: Sequence[Food], body_mass_g: int | None, may_credit: bool) -> Line:
    required = required_amount(wanted, food, body_mass_g)
    low, high = _credit(wanted, food, may_credit)
    room, limit = inf, wanted.limit
    if limit is not None:
        fish = sum(_amount(f, wanted.nutrient)[1] for f in food)
        room = max(0.0, limit - (fish if wanted.limit_on is LimitOn.TOTAL else 0.0))
    return Line(
        nutrient=wanted.nutrient,
        required=required,
        credit=low,
        add=amount_needed(required, low),
        low=amount_needed(required, high),
        high=amount_needed(required, low),
        room=room,
        limit=limit,
        source=wanted.source,
    )


def required_amount(wanted: Wanted, food: Sequence[Food], body_mass_g: int | None) -> float:
    """The amount per animal and day (science reference 8), under its cap.

    Raises ValueError where it is per body mass and the animal was never weighed.
    """
    if wanted.per is Per.ANIMAL_DAY:
        amount = wanted.amount
    elif wanted.per is Per.KG_BODY_MASS:
        if body_mass_g is None:
            raise ValueError(f"{wanted.nutrient} is per kg of body mass: weigh the animal first")
        amount = wanted.amount * body_mass_g / 1000
    else:
        dry = wanted.basis is Basis.DRY_MATTER
        amount = wanted.amount * sum(
            f.grams / 1000 * (1 - f.water_share if dry else 1.0) for f in food
        )
    return amount if wanted.cap_per_day is None else min(amount, wanted.cap_per_day)


def _credit(wanted: Wanted, food: Sequence[Food], may_credit: bool) -> tuple[float, float]:
    """What of the fish's own content counts: (low, high) bounds; 0 where evidence is weak."""
    if wanted.mode is Mode.ADDED:
        return 0.0, 0.0
    if wanted.nutrient in NO_CREDIT_BY_DEFAULT and not may_credit:
        return 0.0, 0.0
    if wanted.nutrient == "THIA" and any(has_thiaminase(f.species) for f in food):
        return 0.0, 0.0
    amounts = [_amount(f, wanted.nutrient) for f in food]
    return sum(a[0] for a in amounts), sum(a[1] for a in amounts)


def _amount(food: Food, nutrient: str) -> tuple[float, float]:
    """(low, high) amount of a nutrient in a food; an unknown content adds nothing."""
    low, high = food.content.get(nutrient, (0.0, 0.0))
    per_kg = 10.0 if nutrients()[nutrient].unit.endswith("/100g") else 1.0
    kilograms = food.grams / 1000
    return low * per_kg * kilograms, high * per_kg * kilograms


def has_thiaminase(species: str) -> bool:
    """Whether a fish counts as destroying thiamine: mixed and unknown do."""
    return species_facts()[species].thiaminase is not Thiaminase.ABSENT


def placement(species: Sequence[str]) -> str:
    """Which fish to put the pieces in, and when."""
    free = [s for s in species if not has_thiaminase(s)]
    if free:
        return f"in the gill slit of the first {species_facts()[free[0]].name}, by hand"
    return "by hand in the first fish, 2 h before the main feed: all fish here may carry thiaminase"
