"""Arithmetic of a whole diet: everything known of a day of food and supplements.

Missing stays missing, and is never zero.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.catalogue.rules import nutrients
from service.science.energy import CARBOHYDRATE_KCAL_G, FAT_KCAL_G, PROTEIN_KCAL_G
from service.supplements.rules import LimitOn, Mode
from service.supplements.rules.limits import Published, lowest_published
from service.supplements.rules.needs import Amount, Food, Line, in_fish

PROXIMATES = ("WATER", "PROCNT", "FAT", "ASH", "CHOCDF")
CLOSES_WITHIN = 3.0  # g/100 g that a row may miss 100 by [our default]


@dataclass(frozen=True)
class Total:
    """Fish and supplements of a day; high is None where a fish is unknown: it is at least this."""

    low: float
    value: float
    high: float | None

    def of(self, share: float) -> "Total":
        """So much of it."""
        high = None if self.high is None else self.high * share
        return Total(self.low * share, self.value * share, high)


@dataclass(frozen=True)
class Against:
    """A day's amount against what is required, set and published; shares of one.

    counted: what is credited of the fish and the supplements, of the requirement. estimated:
    the total's value of a requirement that counts the fish, None where a fish is unknown.
    of_limit, of_published: the high bound of what is known.
    """

    line: Line | None = None
    counted: float | None = None
    estimated: float | None = None
    of_limit: float | None = None
    published: Published | None = None
    published_amount: float | None = None
    of_published: float | None = None


@dataclass(frozen=True)
class Row:
    """One nutrient of an animal's day, in its amount unit; None: nobody knows.

    missing_in: fish of which nobody knows it. supplements: None where no product states it.
    as_fed, dry: of the total, per kg of food with its water and without; by_mass: per kg of
    body mass.
    """

    nutrient: str
    fish: Amount | None
    missing_in: tuple[str, ...]
    supplements: float | None
    total: Total | None
    as_fed: Total | None
    dry: Total | None
    by_mass: Total | None
    against: Against


@dataclass(frozen=True)
class Ratio:
    """A ratio that nutritionists look at; value None: why not."""

    name: str
    unit: str
    value: float | None
    missing: str | None
    source: str


def dry_matter_g(food: Sequence[Food]) -> float:
    """Grams of food without its water."""
    return sum(f.grams * (1 - f.water_share) for f in food)


def rows(
    food: Sequence[Food],
    supplements: Mapping[str, float],
    lines: Sequence[Line],
    body_mass_g: int | None,
    *,
    group: str,
) -> list[Row]:
    """Every nutrient that is known by a tag, of a day's food and supplements of one animal.

    The order of foods does not matter. Leaves out the mass of supplements themselves.
    """
    by_nutrient = {line.nutrient: line for line in lines}
    fed_g, dry_g = sum(f.grams for f in food), dry_matter_g(food)
    return [
        _row(
            tag, food, supplements.get(tag), by_nutrient.get(tag), fed_g, dry_g, body_mass_g, group
        )
        for tag in nutrients()
    ]


def _row(
    tag: str,
    food: Sequence[Food],
    added: float | None,
    line: Line | None,
    fed_g: float,
    dry_g: float,
    body_mass_g: int | None,
    group: str,
) -> Row:
    fish, missing = in_fish(tag, food)
    total = _total(fish, added, complete=not missing)
    return Row(
        nutrient=tag,
        fish=fish,
        missing_in=missing,
        supplements=added,
        total=total,
        as_fed=_per_kg(total, fed_g),
        dry=_per_kg(total, dry_g),
        by_mass=_per_kg(total, body_mass_g or 0),
        against=_against(tag, fish, added or 0.0, total, line, dry_g, group),
    )


def _total(fish: Amount | None, added: float | None, *, complete: bool) -> Total | None:
    if fish is None and added is None:
        return None
    known, more = fish or Amount(0.0, 0.0, 0.0), added or 0.0
    return Total(known.low + more, known.value + more, known.high + more if complete else None)


def _per_kg(total: Total | None, grams: float) -> Total | None:
    return None if total is None or grams <= 0 else total.of(1000 / grams)


def _against(
    tag: str,
    fish: Amount | None,
    added: float,
    total: Total | None,
    line: Line | None,
    dry_g: float,
    group: str,
) -> Against:
    most = (fish.high if fish else 0.0) + added
    lowest = lowest_published(tag, dry_g, group=group)
    amount, published = lowest or (None, None)
    return Against(
        line=line,
        counted=_share(line.credit + added, line.required) if line else None,
        estimated=_estimated(line, total) if line else None,
        of_limit=_of_limit(line, most, added) if line else None,
        published=published,
        published_amount=amount,
        of_published=None if amount is None or total is None else _share(most, amount),
    )


def _estimated(line: Line, total: Total | None) -> float | None:
    counts_fish = any(part.wanted.mode is Mode.TOTAL for part in line.parts)
    if not counts_fish or total is None or total.high is None:
        return None
    return _share(total.value, line.required)


def _of_limit(line: Line, most: float, added: float) -> float | None:
    if line.limit is None:
        return None
    return _share(most if line.limit_on is LimitOn.TOTAL else added, line.limit)


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole > 0 else None


def balance_of(food: Food) -> float | None:
    """The proximates of a fish together, g/100 g: near 100 where a table closes; None: unknown.

    As published they need not: Pacific herring of the tables adds up to 104.16 (trade.md T66).
    """
    if any(tag not in food.content for tag in PROXIMATES):
        return None
    return sum(food.content[tag].value for tag in PROXIMATES)


def ratios(found: Sequence[Row]) -> list[Ratio]:
    """Ratios of a day's rows. A part that is unknown in one fish makes the ratio unknown."""
    by_tag = {row.nutrient: row for row in found}
    energy = _energy_of_proximates(by_tag)
    return [
        _ratio("calcium to phosphorus", "mg/mg", by_tag, ("CA",), ("P",), _OURS),
        _ratio(
            "vitamin E to EPA and DHA", "IU/g", by_tag, ("VITE",), ("F20D5N3", "F22D6N3"), _PUFA
        ),
        *(
            Ratio(f"{name} of energy", "%", *_percent(factor, by_tag[tag], energy), _FACTORS)
            for name, tag, factor in _ENERGY
        ),
    ]


