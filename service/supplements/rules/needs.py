"""What an animal's day needs added: requirement, what the fish is credited with, room."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import inf

from service.catalogue.rules import Basis, Thiaminase, nutrients, species_facts
from service.quality.rules.content import Held
from service.science.dosing import amount_needed
from service.supplements.rules import LimitOn, Mode, Per
from service.supplements.rules.requirements import Wanted


@dataclass(frozen=True)
class Food:
    """Grams of one species in a day's food, of which lot, and its content by tag.

    lot: None where nothing of the species is in stock, so that a usual content stands for it.
    thiaminase: of the lot where a laboratory looked for it; None: of the species.
    """

    species: str
    grams: int
    water_share: float
    content: Mapping[str, Held]
    lot: str | None = None
    thiaminase: Thiaminase | None = None

    @property
    def destroys_thiamine(self) -> bool:
        """Whether it counts as carrying thiaminase: mixed and unknown do."""
        if self.thiaminase is None:
            return has_thiaminase(self.species)
        return self.thiaminase is not Thiaminase.ABSENT

    def of(self, grams: int) -> "Food":
        """So many grams of the same."""
        return replace(self, grams=grams)


@dataclass(frozen=True)
class Amount:
    """A low bound, a value and a high bound per animal and day."""

    low: float
    value: float
    high: float


@dataclass(frozen=True)
class Part:
    """What one requirement comes to for an animal's day.

    food_g: grams that it counts, dry matter where it is of dry matter; None where it does not
    depend on food. before_cap: what it would be without its cap; cap: what the day's cap, of it
    and of those that it adds up with, leaves it.
    """

    wanted: Wanted
    food_g: float | None
    before_cap: float
    required: float
    credit: tuple[float, float]
    add: float
    cap: float | None = None


@dataclass(frozen=True)
class Line:
    """What is required of a nutrient, what the fish is credited with, what to add.

    fish: in the day's fish, None where nobody knows of any. unknown: fish of which nobody
    knows. why_no_credit: why less than the estimate is credited. parts: the requirements that
    decided; others: those that ask for less.
    """

    nutrient: str
    required: float
    credit: float
    add: float
    low: float
    high: float
    room: float
    limit: float | None
    limit_on: LimitOn
    source: str
    parts: tuple[Part, ...] = ()
    others: tuple[Part, ...] = ()
    fish: Amount | None = None
    unknown: tuple[str, ...] = ()
    why_no_credit: str | None = None


def lines(wanted: Sequence[Wanted], food: Sequence[Food], body_mass_g: int | None) -> list[Line]:
    """One line a nutrient: the largest of its requirements against its smallest room.

    Requirements of one kind that speak of different fish are added up. Raises ValueError where
    one is per body mass and the animal was never weighed.
    """
    by_nutrient: dict[str, list[Part]] = {}
    for each in wanted:
        by_nutrient.setdefault(each.nutrient, []).append(_part(each, food, body_mass_g))
    return [_line(nutrient, parts, food) for nutrient, parts in by_nutrient.items()]


def _line(nutrient: str, parts: Sequence[Part], food: Sequence[Food]) -> Line:
    most = _deciding(parts)
    add = sum(p.add for p in most)
    fish, unknown = in_fish(nutrient, food)
    room, limit, limit_on = _tightest(parts, fish)
    return Line(
        nutrient=nutrient,
        required=sum(p.required for p in most),
        credit=sum(min(p.credit[0], p.required) if len(most) > 1 else p.credit[0] for p in most),
        add=add,
        low=sum(amount_needed(p.required, p.credit[1]) for p in most),
        high=add,
        room=room,
        limit=limit,
        limit_on=limit_on,
        source="; ".join(dict.fromkeys(p.wanted.source for p in most)),
        parts=tuple(most),
        others=tuple(p for p in parts if all(p.wanted is not m.wanted for m in most)),
        fish=fish,
        unknown=unknown,
        why_no_credit=_why_no_credit(most[0].wanted, food),
    )


def _deciding(parts: Sequence[Part]) -> Sequence[Part]:
    """Of requirements that stand beside each other those that ask for the largest addition."""
    if len(parts) == 1:
        return parts
    kinds: dict[object, list[Part]] = {}
    for part in parts:
        kinds.setdefault((*part.wanted.kind, part.wanted.only_limits), []).append(part)
    added_up = [list(_under_one_cap(same)) for same in kinds.values()]
    return max(added_up, key=lambda same: sum(p.add for p in same))


def _under_one_cap(same: Sequence[Part]) -> Iterator[Part]:
    """Requirements of different fish add up to no more than the smallest of their caps."""
    left = min((p.cap for p in same if p.cap is not None), default=None)
    for part in same:
        if left is None:
            yield part
            continue
        required = min(part.required, left)
        add = amount_needed(required, part.credit[0])
        yield replace(part, required=required, add=add, cap=left)
        left -= required


def _tightest(parts: Sequence[Part], fish: Amount | None) -> tuple[float, float | None, LimitOn]:
    """What may be added under the tightest limit, that limit, and what it counts."""
    held = fish.high if fish else 0.0
    rooms = [
        (max(0.0, limit - (held if p.wanted.limit_on is LimitOn.TOTAL else 0.0)), limit, p)
        for p in parts
        if (limit := p.wanted.limit) is not None
    ]
    if not rooms:
        return inf, None, LimitOn.TOTAL
    room, limit, part = min(rooms, key=lambda each: each[:2])
    return room, limit, part.wanted.limit_on


def _part(wanted: Wanted, food: Sequence[Food], body_mass_g: int | None) -> Part:
    counted = [f for f in food if wanted.speaks_of(f.species)]
    amount, food_g = _amount(wanted, counted, body_mass_g)
    capped = amount if wanted.cap_per_day is None else min(amount, wanted.cap_per_day)
    credit = _credit(wanted, counted, food)
    return Part(
        wanted, food_g, amount, capped, credit, amount_needed(capped, credit[0]), wanted.cap_per_day
    )


def required_amount(wanted: Wanted, food: Sequence[Food], body_mass_g: int | None) -> float:
    """The amount per animal and day (science reference 8), under its cap.

    Raises ValueError where it is per body mass and the animal was never weighed.
    """
    return _part(wanted, food, body_mass_g).required


def _amount(
    wanted: Wanted, counted: Sequence[Food], body_mass_g: int | None
) -> tuple[float, float | None]:
    if wanted.per is Per.ANIMAL_DAY:
        return wanted.amount, None
    if wanted.per is Per.KG_BODY_MASS:
        if body_mass_g is None:
            raise ValueError(f"{wanted.nutrient} is per kg of body mass: weigh the animal first")
        return wanted.amount * body_mass_g / 1000, None
    dry = wanted.basis is Basis.DRY_MATTER
    grams = sum(f.grams * (1 - f.water_share if dry else 1.0) for f in counted)
    return wanted.amount * grams / 1000, grams


def _credit(wanted: Wanted, counted: Sequence[Food], food: Sequence[Food]) -> tuple[float, float]:
    """What of the fish's own content counts: (low, high) bounds; 0 where evidence is weak."""
    if wanted.mode is Mode.ADDED or _destroyed(wanted.nutrient, food):
        return 0.0, 0.0
    known = [(f, held) for f in counted if (held := f.content.get(wanted.nutrient)) is not None]
    return (
        sum(_in_grams(wanted.nutrient, f, held.credited[0]) for f, held in known),
        sum(_in_grams(wanted.nutrient, f, held.credited[1]) for f, held in known),
    )


