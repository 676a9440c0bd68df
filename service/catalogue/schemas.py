"""Suppliers, products and supplement products as they are sent and shown."""

from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from service.catalogue.rules import (
    Divisible,
    DoseForm,
    Form,
    Part,
    Thiaminase,
    gtin_is_valid,
    nutrient_tag,
)
from service.http.bodies import Body, Code, Name, Occurrence
from service.quantities import MassIn, MassOut

NutrientTag = Annotated[str, Field(max_length=40), AfterValidator(nutrient_tag)]
"""An INFOODS tag, or a common name that becomes one."""
Amount = Annotated[float, Field(gt=0, le=1e9, allow_inf_nan=False)]
Millimetres = Annotated[float, Field(gt=0, le=3000, allow_inf_nan=False)]


class SpeciesOut(BaseModel):
    """A species of the catalogue."""

    model_config = ConfigDict(from_attributes=True)

    code: str
    name: str
    scientific_name: str
    fat_group: str
    thermal_group: str
    storage_profile: str
    thiaminase: Thiaminase
    source: str
    flag: str


class SupplierIn(Occurrence):
    """A supplier to set up."""

    code: Code
    name: Name


class SupplierOut(BaseModel):
    """A supplier."""

    model_config = ConfigDict(from_attributes=True)

    code: str
    name: str


class Block(Body):
    """A frozen block of fish."""

    length_mm: Millimetres
    width_mm: Millimetres
    thickness_mm: Millimetres


class Fish(Body):
    """A single fish."""

    length_mm: Millimetres
    width_mm: Millimetres
    thickness_mm: Millimetres
    per_kg: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] | None = None


class ProductIn(Occurrence):
    """A product to set up."""

    code: Code
    species: Code
    supplier: Code
    form: Form
    carton_mass: MassIn
    part: Part = Part.WHOLE
    size_grade: Annotated[str, Field(max_length=40)] | None = None
    gtin: Annotated[str, Field(pattern=r"^\d{8}(\d{4,6})?$")] | None = None
    block: Block | None = None
    fish: Fish | None = None

    @model_validator(mode="after")
    def _gtin_checks(self) -> Self:
        if self.gtin is not None and not gtin_is_valid(self.gtin):
            raise ValueError("gtin: the check digit is wrong")
        return self


class ProductOut(BaseModel):
    """A product."""

    code: str
    species: str
    supplier: str
    form: Form
    part: Part
    size_grade: str | None
    carton_mass: MassOut
    gtin: str | None
    block: Block | None
    fish: Fish | None


class Content(Body):
    """How much of a nutrient one piece (or gram, or millilitre) contains."""

    nutrient: NutrientTag
    amount: Amount
    unit: Annotated[str, Field(max_length=20)]


class SupplementProductIn(Occurrence):
    """A supplement product to set up."""

    code: Code
    name: Name
    form: DoseForm
    divisible: Divisible = Divisible.WHOLE
    contents: list[Content] = Field(min_length=1, max_length=40)


class ContentOut(BaseModel):
    """An amount of a nutrient."""

    nutrient: str
    amount: float
    unit: str


class SupplementProductOut(BaseModel):
    """A supplement product."""

    code: str
    name: str
    form: DoseForm
    divisible: Divisible
    contents: list[ContentOut]
