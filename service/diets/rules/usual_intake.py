"""What animals of a kind, age and stage usually eat, as published, and diets outside of it."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

from service.animals.rules import Group, Sex, Stage
from service.decisions import Finding
from service.science.energy import basal_kcal_per_day
from service.site.rules import finding

KG_PER_LB = 0.45359237
YOUNG_DAYS = 3 * 365.25  # until when an animal counts as young: our default
SMALL_PINNIPED_KG, LARGE_KG, LARGE_PENGUIN_KG = 50.0, 500.0, 8.0  # our defaults
# Appetite swings in these, and no range is published that a diet could be held against.
_NOT_JUDGED = frozenset(
    {Stage.MOULTING, Stage.RUTTING, Stage.BIRTHING, Stage.NESTING, Stage.CONVALESCENT}
)
_INF = float("inf")


@dataclass(frozen=True)
class Ration:
    """What one animal is to eat a day, over the mean of the year, and of what it is.

    kcal: None where no energy is known.
    """

    group: Group
    taxon: str
    sex: Sex
    body_mass_kg: float | None
    born_on: date | None
    stages: Collection[Stage]
    kg: float
    kcal: float | None

    def young(self, on: date) -> bool | None:
        """Whether it counts as young; None where its birth is not known."""
        return None if self.born_on is None else (on - self.born_on).days < YOUNG_DAYS


@dataclass(frozen=True)
class Published:
    """A range of daily intake: unit, and for whom. None: for all."""

    low: float
    high: float
    unit: str
    source: str
    groups: tuple[Group, ...] = ()
    genus: str = ""
    young: bool | None = None
    stage: Stage | None = None
    sex: Sex | None = None
    from_kg: float = 0.0
    below_kg: float = _INF

    def about(self, ration: Ration, on: date) -> bool:
        """Whether it is about such an animal; what is not known of it rules nothing out."""
        mass = ration.body_mass_kg
        return (
            (not self.groups or ration.group in self.groups)
            and ration.taxon.lower().startswith(self.genus.lower())
            and (self.young is None or ration.young(on) in (None, self.young))
            and (self.stage is None or self.stage in ration.stages)
            and (self.sex is None or ration.sex in (Sex.UNKNOWN, self.sex))
            and (mass is None or self.from_kg <= mass < self.below_kg)
        )


_SEA = (Group.PINNIPED, Group.CETACEAN)
_FIELD, _RIDGWAY = "Field 2022, Merck Veterinary Manual", "Ridgway et al."
_PRACTICE = "husbandry practice, from memory"
# Trade reference 8.2. Yearly figures are divided by 365.
PUBLISHED: tuple[Published, ...] = (
    Published(9, 15, "%", _FIELD, (Group.CETACEAN,), young=True),
    Published(9, 15, "%", _FIELD, (Group.PINNIPED,), below_kg=SMALL_PINNIPED_KG),
    Published(4, 9, "%", _FIELD, _SEA, young=False, below_kg=LARGE_KG),
    Published(2, 5, "%", _FIELD, _SEA, from_kg=LARGE_KG),
    Published(2, 5, "%", _FIELD, genus="Mirounga"),
    Published(30, 60, "kcal/kg", _RIDGWAY, genus="Tursiops", young=False),
    Published(60, 120, "kcal/kg", _RIDGWAY, genus="Tursiops", young=True),
    Published(94, 124, "kcal/kg", _RIDGWAY, genus="Tursiops", stage=Stage.LACTATING),
    Published(5.2, 8, "%", "Cheal & Gales 1991", genus="Tursiops", stage=Stage.PREGNANT),
    Published(5.2, 8, "%", "Cheal & Gales 1991", genus="Tursiops", stage=Stage.LACTATING),
    Published(6, 12, "%", "Kastelein et al.", genus="Delphinus"),
    Published(
        1400 / 365,
        1800 / 365,
        "kg",
        "Kastelein et al. 2000",
        genus="Zalophus",
        sex=Sex.FEMALE,
        young=False,
    ),
    Published(
        6 * KG_PER_LB,
        35 * KG_PER_LB,
        "kg",
        "common practice, no source: 6-35 lb a day",
        genus="Zalophus",
        young=False,
        from_kg=200 * KG_PER_LB,
    ),
    Published(1000 / 365, 1200 / 365, "kg", "Kastelein et al. 2005", genus="Phoca", young=False),
    Published(9, 16, "%", f"{_FIELD}; Rosen & Trites 2004", genus="Eumetopias", young=True),
    Published(2.5, 3.5, "× basal", "Worthy, from memory", _SEA, young=True),
    Published(3, 6, "× basal", "Lavigne, from memory", _SEA, stage=Stage.LACTATING),
    Published(20, 25, "%", "sea otter, quoted; Yeates et al. 2007", genus="Enhydra"),
    Published(15, 20, "%", _PRACTICE, (Group.OTTER,)),
    Published(10, 15, "%", _PRACTICE, (Group.PENGUIN,), below_kg=LARGE_PENGUIN_KG),
    Published(5, 8, "%", _PRACTICE, (Group.PENGUIN,), from_kg=LARGE_PENGUIN_KG),
    Published(10, 20, "%", _PRACTICE, (Group.SEABIRD,)),
)


def intake_findings(ration: Ration, on: date) -> Iterator[Finding]:
    """Whether a ration lies inside any range that is published for such an animal.

    Nothing where none is, or in a stage in which appetite swings.
    """
    if _NOT_JUDGED & set(ration.stages):
        return
    held_against = [
        (each, amount)
        for each in PUBLISHED
        if each.about(ration, on) and (amount := _in_unit(ration, each.unit)) is not None
    ]
    if not held_against:
        return
    inside = [each for each in held_against if each[0].low <= each[1] <= each[0].high]
    nearest, amount = inside[0] if inside else min(held_against, key=_how_far)
    numbers: dict[str, float | str | None] = {
        "amount": round(amount, 2),
        "low": round(nearest.low, 2),
        "high": round(nearest.high, 2),
        "unit": f"{nearest.unit} a day",
        "kg_per_day": round(ration.kg, 3),
    }
    where = f"published are {nearest.low:.3g} to {nearest.high:.3g} {nearest.unit} a day"
    yield finding(
        "usual-intake",
        "pass" if inside else "warn",
        f"{amount:.3g} {nearest.unit} a day; {where} ({nearest.source})",
        numbers=numbers,
        source=nearest.source,
    )


def _how_far(held_against: tuple[Published, float]) -> float:
    """By what factor an amount lies outside of a range."""
    each, amount = held_against
    return each.low / amount if amount < each.low else amount / each.high


def _in_unit(ration: Ration, unit: str) -> float | None:
    """What a ration comes to in a unit; None where that cannot be known."""
    mass, kcal = ration.body_mass_kg, ration.kcal
    if unit == "kg":
        return ration.kg
    if mass is None:
        return None
    if unit == "%":
        return 100 * ration.kg / mass
    if kcal is None:
        return None
    return kcal / mass if unit == "kcal/kg" else kcal / basal_kcal_per_day(mass)
