"""An invented place, as data: its rooms, thermometers, suppliers, fish, animals and people.

Every name is invented. Masses and diets are of the size that such animals eat
(common practice, from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from service.animals.rules import Group, Sex
from service.catalogue.rules import DoseForm, Form
from service.catalogue.schemas import (
    Block,
    Content,
    Fish,
    ProductIn,
    SupplementProductIn,
    SupplierIn,
)
from service.probes.rules import ProbeKind
from service.quantities import Mass, parse_mass
from service.security.rules import Role
from service.site.rules import PlaceKind
from service.site.schemas import PlaceIn, SiteIn

HISTORY_DAYS = 365
SITE = SiteIn(name="Lantern Skerry Sea House")


@dataclass(frozen=True)
class Person:
    """Somebody who works here, or the thermometers' own user."""

    name: str
    role: Role


MANAGER = Person("Maren", Role.MANAGER)
COMMISSARY = Person("Oskar", Role.COMMISSARY)
KEEPER = Person("Tilde", Role.KEEPER)
NUTRITIONIST = Person("Ines", Role.NUTRITIONIST)
VET = Person("Dr Holm", Role.VET)
THERMOMETERS = Person("thermometers", Role.DEVICE)
PEOPLE = (MANAGER, COMMISSARY, KEEPER, NUTRITIONIST, VET, THERMOMETERS)

PLACES: Sequence[PlaceIn] = (
    PlaceIn(code="FZ1", name="Freezer 1, herring", kind=PlaceKind.FREEZER),
    PlaceIn(code="FZ2", name="Freezer 2, capelin", kind=PlaceKind.FREEZER),
    PlaceIn(code="FZ3", name="Freezer 3, mackerel and sprat", kind=PlaceKind.FREEZER),
    PlaceIn(code="FZ4", name="Freezer 4, squid, on the quay", kind=PlaceKind.FREEZER),
    PlaceIn(code="COOL", name="Walk-in refrigerator", kind=PlaceKind.REFRIGERATOR),
    PlaceIn(code="TANK", name="Thaw tank, running sea water", kind=PlaceKind.THAW_TANK),
    PlaceIn(code="ROOM", name="Thaw room", kind=PlaceKind.THAW_ROOM),
    PlaceIn(code="KITCHEN", name="Fish kitchen", kind=PlaceKind.KITCHEN),
)


@dataclass(frozen=True)
class Thermometer:
    """A probe, how the place it is in usually behaves, and for how many days it has hung there.

    mean_c: its mean; swing_c: half the swing of a day; defrost_c: how much warmer
    it gets at a defrost, every six hours for a quarter of an hour.
    """

    code: str
    place: str
    mean_c: float
    swing_c: float
    defrost_c: float
    days: int = HISTORY_DAYS
    kind: ProbeKind = ProbeKind.AIR


HUNG: Sequence[Thermometer] = (
    Thermometer("FZ1-AIR", "FZ1", -22.4, 0.5, 2.0),
    Thermometer("FZ2-AIR", "FZ2", -23.1, 0.4, 2.0),
    Thermometer("FZ3-AIR", "FZ3", -21.6, 0.6, 1.8),
    Thermometer("FZ4-AIR", "FZ4", -21.9, 0.9, 1.5),
    Thermometer("COOL-AIR", "COOL", 2.6, 0.4, 0.6, days=30),
)
READ_EVERY = timedelta(minutes=5)
OPEN_DOOR_PLACE = "FZ1"
OPEN_DOOR_BEFORE_MIDNIGHT = timedelta(days=9, hours=2, minutes=20)
OPEN_DOOR_LASTED = timedelta(hours=8, minutes=40)
DEAD_PROBE = "FZ4-AIR"
DIED_BEFORE_NOW = timedelta(hours=7)

SUPPLIERS: Sequence[SupplierIn] = (
    SupplierIn(code="SKARNVIK", name="Skarnvik Pelagic"),
    SupplierIn(code="OLDERNES", name="Oldernes Fish"),
    SupplierIn(code="FENWATER", name="Fenwater Squid"),
)


def _kg(kilograms: str) -> Mass:
    return parse_mass(f"{kilograms} kg")


