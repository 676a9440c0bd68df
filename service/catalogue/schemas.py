"""Suppliers, products and supplement products as they are sent and shown."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from service.catalogue.rules import (
    MEASURED,
    SMALLEST_DOSE,
    Divisible,
    DoseForm,
    Form,
    Part,
    Thiaminase,
    gtin_is_valid,
    nutrient_tag,
    nutrients,
    piece_content,
    refuse_too_heavy,
)
from service.errors import Invalid
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
    """How much of a nutrient one piece contains; of powder 1 g, of liquid 1 mL."""

    nutrient: NutrientTag
    amount: Amount
    unit: Annotated[str, Field(max_length=20)]


def _contains_something(contents: list[Content]) -> list[Content]:
    if not contents:
        raise ValueError("a product without contents gives nothing: name at least one nutrient")
    return contents


Contents = Annotated[list[Content], Field(max_length=40), AfterValidator(_contains_something)]
Price = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$", description="ISO 4217, such as EUR.")]


def strength_of(form: DoseForm, contents: Sequence[Content]) -> dict[str, float]:
    """What one piece, gram or millilitre contains, by tag in amount units.

    Raises Invalid naming the content: named twice, a unit that does not fit its nutrient,
    next to nothing, more than the piece can weigh.
    """
    strength: dict[str, float] = {}
    for number, content in enumerate(contents):
        field = f"contents.{number}"
        if content.nutrient in strength:
            raise Invalid.at(f"{field}.nutrient", f"{content.nutrient} is named twice")
        try:
            strength[content.nutrient] = piece_content(
                form, content.nutrient, content.amount, content.unit
            )
        except ValueError as error:
            raise Invalid.at(f"{field}.unit", str(error)) from error
    try:
        refuse_too_heavy(form, strength)
    except ValueError as error:
        raise Invalid.at("contents", str(error)) from error
    return strength


def strength_out(contents: Mapping[str, float]) -> "list[ContentOut]":
    """Contents as they are shown; sent back they mean the same."""
    return [
        ContentOut(nutrient=tag, amount=amount, unit=nutrients()[tag].amount_unit)
        for tag, amount in contents.items()
    ]


class Priced(Occurrence):
    """Something that may have a price, for one piece, gram or millilitre."""

    price: Price | None = Field(default=None, description="Of one piece, gram or millilitre.")
    currency: Currency | None = Field(default=None, validate_default=True)

    @field_validator("currency")
    @classmethod
    def _goes_with_a_price(cls, currency: str | None, seen: ValidationInfo) -> str | None:
        if "price" not in seen.data:
            return currency  # the price was refused
        if currency is None and seen.data["price"] is not None:
            raise ValueError("a price is in a currency, such as EUR")
        if currency is not None and seen.data["price"] is None:
            raise ValueError("there is no price for it")
        return currency


class SupplementProductIn(Priced):
    """A supplement product to set up.

    A count of a powder is of grams, of a liquid of millilitres, and so are its contents: a
    plan that says count 2.5 of a powder means 2.5 g.
    """

    code: Code
    name: Name
    form: DoseForm
    divisible: Divisible = Divisible.WHOLE
    smallest: Annotated[float, Field(ge=0.001, le=100, allow_inf_nan=False)] | None = Field(
        default=None,
        description="Of powder (g) and liquid (mL): the steps in which it is measured out; "
        f"left out: {SMALLEST_DOSE}.",
    )
    contents: Contents

    @field_validator("divisible")
    @classmethod
    def _capsules_are_whole(cls, divisible: Divisible, seen: ValidationInfo) -> Divisible:
        if divisible is Divisible.HALF and seen.data.get("form") is DoseForm.CAPSULE:
            raise ValueError("a capsule cannot be halved")
        return divisible

    @field_validator("smallest")
    @classmethod
    def _is_a_step(cls, smallest: float | None, seen: ValidationInfo) -> float | None:
        form = seen.data.get("form")
        if smallest is None or form is None:
            return smallest
        if form not in MEASURED:
            raise ValueError(f"a {form} is counted: `divisible` says whether it may be halved")
        if abs(smallest * 1000 - round(smallest * 1000)) > 1e-6:
            raise ValueError("stock is kept in thousandths: at most three decimals")
        return smallest


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
    smallest: float = Field(description="The smallest dose: pieces, g or mL.")
    counted_in: str = Field(description="What a count is of, and contents are per: piece, g, mL.")
    contents: list[ContentOut]
    price: float | None
    currency: str | None
