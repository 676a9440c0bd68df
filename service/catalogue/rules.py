"""Facts of fish and nutrients, read from the tables of the trade."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache

from service.figures import Row, number, table
from service.science.storage_life import LifeProfile
from service.science.vitamins import CHOLECALCIFEROL, RETINOL, RRR_TOCOPHEROL


class Form(StrEnum):
    """How fish was frozen and packed."""

    BLOCK = "block"
    IQF = "iqf"
    SHATTER_PACK = "shatter_pack"


class Part(StrEnum):
    """What of the fish it is."""

    WHOLE = "whole"
    FILLET = "fillet"
    ROE = "roe"
    PIECES = "pieces"


class DoseForm(StrEnum):
    """What a supplement comes as."""

    TABLET = "tablet"
    CAPSULE = "capsule"
    POWDER = "powder"
    LIQUID = "liquid"


class Divisible(StrEnum):
    """The smallest piece that may be given."""

    WHOLE = "whole"
    HALF = "half"


MEASURED = frozenset({DoseForm.POWDER, DoseForm.LIQUID})
"""Forms that are weighed or measured out: a count of them is of grams or millilitres."""
COUNTED_IN = {
    DoseForm.TABLET: "piece",
    DoseForm.CAPSULE: "piece",
    DoseForm.POWDER: "g",
    DoseForm.LIQUID: "mL",
}
SMALLEST_DOSE = 0.1  # g or mL: what a kitchen's small scale or syringe shows [our default]


def smallest_piece(form: str, divisible: str, smallest: float | None = None) -> float:
    """The smallest dose of a product: pieces of a tablet or capsule, g of powder, mL of liquid.

    >>> smallest_piece("tablet", "half"), smallest_piece("powder", "whole", 0.25)
    (0.5, 0.25)
    """
    if form in MEASURED:
        return SMALLEST_DOSE if smallest is None else smallest
    return 0.5 if divisible == Divisible.HALF else 1.0


class Basis(StrEnum):
    """With its water, or without."""

    AS_FED = "as_fed"
    DRY_MATTER = "dry_matter"


class Thiaminase(StrEnum):
    """Whether a fish carries the enzyme that destroys vitamin B1."""

    PRESENT = "present"
    MIXED = "mixed"
    UNKNOWN = "unknown"
    ABSENT = "absent"


# Days on melting ice until thawed whole fish is spoiled [memory, medium;
# science reference 4.3], by thermal group.
ICE_LIFE_D = {"lean": 12.0, "medium": 8.0, "fatty": 8.0, "very_fatty": 8.0, "squid": 6.0}

# Proximates in g/100 g of the five groups [science reference 1.4: M-h, D], for
# species whose own row lacks them.
GROUP_PROXIMATES: Mapping[str, Mapping[str, float]] = {
    "lean": {"WATER": 80.3, "PROCNT": 17.8, "FAT": 0.7, "CHOCDF": 0.0, "ASH": 1.2},
    "medium": {"WATER": 80.0, "PROCNT": 14.0, "FAT": 4.0, "CHOCDF": 0.0, "ASH": 2.0},
    "fatty": {"WATER": 72.05, "PROCNT": 17.96, "FAT": 9.04, "CHOCDF": 0.0, "ASH": 1.46},
    "very_fatty": {"WATER": 63.55, "PROCNT": 18.60, "FAT": 13.89, "CHOCDF": 0.0, "ASH": 1.35},
    "squid": {"WATER": 78.55, "PROCNT": 15.58, "FAT": 1.38, "CHOCDF": 3.08, "ASH": 1.41},
}


@dataclass(frozen=True)
class SpeciesFacts:
    """What the trade knows of a feed fish."""

    code: str
    name: str
    scientific_name: str
    family: str
    fat_group: str
    thermal_group: str
    storage_profile: str
    thiaminase: Thiaminase
    source: str
    flag: str
    length_high_cm: float | None = None
    mass_high_g: float | None = None
    kind: str = "finfish"
    histamine_plan_eu: bool = False
    histamine_former_us: bool = False

    @property
    def life_profile(self) -> LifeProfile:
        """Its storage life by temperature."""
        return life_profile(self.storage_profile, ICE_LIFE_D[self.thermal_group])


@dataclass(frozen=True)
class Nutrient:
    """A nutrient by its INFOODS tag, with the unit the service counts it in."""

    tag: str
    name: str
    unit: str

    @property
    def amount_unit(self) -> str:
        """The unit of an amount per animal and day: without what it is per."""
        return self.unit.split("/")[0]


@lru_cache(maxsize=1)
def species_facts() -> Mapping[str, SpeciesFacts]:
    """All species of the catalogue by code."""
    return {row["asfis_code"]: _species(row) for row in table("species")}


def _species(row: Row) -> SpeciesFacts:
    return SpeciesFacts(
        code=row["asfis_code"],
        name=row["name_en"],
        scientific_name=row["scientific_name"],
        family=row["family"],
        fat_group=row["fat_group"],
        thermal_group=row["thermal_group"],
        storage_profile=row["storage_profile"],
        thiaminase=Thiaminase(row["thiaminase_status"]),
        source=row["source"],
        flag=row["flag"],
        length_high_cm=number(row["length_high_cm"]),
        mass_high_g=number(row["mass_high_g"]),
        kind=row["kind"],
        histamine_plan_eu=row["histamine_plan_eu"] == "yes",
        histamine_former_us=row["histamine_former_us"] == "yes",
    )


@lru_cache(maxsize=64)
def life_profile(key: str, ice_life_d: float) -> LifeProfile:
    """A table of storage life with an ice life. Raises KeyError for an unknown table."""
    knots = sorted(
        (float(row["temperature_c"]), float(row["months_default"]))
        for row in table("storage_life")
        if row["profile_key"] == key
    )
    if not knots:
        raise KeyError(key)
    return LifeProfile(key, tuple(k[0] for k in knots), tuple(k[1] for k in knots), ice_life_d)


@lru_cache(maxsize=1)
def life_profiles() -> tuple[LifeProfile, ...]:
    """The profiles that species of the catalogue follow, in a fixed order."""
    found = {facts.life_profile for facts in species_facts().values()}
    return tuple(sorted(found, key=lambda p: (p.key, p.ice_life_d)))


@lru_cache(maxsize=1)
def nutrients() -> Mapping[str, Nutrient]:
    """Nutrients by INFOODS tag."""
    return {
        row["tag"]: Nutrient(row["tag"], row["name"], row["unit_in_service"])
        for row in table("nutrients")
    }


@lru_cache(maxsize=1)
def _tag_of() -> Mapping[str, str]:
    names: dict[str, str] = {}
    for row in table("nutrients"):
        for name in (row["tag"], row["name"], *row["also_called"].split(";")):
            if name:
                names[name.lower().replace(" ", "_")] = row["tag"]
    return names


def nutrient_tag(said: str) -> str:
    """The INFOODS tag of a nutrient by tag or common name. Raises ValueError if unknown."""
    tag = _tag_of().get(said.strip().lower().replace(" ", "_"))
    if tag is None:
        raise ValueError(f"no nutrient is called {said!r}; use an INFOODS tag such as THIA")
    return tag


# The micro sign and the Greek letter look alike; keyboards have the one or the other.
_MASSES_MG = {"g": 1e3, "mg": 1.0, "ug": 1e-3, "\u00b5g": 1e-3, "\u03bcg": 1e-3, "mcg": 1e-3}
_PER_KG = {"kg": 1.0, "100g": 10.0, "g": 1000.0}
# What a mass of a vitamin in fish is a mass of.
_FORM = {"VITA": RETINOL, "VITD": CHOLECALCIFEROL, "VITE": RRR_TOCOPHEROL}


def in_service_unit(tag: str, amount: float, unit: str) -> float:
    """An amount in the unit that the service counts the nutrient in.

    Takes g, mg, µg, IU, kcal or kJ, alone or per kg, 100 g or g.
    Raises ValueError naming a unit that does not fit the nutrient.
    """
    target = nutrients()[tag].unit if "/" in unit else nutrients()[tag].amount_unit
    have, want = _split(unit), _split(target)
    scale = _PER_KG.get(have[1], 1.0) / _PER_KG.get(want[1], 1.0)
    if (have[1] in _PER_KG) == (want[1] in _PER_KG):
        if have[0] == want[0]:
            return amount * scale
        if have[0] == "kj" and want[0] == "kcal":
            return amount * scale / 4.184
        if have[0] in _MASSES_MG and want[0] in _MASSES_MG:
            return amount * scale * _MASSES_MG[have[0]] / _MASSES_MG[want[0]]
        if have[0] in _MASSES_MG and want[0] == "iu" and tag in _FORM:
            return amount * scale * _MASSES_MG[have[0]] / _FORM[tag].mg_per_iu
    raise ValueError(f"{tag} is counted in {target}; {unit!r} cannot be converted to it")


def _split(unit: str) -> tuple[str, str]:
    amount, _, per = unit.lower().replace(" ", "").partition("/")
    return amount, per


# What one piece, gram or millilitre can at most weigh, in g. A gram of powder is a gram. No
# liquid that is given is denser than 1.5 g/mL (saturated brine 1.2, glycerol 1.26 [memory,
# high]). No tablet that an animal is given by hand weighs 100 g [our default].
HEAVIEST_G = {
    DoseForm.TABLET: 100.0,
    DoseForm.CAPSULE: 100.0,
    DoseForm.POWDER: 1.0,
    DoseForm.LIQUID: 1.5,
}
LEAST_AMOUNT = 1e-9  # in the unit of any nutrient: less is a slip of the pen
_MOST_KCAL_G = 9.5  # of pure fat, burnt [memory, high]
_MINERALS = frozenset({"CA", "P", "NA", "NACL", "SE", "FE", "ZN", "I"})
_PARTS = {
    "FAT": frozenset({"F20D5N3", "F22D6N3"}),
    "NACL": frozenset({"NA"}),
    "ASH": _MINERALS,
}


def piece_content(form: DoseForm, tag: str, amount: float, unit: str) -> float:
    """What one piece, gram or millilitre contains of a nutrient, in its amount unit.

    "mg" and, for what is measured out, "mg/g" or "mg/mL" say the same. Raises ValueError for
    a unit that does not fit, for next to nothing, and for more than the piece can weigh.
    """
    alone, slash, per = unit.strip().partition("/")
    counted_in = COUNTED_IN[form]
    if slash and (form not in MEASURED or per.strip().lower() != counted_in.lower()):
        raise ValueError(f"contents are per {counted_in}: write {alone.strip()!r}, not {unit!r}")
    content = in_service_unit(tag, amount, alone)
    if content < LEAST_AMOUNT:
        raise ValueError(f"{amount:g} {alone} is next to nothing")
    _refuse_heavy(form, tag, mass_g(tag, content))
    return content


def refuse_too_heavy(form: DoseForm, contents: Mapping[str, float]) -> None:
    """Raise ValueError for nutrients that together weigh more than the piece can.

    What is a part of another that is named (EPA of fat, sodium of salt) counts once.
    """
    parts = {part for whole, of in _PARTS.items() if whole in contents for part in of}
    counted = [tag for tag in contents if tag not in parts and tag != "ENERC"]
    _refuse_heavy(form, " and ".join(counted), sum(mass_g(t, contents[t]) for t in counted))


def _refuse_heavy(form: DoseForm, what: str, grams: float) -> None:
    most = HEAVIEST_G[form]
    if grams > most * (1 + 1e-9):
        of = {"piece": f"a {form}", "g": "1 g of powder", "mL": "1 mL of liquid"}[COUNTED_IN[form]]
        raise ValueError(f"{what} would weigh {grams:.4g} g, more than {of} can: at most {most:g}")


def mass_g(tag: str, amount: float) -> float:
    """The least that an amount of a nutrient, in its amount unit, can weigh, in grams.

    International units by the lightest form of the vitamin, energy as pure fat.

    >>> round(mass_g("VITE", 1490), 3), mass_g("NACL", 1)
    (1.0, 1.0)
    """
    unit = nutrients()[tag].amount_unit.lower()
    if unit == "kcal":
        return amount / _MOST_KCAL_G
    return amount * (_FORM[tag].mg_per_iu if unit == "iu" else _MASSES_MG[unit]) / 1000


@cache
def default_content(species: str) -> Mapping[str, float]:
    """A species' content by tag, in service units; a tag that is missing is unknown.

    The catalogue's default row, its missing proximates from the thermal group.
    """
    facts = species_facts()[species]
    content = dict(GROUP_PROXIMATES[facts.thermal_group])
    row = next(
        (
            r
            for r in table("composition")
            if r["asfis_code"] == species and r["service_default"] == "yes"
        ),
        None,
    )
    if row is not None:
        for nutrient in table("nutrients"):
            cell = row.get(nutrient["composition_column"]) if nutrient["composition_column"] else ""
            factor = number(nutrient["factor_from_composition"])
            if cell and factor:
                content[nutrient["tag"]] = float(cell) * factor
    return content


def content_source(species: str) -> str:
    """Where a species' default content comes from, in words."""
    row = next(
        (
            r
            for r in table("composition")
            if r["asfis_code"] == species and r["service_default"] == "yes"
        ),
        None,
    )
    return row["source"] if row else "thermal group default, science reference 1.4"


def check_digit_of(body: str) -> str:
    """The check digit of an article, pallet or place number (GS1 General Specifications 7.9).

    Raises ValueError for anything but digits.

    >>> check_digit_of("0950600013435")
    '2'
    """
    if not body.isascii() or not body.isdigit():
        raise ValueError(f"{body!r} is not made of digits")
    total = sum(int(d) * (1 if place % 2 else 3) for place, d in enumerate(reversed(body)))
    return str(-total % 10)


def gtin_is_valid(gtin: str) -> bool:
    """Whether a GTIN's last digit is its check digit.

    >>> gtin_is_valid("09521234543213"), gtin_is_valid("09521234543214")
    (True, False)
    """
    if not gtin.isascii() or not gtin.isdigit():
        return False
    return check_digit_of(gtin[:-1] or "0") == gtin[-1]