PRODUCTS: Sequence[ProductIn] = (
    ProductIn(
        code="HER-BLOCK-10",
        species="HER",
        supplier="SKARNVIK",
        form=Form.BLOCK,
        carton_mass=_kg("10"),
        block=Block(length_mm=500, width_mm=250, thickness_mm=100),
    ),
    ProductIn(
        code="CAP-IQF-12",
        species="CAP",
        supplier="OLDERNES",
        form=Form.IQF,
        carton_mass=_kg("12"),
        fish=Fish(length_mm=150, width_mm=30, thickness_mm=20, per_kg=40),
    ),
    ProductIn(
        code="MAC-IQF-15",
        species="MAC",
        supplier="SKARNVIK",
        form=Form.IQF,
        carton_mass=_kg("15"),
        fish=Fish(length_mm=300, width_mm=60, thickness_mm=50, per_kg=3),
    ),
    ProductIn(
        code="SPR-IQF-10",
        species="SPR",
        supplier="OLDERNES",
        form=Form.IQF,
        carton_mass=_kg("10"),
        fish=Fish(length_mm=110, width_mm=25, thickness_mm=15, per_kg=85),
    ),
    ProductIn(
        code="SQI-BLOCK-4",
        species="SQI",
        supplier="FENWATER",
        form=Form.BLOCK,
        carton_mass=_kg("4"),
        block=Block(length_mm=380, width_mm=220, thickness_mm=55),
    ),
)
FREEZER_OF = {"HER": "FZ1", "CAP": "FZ2", "MAC": "FZ3", "SPR": "FZ3", "SQI": "FZ4"}
PRODUCT_OF = {product.species: product for product in PRODUCTS}

# Fat that a laboratory finds in a lot, g/100 g: middle and half range. It swings
# with the season (species table: herring 2 to 20, capelin 1.8 to 18).
FAT_FOUND = {"HER": (11.0, 5.0), "CAP": (5.0, 2.5), "MAC": (11.0, 4.0)}


@dataclass(frozen=True)
class Diet:
    """Grams a day by species, from so many days ago."""

    days_ago: int
    grams: Mapping[str, int]


@dataclass(frozen=True)
class Animal:
    """An animal, what it weighs, and its diets; it came with the first of them."""

    code: str
    taxon: str
    group: Group
    sex: Sex
    age_years: int
    body_g: int
    diets: Sequence[Diet]

    def fed(self, days_ago: int) -> Mapping[str, int]:
        """Grams by species on a day; nothing before it came."""
        in_force = [diet for diet in self.diets if diet.days_ago >= days_ago]
        return in_force[-1].grams if in_force else {}


_ELEPHANT_SEAL = "Mirounga angustirostris"
_SEA_LION, _SEAL = "Zalophus californianus", "Phoca vitulina"
_PENGUIN, _OTTER = "Spheniscus humboldti", "Enhydra lutris"
_YEAR, _SPRING, _LATELY = HISTORY_DAYS, 90, 17

ANIMALS: Sequence[Animal] = (
    Animal(
        "BOULDER",
        _ELEPHANT_SEAL,
        Group.PINNIPED,
        Sex.MALE,
        5,
        610_000,
        [Diet(_YEAR, {"HER": 10_000})],
    ),
    Animal(
        "MARLO",
        _SEA_LION,
        Group.PINNIPED,
        Sex.MALE,
        11,
        214_000,
        [
            Diet(_SPRING, {"HER": 6500, "CAP": 5800}),
            Diet(_LATELY, {"HER": 4400, "CAP": 4200, "MAC": 2400, "SQI": 1600}),
        ],
    ),
    Animal(
        "QUILL",
        _SEA_LION,
        Group.PINNIPED,
        Sex.FEMALE,
        7,
        92_000,
        [Diet(_SPRING, {"HER": 3500, "CAP": 3000})],
    ),
    Animal(
        "SEDGE",
        _SEAL,
        Group.PINNIPED,
        Sex.FEMALE,
        3,
        46_000,
        [Diet(_LATELY, {"HER": 1900, "CAP": 600})],
    ),
    Animal(
        "TUPPENCE",
        _PENGUIN,
        Group.PENGUIN,
        Sex.FEMALE,
        9,
        4_300,
        [Diet(_LATELY, {"SPR": 380, "CAP": 120})],
    ),
    Animal(
        "BUTTON",
        _PENGUIN,
        Group.PENGUIN,
        Sex.MALE,
        9,
        4_700,
        [Diet(_LATELY, {"SPR": 430, "CAP": 120})],
    ),
    Animal(
        "DRIFT",
        _OTTER,
        Group.OTTER,
        Sex.FEMALE,
        6,
        24_500,
        [Diet(_LATELY, {"SQI": 2200, "CAP": 2600})],
    ),
)

SUPPLEMENT_PRODUCTS: Sequence[SupplementProductIn] = (
    SupplementProductIn(
        code="B1-100",
        name="Thiamine 100 mg tablet",
        form=DoseForm.TABLET,
        contents=[Content(nutrient="THIA", amount=100, unit="mg")],
    ),
    SupplementProductIn(
        code="E-400",
        name="Vitamin E 400 IU capsule",
        form=DoseForm.CAPSULE,
        contents=[Content(nutrient="VITE", amount=400, unit="IU")],
    ),
)


def need(days_ago: int) -> dict[str, int]:
    """Grams by species that all animals get on a day."""
    total: dict[str, int] = {}
    for animal in ANIMALS:
        for species, grams in animal.fed(days_ago).items():
            total[species] = total.get(species, 0) + grams
    return total
