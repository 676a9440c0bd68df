"""Labels as they are sent and shown."""

from datetime import date
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.barcodes.rules.elements import CodeKind
from service.barcodes.rules.own import OwnKind
from service.http.bodies import Body
from service.quantities import MassOut, TemperatureOut

CodeText = Annotated[str, Field(min_length=1, max_length=4296)]
"""What one code holds: no QR code holds more characters."""


class LabelTexts(Body):
    """What a scanner read, or somebody typed: one code, or all of one carton or pallet."""

    text: CodeText | None = None
    texts: list[CodeText] | None = Field(default=None, min_length=1, max_length=20)

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Self:
        if (self.text is None) == (self.texts is None):
            raise ValueError("give a text, or texts")
        return self


class ElementOut(BaseModel):
    """One application identifier and its value, as printed."""

    ai: str
    title: str | None
    value: str


class CodeOut(BaseModel):
    """One code: in which symbology it came, if known, what it is, and what it holds."""

    text: str
    symbology: str | None
    kind: CodeKind
    elements: list[ElementOut]


class OwnOut(BaseModel):
    """A label of ours. known: whether one of your sites has such a thing."""

    kind: OwnKind
    code: str
    known: bool


class CountryOut(BaseModel):
    """A country by its ISO 3166 number; its name where it is known here."""

    model_config = ConfigDict(from_attributes=True)

    code: str
    name: str | None


class ProductFound(BaseModel):
    """Our product with the label's GTIN."""

    code: str
    species: str
    carton_mass: MassOut


class SaidOut(BaseModel):
    """A field, and what is to say about it."""

    model_config = ConfigDict(from_attributes=True)

    field: str
    because: str


class UnknownElement(BaseModel):
    """An element whose identifier is not read here."""

    ai: str
    value: str


class LineOut(BaseModel):
    """What the label fills in of a line in `lots` of POST /v1/deliveries."""

    product: str | None
    supplier_lot: str | None
    caught_from: date | None
    caught_to: date | None
    frozen_on: date | None
    best_before: date | None
    cartons: int | None
    mass: str | None


class LabelOut(BaseModel):
    """What the codes of a label say. Nothing of it is stored."""

    ours: OwnOut | None = None
    gtin: str | None = None
    sscc: str | None = None
    supplier_lot: str | None = None
    serial: str | None = None
    harvested_from: date | None = None
    harvested_to: date | None = None
    frozen_on: date | None = None
    produced_on: date | None = None
    packed_on: date | None = None
    best_before: date | None = None
    sell_by: date | None = None
    use_by: date | None = None
    mass: MassOut | None = Field(default=None, description="Net, in the unit printed.")
    count: int | None = Field(default=None, description="Cartons on the pallet (37).")
    pieces: int | None = Field(default=None, description="Pieces in the carton (30).")
    species: str | None = Field(default=None, description="FAO ASFIS 3-alpha code.")
    species_name: str | None = None
    catch_area: str | None = None
    gear: str | None = None
    production_method: str | None = None
    max_temperature: TemperatureOut | None = None
    origin_countries: list[CountryOut] = Field(default_factory=list)
    product: ProductFound | None = None
    line: LineOut | None = None
    missing: list[SaidOut] = Field(default_factory=list)
    contradictions: list[SaidOut] = Field(default_factory=list)
    unknown: list[UnknownElement] = Field(default_factory=list)
    codes: list[CodeOut]