def _destroyed(nutrient: str, food: Sequence[Food]) -> bool:
    """Thiamine of all fish, by the enzyme of one: they meet in the bucket and the stomach."""
    return nutrient == "THIA" and any(f.destroys_thiamine for f in food)


def _why_no_credit(wanted: Wanted, food: Sequence[Food]) -> str | None:
    if wanted.mode is Mode.ADDED:
        return "it is required on top of what the fish holds"
    if _destroyed(wanted.nutrient, food):
        carriers = sorted({f.species for f in food if f.destroys_thiamine})
        return f"{', '.join(carriers)} may carry thiaminase, which destroys thiamine"
    for each in food:
        held = each.content.get(wanted.nutrient)
        if held is not None and held.why_no_credit:
            return held.why_no_credit
    return None


def in_fish(nutrient: str, food: Sequence[Food]) -> tuple[Amount | None, tuple[str, ...]]:
    """What the day's fish holds of a nutrient, and the fish of which nobody knows.

    None where nobody knows of any: missing is missing, not zero.
    """
    low = value = high = 0.0
    unknown = []
    per_kg = _per_kg(nutrient)
    for each in food:
        held = each.content.get(nutrient)
        if held is None:
            unknown.append(each.species)
            continue
        of_food = per_kg * each.grams / 1000
        low, value = low + held.low * of_food, value + held.value * of_food
        high += held.high * of_food
    known = len(unknown) < len(food)
    return Amount(low, value, high) if known else None, tuple(dict.fromkeys(unknown))


def _in_grams(nutrient: str, food: Food, content: float) -> float:
    return content * _per_kg(nutrient) * food.grams / 1000


@cache
def _per_kg(nutrient: str) -> float:
    """Amount units in a kilogram of what holds one of the nutrient's unit."""
    return 10.0 if nutrients()[nutrient].unit.endswith("/100g") else 1.0


def has_thiaminase(species: str) -> bool:
    """Whether a fish counts as destroying thiamine: mixed and unknown do."""
    return species_facts()[species].thiaminase is not Thiaminase.ABSENT