_OURS = "ours: no target for fish-eaters was read"
_PUFA = "ours: other unsaturated fats are not known, so that the true ratio is lower"
_FACTORS = "4.27, 9.02 and 4.11 kcal/g of fish, USDA food description file [R]"
_ENERGY = (
    ("protein", "PROCNT", PROTEIN_KCAL_G),
    ("fat", "FAT", FAT_KCAL_G),
    ("carbohydrate", "CHOCDF", CARBOHYDRATE_KCAL_G),
)


def _ratio(
    name: str,
    unit: str,
    by_tag: Mapping[str, Row],
    above: Sequence[str],
    below: Sequence[str],
    source: str,
) -> Ratio:
    missing = _missing([by_tag[tag] for tag in (*above, *below)])
    if missing is not None:
        return Ratio(name, unit, None, missing, source)
    over, under = (sum(_value(by_tag[tag]) for tag in tags) for tags in (above, below))
    if under <= 0:
        return Ratio(name, unit, None, "there is none to divide by", source)
    return Ratio(name, unit, over / under, None, source)


def _missing(found: Sequence[Row]) -> str | None:
    unknown = [f"{row.nutrient} in {', '.join(row.missing_in)}" for row in found if row.missing_in]
    return f"nobody knows {' or '.join(unknown)}" if unknown else None


def _value(row: Row) -> float:
    return row.total.value if row.total else 0.0


def _energy_of_proximates(by_tag: Mapping[str, Row]) -> float | None:
    """kcal of a day by its proximates, so that the shares of protein and fat add up."""
    parts = [by_tag[tag] for _, tag, _ in _ENERGY]
    if _missing(parts) is not None:
        return None
    return sum(factor * _value(by_tag[tag]) for _, tag, factor in _ENERGY)


def _percent(factor: float, row: Row, energy: float | None) -> tuple[float | None, str | None]:
    if not energy:
        return None, "protein, fat or carbohydrate is unknown, or there is none"
    return 100 * factor * _value(row) / energy, None
